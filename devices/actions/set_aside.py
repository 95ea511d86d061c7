"""Dismissing what nobody could place: a neighbour's pendant, a unit in the workshop. Events are kept, never wiped."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from django.db import transaction
from django.utils.translation import gettext as _

from company.actions import record_change
from company.errors import Refused
from company.models import ChangeRow, User
from company.undo import CannotUndo, Undone, undoes
from devices.actions.set_aside_later import groups_counted, job_of
from devices.models import SetAside
from devices.querysets.set_aside import Group, group_of, of_groups

UNITS_A_STEP, EVENTS_A_STEP = 200, 5000
"""Of very many so many are read and written with one statement."""


class NothingToDismiss(Refused):
    """Somebody was quicker: the events are adopted or dismissed."""


class BeingCounted(Refused):
    """A job counts these events; what it has not reached yet would be torn from the rest."""


@transaction.atomic
def dismiss_set_aside(*, event: SetAside, newest_pk: int, by: User, at: datetime, reason: str) -> ChangeRow:
    """Dismiss every open event of the same unit as `event`, up to the one that was newest when the page was drawn.

    Raises
    ------
    NothingToDismiss, BeingCounted
        Nothing is written.
    """
    if job_of(event.unit, event.customer_id) is not None:
        raise BeingCounted(_("Its events are being counted. Wait until that is over, then dismiss what still waits."))
    rows = group_of(SetAside.objects.open(), event).filter(pk__lte=newest_pk)
    n_events = rows.update(dismissed_at=at, dismissed_by=by, dismissed_why=reason[:200])
    if not n_events:
        raise NothingToDismiss(_("These events are adopted or dismissed already. Look at the list again."))
    return record_change(
        by=by, at=at, verb="dismiss_set_aside", subject=event, customer_id=event.customer_id, reason=reason,
        after={"n_events": n_events},
    )  # fmt: skip


@undoes("dismiss_set_aside", audiences=("office",))
def undo_dismissing(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """The events wait for a person again."""
    event = SetAside.objects.get(pk=change.subject_id)
    rows = group_of(SetAside.objects.filter(dismissed_at=change.at, dismissed_by=change.by), event)
    n_events = rows.update(dismissed_at=None, dismissed_by=None, dismissed_why="")
    if not n_events:
        raise CannotUndo(_("These events are gone from the records. There is nothing to take back."))
    return Undone({"n_events": n_events}, {"n_events": 0})


# --- many at once -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Dismissed:
    """What became of many: the row of the log, how many units with how many events, and units left because a job counts them."""

    change: ChangeRow
    n_units: int
    n_events: int
    n_left: int


@transaction.atomic
def dismiss_many_set_aside(
    *, units: Iterable[Group], newest_pk: int, by: User, at: datetime, reason: str
) -> Dismissed:  # fmt: skip
    """Dismiss every open event of many units, with one reason and one row of the log, by which all of it is taken back.

    Of each unit as `dismiss_set_aside` does; a unit whose events are being counted is left. Events are not read, however
    many there are: only the keys of some thousands at a time.

    Parameters
    ----------
    units : iterable of (int or None, str)
        Customer and unit of each, those of one unit one after another. What somebody else has dealt with is passed over.
    newest_pk : int
        The newest event when the page was drawn.

    Raises
    ------
    NothingToDismiss, BeingCounted
        Nothing is written.
    """
    counted, last_pk = groups_counted(), 0
    n_units = n_events = n_left = 0
    customers: set[int | None] = set()
    for some in _steps(units):
        free = [one for one in some if one not in counted]
        n_left += len(some) - len(free)
        rows = of_groups(SetAside.objects.open(), free).filter(pk__lte=newest_pk)
        found = set(rows.order_by().values_list("customer_id", "unit").distinct())
        n_units += len(found)
        customers |= {customer_id for customer_id, _unit in found}
        # In the order of their keys, as adopting locks them.
        in_order = rows.select_for_update(of=("self",)).order_by("pk").values_list("pk", flat=True)
        while keys := list(in_order[:EVENTS_A_STEP]):
            several = SetAside.objects.filter(pk__in=keys)
            n_events += several.update(dismissed_at=at, dismissed_by=by, dismissed_why=reason[:200])
            last_pk = max(last_pk, keys[-1])
    if not n_events and n_left:
        raise BeingCounted(_("Their events are being counted. Wait until that is over, then dismiss what still waits."))
    if not n_events:
        raise NothingToDismiss(_("These events are adopted or dismissed already. Look at the list again."))
    change = record_change(
        by=by, at=at, verb="dismiss_many_set_aside", subject=SetAside.objects.get(pk=last_pk),
        customer_id=customers.pop() if len(customers) == 1 else None, reason=reason,
        after={"n_units": n_units, "n_events": n_events},
    )  # fmt: skip
    return Dismissed(change, n_units, n_events, n_left)


def _steps(units: Iterable[Group]) -> Iterator[Sequence[Group]]:
    """Cut them into steps; those of one unit stay together, so that whoever adopts it locks its events in the same order."""
    step: list[Group] = []
    for _unit, some in groupby(units, key=lambda one: one[1]):
        step += some
        if len(step) >= UNITS_A_STEP:
            yield step
            step = []
    if step:
        yield step


@undoes("dismiss_many_set_aside", audiences=("office",))
def undo_dismissing_many(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """The events of all of them wait for a person again."""
    rows = SetAside.objects.filter(dismissed_at=change.at, dismissed_by=change.by)
    n_events = rows.update(dismissed_at=None, dismissed_by=None, dismissed_why="")
    if not n_events:
        raise CannotUndo(_("These events are gone from the records. There is nothing to take back."))
    return Undone({"n_events": n_events}, {"n_events": 0})
