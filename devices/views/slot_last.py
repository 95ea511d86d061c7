"""When a slot was last changed and by whom, its cells apart; and the swaps of its receiver, which the receiver's log tells."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Q

from company.access import PersonRequest
from company.change_words import deed_words
from company.models import ChangeRow
from devices.models import Fitting, Receiver, Registration

NO_CHANGE_OF_THE_SLOT = frozenset({"mark_registered", "ask_to_register_again", "start_away", "end_away"})
"""What happens to a slot without changing how it is set or what stands in it: the story tells it, the head does not."""

DAY = timedelta(days=1)
"""Cells fitted within a day of registering came with the transmitter."""


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


@dataclass(frozen=True, slots=True)
class Hands:
    """Who fitted cells as the visits tell it, by transmitter and moment: cells of before the change log have no row in it."""

    by_moment: dict[tuple[int, datetime], str]

    def of(self, fitting: Fitting) -> str:
        """The name of whoever fitted these cells; empty where no visit tells it."""
        at = fitting.fitted_at
        return self.by_moment.get((fitting.transmitter_id, at), "") if at is not None else ""


def hands_of(request: PersonRequest, fittings: Iterable[Fitting], changes: Mapping[int, ChangeRow]) -> Hands:
    """Who fitted the cells that the change log does not tell of; asks only where there are such."""
    units = {one.transmitter_id for one in fittings if one.pk not in changes}
    if not units:
        return Hands({})
    # Entries are rows of the app above; a lookup by name keeps imports pointing one way. Wherever the transmitter stood
    # then: its receiver may have been swapped since.
    entries = Registration.objects.visible_to(request.user).filter(
        transmitter__in=units, entries__kind="battery", entries__is_withdrawn=False
    )
    found = entries.values_list("transmitter_id", "entries__made_at", "entries__by__name")
    return Hands({(unit, at): name for unit, at, name in found if unit is not None})


def last_of_cells(
    past: Sequence[Registration], fittings: Sequence[Fitting], changes: Mapping[int, ChangeRow], hands: Hands
) -> LastChange | None:
    """The last change of the cells of what stands in the slot now: as the log tells it, else as the cells themselves do.

    Cells that are the first on record of their transmitter came with it, unless a person is known to have fitted them.
    """
    units = {row.transmitter_id for row in past if row.removed_at is None and row.transmitter_id is not None}
    told = []
    for one in fittings:
        if one.transmitter_id not in units:
            continue
        if one.pk in changes:
            told.append(_told(changes[one.pk]))
        elif one.fitted_at is not None and (hands.of(one) or _came_later(one, past, fittings)):
            told.append(LastChange(one.fitted_at, hands.of(one), "", deed_words("fit_battery")))
    return max((one for one in told if one is not None), key=lambda one: one.at, default=None)


def _came_later(cells: Fitting, past: Iterable[Registration], fittings: Iterable[Fitting]) -> bool:
    """Whether the transmitter stood here before these cells were fitted, or other cells were in it."""
    at = cells.fitted_at
    if at is None:
        return False
    stood = any(row.transmitter_id == cells.transmitter_id and row.registered_at + DAY <= at for row in past)
    others = (one for one in fittings if one.pk != cells.pk and one.transmitter_id == cells.transmitter_id)
    return stood or any(one.removed_at is not None and one.removed_at <= at for one in others)


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
