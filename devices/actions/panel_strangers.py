"""Numbers that nobody knows, and how a listener fares: few writes, however many frames."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import F

from devices.models import ListenerState, PanelStranger

WRITE_EVERY = timedelta(minutes=1)
MOST_NUMBERS = 500
"""So many unknown numbers are kept. Whoever sends random ones fills a list, not the disk."""
GIVES_WAY_AFTER = timedelta(days=1)
"""A number silent for so long gives way to a new one where the list is full: random ones of a night must not hide for ever
the panel that is set up in the morning. Own choice: panels call at least once a day."""


@transaction.atomic
def note_stranger(*, number: str, n_frames: int, peer: str, example: str, at: datetime) -> None:
    """Count frames of a number that nobody knows. Where the list is full a new one takes the place of the one that was silent
    for longest, if that was for a day; else it is not noted.
    """
    rows = PanelStranger.objects.filter(number=number)
    changes = {"n_frames": F("n_frames") + n_frames, "last_at": at, "last_peer": peer[:60]}
    if rows.update(**changes, **({"example": example[:200]} if example else {})):
        return
    if PanelStranger.objects.count() >= MOST_NUMBERS:
        silent = PanelStranger.objects.filter(last_at__lt=at - GIVES_WAY_AFTER).order_by("last_at", "pk").first()
        if silent is None:
            return
        silent.delete()
    PanelStranger.objects.create(
        number=number, first_at=at, last_at=at, n_frames=n_frames, last_peer=peer[:60], example=example[:200]
    )


@transaction.atomic
def write_state(*, bind: str, started_at: datetime, counts: Mapping[str, int], at: datetime, stopped: bool) -> None:
    """Write how a listener fares; a listener on the same address takes the row over."""
    ListenerState.objects.update_or_create(
        bind=bind[:60],
        defaults={
            "started_at": started_at, "beat_at": at, "stopped_at": at if stopped else None, "counts": dict(counts),
        },
    )  # fmt: skip


@dataclass(slots=True)
class _Heard:
    n_frames: int = 0
    peer: str = ""
    example: str = ""
    written_at: datetime | None = None


@dataclass(slots=True)
class StrangerBook:
    """Unknown numbers of the last while in memory; each is written at most once a minute."""

    _heard: dict[str, _Heard] = field(default_factory=dict)

    def heard(self, number: str, *, peer: str, example: str) -> None:
        """Count a frame; beyond the kept number of numbers it only stands in the listener's own count."""
        if number not in self._heard and len(self._heard) >= MOST_NUMBERS:
            return
        entry = self._heard.setdefault(number, _Heard())
        entry.n_frames += 1
        entry.peer, entry.example = peer, example or entry.example

    def write(self, at: datetime, *, everything: bool = False) -> None:
        """Write what has waited long enough, in one transaction; forget what has been silent for ten times that."""
        due: dict[str, _Heard] = {}
        for number, entry in list(self._heard.items()):
            if entry.n_frames and (everything or entry.written_at is None or at - entry.written_at >= WRITE_EVERY):
                due[number] = entry
            elif not entry.n_frames and entry.written_at is not None and at - entry.written_at >= 10 * WRITE_EVERY:
                del self._heard[number]
        if not due:
            return
        # One commit: in a flood hundreds of them would keep the frames of known panels waiting.
        with transaction.atomic():
            for number, entry in due.items():
                note_stranger(number=number, n_frames=entry.n_frames, peer=entry.peer, example=entry.example, at=at)
        for entry in due.values():
            entry.n_frames, entry.written_at = 0, at
