"""Dismissing what nobody could place: a neighbour's pendant, a unit in the workshop. Events are kept, never wiped."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext as _

from company.actions import record_change
from company.errors import Refused
from company.models import ChangeRow, User
from company.undo import CannotUndo, Undone, undoes
from devices.actions.set_aside_later import job_of
from devices.models import SetAside
from devices.querysets.set_aside import group_of


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
