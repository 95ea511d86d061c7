"""When a slot was last changed and by whom, its cells apart; and the swaps of its receiver, which the receiver's log tells."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Q

from company.access import PersonRequest
from company.change_words import deed_words
from company.models import ChangeRow
from devices.models import Fitting, Receiver, Registration

NO_CHANGE_OF_THE_SLOT = frozenset({"mark_registered", "ask_to_register_again", "start_away", "end_away"})
"""What happens to a slot without changing how it is set or what stands in it: the story tells it, the head does not."""


@dataclass(frozen=True, slots=True)
class LastChange:
    """The newest row of the log about something: when, who, why, and what was done."""

    at: datetime
    who: str
    why: str
    deed: str


def _told(row: ChangeRow | None) -> LastChange | None:
    if row is None:
        return None
    deed = deed_words(row.verb)
    if row.undoes is not None:
        deed = f"{deed}: {deed_words(row.undoes.verb)}"
    return LastChange(row.at, row.by.name if row.by is not None else "", row.reason, deed)


def last_of_slot(rows: Iterable[ChangeRow]) -> LastChange | None:
    """The last change of a slot's settings or of what stands there, or of such a change taken back."""
    about = (row for row in rows if (row.undoes or row).verb not in NO_CHANGE_OF_THE_SLOT)
    return _told(max(about, key=lambda row: row.pk, default=None))


def last_of_cells(
    past: Iterable[Registration], fittings: Iterable[Fitting], changes: dict[int, ChangeRow]
) -> LastChange | None:
    """The last change of the cells of what stands in the slot now."""
    units = {row.transmitter_id for row in past if row.removed_at is None and row.transmitter_id is not None}
    mine = [changes[one.pk] for one in fittings if one.transmitter_id in units and one.pk in changes]
    return _told(max(mine, key=lambda row: row.at, default=None))


def swaps_of(request: PersonRequest, receiver: Receiver, past: Sequence[Registration]) -> list[ChangeRow]:
    """Rows of the log that put this receiver in another's place or another in its, while something stood in the slot; and
    those that took it back. Newest first.
    """
    units = Receiver.objects.visible_to(request.user).filter(Q(pk=receiver.pk) | Q(replaces=receiver))
    rows = (
        ChangeRow.objects.visible_to(request.user)
        .filter(Q(verb="swap_receiver") | Q(undoes__verb="swap_receiver"), subject_kind="receiver")
        .filter(subject_id__in=units.values("pk"))
        .select_related("by", "undoes")
        .with_fate()
        .order_by("-pk")
    )

    def stood(at: datetime) -> bool:
        return any(row.registered_at <= at and (row.removed_at is None or at <= row.removed_at) for row in past)

    return [row for row in rows if stood((row.undoes or row).at)]
