"""Events that were set aside, put in as their batches would have been: batch by batch, in the order in which they came."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from operator import itemgetter

from devices.actions import intake_sql as isql
from devices.actions import rollup_sql as sql
from devices.actions.intake import put_in
from devices.actions.intake_placing import Aside, Placed, Sender, event_of, place_parts
from devices.actions.panels import reporting_receiver
from devices.models import IntakeSource, PanelAccount, Receiver, Registration, SetAside, Transmitter
from devices.rules.events import Event
from devices.rules.panel_state import number_of

AT_ONCE = 5000
_ZONE = re.compile(r"zone ([0-9]{1,5})\b")
"""How the note of a panel's event begins that named no slot, see `panel_frames`."""


@dataclass(slots=True)
class Replayed:
    """What became of events: how many lie on days no longer kept, which still have no place, how many of those wait anew."""

    n_too_old: int = 0
    left: set[int] = field(default_factory=set)
    n_moved: int = 0


class _Meant:
    """The receivers that events name, by the word under which placing finds them: their code."""

    def __init__(self, rows: Sequence[SetAside], receiver: Receiver | None) -> None:
        known = {row.receiver_id for row in rows if row.receiver_id is not None}
        self._codes = dict(Receiver.objects.filter(pk__in=known).values_list("pk", "code"))
        self._given = receiver.code if receiver is not None else ""
        self._accounts: dict[tuple[str, int | None], tuple[str, int]] = {}

    def word(self, row: SetAside, event: Event) -> tuple[str, int | None]:
        """Receiver and slot of an event as they are known today."""
        is_panel = row.batch.source.kind == IntakeSource.Kind.PANEL
        code, offset = self._account(row) if is_panel else ("", 0)
        zone = _ZONE.match(event.note) if is_panel else None
        slot = int(zone[1]) - offset if zone else event.slot
        if slot is not None and slot < 1:
            slot = None
        if row.receiver_id is not None:
            return self._codes[row.receiver_id], slot
        return self._given or code or event.receiver, slot

    def _account(self, row: SetAside) -> tuple[str, int]:
        """Code of the receiver that a panel reports for today (empty: not said), and its zone of slot 1, less 1."""
        number = number_of(row.batch.batch_id)
        key = (number, row.customer_id)
        if key not in self._accounts:
            rows = PanelAccount.objects.filter(customer_id=row.customer_id or 0, closed_at=None)
            account = rows.filter(number=number).first()
            receiver = reporting_receiver(account) if account else None
            self._accounts[key] = (receiver.code if receiver else "", account.slot_offset if account else 0)
        return self._accounts[key]


def replay(
    rows: Sequence[SetAside], *, at: datetime, unit: Transmitter | None = None, receiver: Receiver | None = None
) -> Replayed:  # fmt: skip
    """Put events in, as if what they name had been known when they came; the caller holds their rows and marks them.

    Each batch counts by itself, under its own source, in the order of arrival: overlapping files say the same activation
    twice, and of files the largest count of each quarter hour holds (`devices.rules.day_acts`). Those that still have no place stay, and
    wait under the slot of their receiver where only that was unknown.

    Parameters
    ----------
    rows : sequence of SetAside
        With batch and source, in the order in which they came.
    unit : Transmitter or None
        Whose events these are, whatever serial they bear.
    receiver : Receiver or None
        The one meant by those whose receiver nobody knew.
    """
    meant = _Meant(rows, receiver)
    by_sender: dict[Sender, dict[int, list[Event]]] = {}
    for n, row in enumerate(rows):
        event = event_of(row.event)
        word, slot = meant.word(row, event)
        # Numbered anew: rows of several batches bear the same numbers.
        event = event._replace(row=n, receiver=word, slot=slot, serial=unit.serial if unit else event.serial)
        sender = _sender(row.batch.source, unit.customer_id if unit else row.customer_id)
        by_sender.setdefault(sender, {}).setdefault(row.batch_id, []).append(event)
    placed: list[tuple[int, Placed, Sender]] = []
    for sender, batches in by_sender.items():
        parts = place_parts(sender, list(batches.values()))
        placed += [(batch, part, sender) for batch, part in zip(batches, parts, strict=True)]
    placed.sort(key=itemgetter(0))
    told = Replayed()
    for _, part, _ in placed:
        told.n_too_old += len(part.problems)
        # What the receiver had no slot for says nothing of the transmitter itself: there is nothing to count.
        left = [one for one in part.aside if not (unit and one.event.kind == "unregistered")]
        told.left |= {rows[one.event.row].pk for one in left}
        told.n_moved += _move(rows, left)
    receivers = {pk for _, part, _ in placed for pk in part.receiver_ids}
    if unit is not None:
        # Where it stands by now its faults of before will be told: receivers are locked before transmitters.
        stays = Registration.objects.filter(transmitter=unit)
        receivers |= set(stays.values_list("receiver_id", flat=True))
    sql.ask(isql.lock_receivers_ask(receivers, None, isql.Scope(None, None)))
    put_in([(part, sender) for _, part, sender in placed], at)
    return told


def _move(rows: Sequence[SetAside], left: Sequence[Aside]) -> int:
    """Let events whose receiver is known by now, though not their slot, wait under that slot; gives how many."""
    changed: dict[tuple[int | None, int | None, str, str], list[int]] = {}
    for one in left:
        row = rows[one.event.row]
        is_better = row.receiver_id is None and one.receiver_id is not None
        if not is_better and (row.serial or row.slot == one.event.slot):
            continue
        new = (one.receiver_id, one.event.slot, one.why[:120], row.unit if row.serial else one.unit)
        changed.setdefault(new, []).append(row.pk)
    for (receiver_id, slot, why, unit), keys in changed.items():
        for start in range(0, len(keys), AT_ONCE):
            some = SetAside.objects.filter(pk__in=keys[start : start + AT_ONCE])
            some.update(receiver_id=receiver_id, slot=slot, why=why, unit=unit)
    return sum(len(keys) for keys in changed.values())


def _sender(source: IntakeSource, customer_id: int | None) -> Sender:
    return Sender(source.pk, source.name, source.kind, customer_id, None, None, source.site_id)
