"""Which of a source's two tokens is in use: told apart while a former one is still taken beside the present one.

A source has one moment of last use for both. So the first use of the present one beside a former one gets a row of the
change log; before it, every use was the former's. Once the former has ended, a later use is the present one's.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import Q, QuerySet

from company.actions import record_change
from company.models import ChangeRow
from devices.models import IntakeSource

USE_NOTED_EVERY = timedelta(minutes=1)
TAKEN_UP = "take_up_token"

_known_as_taken_up: set[str] = set()
"""Digests of tokens of which this process has read that they were taken up: a gateway posts every few minutes."""


@dataclass(frozen=True, slots=True)
class TokenUse:
    """How the present token of a source and the one before it are used.

    `former_until` is empty where no former one is taken; `is_of_either` says that `last_at` may be of the former.
    """

    is_used: bool
    taken_up_at: datetime | None
    last_at: datetime | None
    is_of_either: bool
    former_hint: str
    former_until: datetime | None


def former_stands(source: IntakeSource, at: datetime) -> bool:
    """Whether a former token is taken beside the present one."""
    return bool(source.previous_sha256) and source.previous_until is not None and source.previous_until > at


def token_use(source: IntakeSource, at: datetime) -> TokenUse:
    """What is known of the use of both tokens; of a source without any: no use."""
    row = _taken_up(source).order_by("-at", "-pk").first() if source.token_sha256 else None
    is_later = bool(source.token_sha256) and not former_stands(source, at) and not _is_before_it(source)
    stands = former_stands(source, at)
    return TokenUse(
        is_used=row is not None or is_later, taken_up_at=row.at if row else None, last_at=source.last_used_at,
        is_of_either=not is_later, former_hint=former_hint(source) if stands else "",
        former_until=source.previous_until if stands else None,
    )  # fmt: skip


def _is_before_it(source: IntakeSource) -> bool:
    """Whether the last use was before the present token alone was taken, so that it may have been the former's."""
    begun = [moment for moment in (source.token_made_at, source.previous_until) if moment is not None]
    return source.last_used_at is None or any(source.last_used_at < moment for moment in begun)


def former_hint(source: IntakeSource) -> str:
    """Last characters of the token before the present one, as the change log has them; empty where it has none."""
    made = ChangeRow.objects.filter(subject_kind="intakesource", subject_id=source.pk, verb="make_token")
    row = made.order_by("-at", "-pk").first()
    if row is None:
        return ""
    return str((row.after or {}).get("former_hint") or (row.before or {}).get("token_hint") or "")


def _taken_up(source: IntakeSource) -> QuerySet[ChangeRow]:
    rows = ChangeRow.objects.filter(subject_kind="intakesource", subject_id=source.pk, verb=TAKEN_UP)
    return rows.filter(at__gte=source.token_made_at, after__token_hint=source.token_hint)


def note_use(*, source: IntakeSource, at: datetime) -> None:
    """Remember that a source as `source_of` gave it has used its token; written once a minute at most.

    The first use of a token beside a former one is one row of the change log; no other use is any: nobody changed anything.
    """
    if not source.came_by_former and former_stands(source, at):  # type: ignore[attr-defined]
        _note_taken_up(source, at)
    last, is_first = source.last_used_at, not former_stands(source, at) and _is_before_it(source)
    if last is not None and at - last < USE_NOTED_EVERY and not is_first:
        return
    due = Q(last_used_at=None) | Q(last_used_at__lte=at if is_first else at - USE_NOTED_EVERY)
    IntakeSource.objects.filter(due, pk=source.pk).update(last_used_at=at)


def _note_taken_up(source: IntakeSource, at: datetime) -> None:
    """Write once that the present token has come into use beside the former one."""
    digest = source.token_sha256
    if digest in _known_as_taken_up:
        return
    with transaction.atomic():
        fresh = IntakeSource.objects.select_for_update(of=("self",)).get(pk=source.pk)
        if fresh.token_sha256 != digest:
            return
        if not _taken_up(fresh).exists():
            after = {"token_hint": fresh.token_hint}
            record_change(by=None, at=at, verb=TAKEN_UP, subject=fresh, customer_id=fresh.customer_id, after=after)
            return
    # Only what has been read is known: a row that was just written might still be rolled back by whoever called.
    _known_as_taken_up.add(digest)
