"""Corrections of what was recorded about cells: a change taken back, an end that was different."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from company.actions import facts_of, record_change
from company.errors import Refused
from company.models import User
from devices.actions.batteries import FITTING_FACTS
from devices.actions.fitting_ends import (
    End,
    columns_of,
    facts_of_end,
    refuse_impossible,
    refuse_planned_despite_signal,
    said_by,
    state_end,
    take_back_ends,
)
from devices.actions.ledger import StaleSlotMap, lock_receivers, log, refuse_without_reason, touch
from devices.actions.rollups import rebuild_totals
from devices.models import Fitting, FittingEnd, Receiver, Transmitter


class ChangedSince(Refused):
    """The cells were changed again after that."""


class StillInService(Refused):
    """The cells have not ended, so there is no end to correct."""


class StaleEnd(StaleSlotMap):
    """Somebody has corrected the same end since the form was opened."""


class NothingChanged(Refused):
    """The correction says what is on record already."""


def _lock(transmitter_id: int) -> list[Receiver]:
    """Receivers first, then the transmitter: the order of every action that touches both."""
    held = Receiver.objects.filter(registrations__transmitter=transmitter_id, registrations__removed_at=None).distinct()
    receivers = lock_receivers(*held)
    Transmitter.objects.select_for_update(of=("self",), no_key=True).get(pk=transmitter_id)
    return receivers


def _log(receivers: list[Receiver], fitting: Fitting, **facts: Any) -> None:
    if not receivers:
        record_change(subject=fitting, customer_id=fitting.customer_id, **facts)
        return
    touch(*receivers)
    for receiver in receivers:
        log(subject=fitting, receiver=receiver, **facts)


@transaction.atomic
def take_back_fitting(*, fitting: Fitting, by: User, at: datetime, reason: str) -> Fitting | None:
    """Undo a change that never happened: the row goes, the cells before it are in service again.

    The row must go and not merely end: an end after zero days would teach the fleet a life that nobody lived. What it
    said stays in the change log.

    Returns
    -------
    Fitting or None
        The cells in service again; None where none were recorded before.

    Raises
    ------
    ChangedSince, ReasonMissing
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    receivers = _lock(fitting.transmitter_id)
    row = Fitting.objects.open().filter(pk=fitting.pk).first()
    if row is None:
        raise ChangedSince(_("These cells have been taken out since, so the change cannot be taken back any more."))
    old = None
    if row.fitted_at is not None:
        old = Fitting.objects.filter(transmitter=row.transmitter_id, removed_at=row.fitted_at).order_by("-pk").first()
    before = facts_of(row, *FITTING_FACTS)
    _log(receivers, row, by=by, at=at, verb="take_back_fitting", before=before, reason=reason)
    row.delete()
    if old is not None:
        take_back_ends(old, at=at)
    rebuild_totals(transmitter_ids=[row.transmitter_id])
    return old


@transaction.atomic
def correct_end(
    *,
    fitting: Fitting,
    why: str,
    by: User,
    at: datetime,
    reason: str,
    volts: float | None = None,
    is_under_load: bool = False,
    low_seen_at: datetime | None = None,
    last_alive_at: datetime | None = None,
    note: str = "",
    seen_end: int | None = None,
) -> FittingEnd:
    """Say anew how cells ended: a new statement that points at the one it corrects, which stays on record.

    `volts` [V]; `low_seen_at` None means the low-battery signal that our records knew before, if any.
    `seen_end` is the key of the newest statement that the form was made from, 0 where there was none; None asks for no
    check (visits).

    Raises
    ------
    StillInService, StaleEnd, NothingChanged, NotAnEnd, ReasonMissing
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    receivers = _lock(fitting.transmitter_id)
    row = Fitting.objects.select_related("battery_type", "transmitter").get(pk=fitting.pk)
    if row.removed_at is None:
        raise StillInService(
            _("These cells are in service, so they have no end yet. Record the change of cells instead.")
        )
    last = FittingEnd.objects.in_force().filter(fitting=row).order_by("-pk").first()
    if seen_end is not None and seen_end != (last.pk if last else 0):
        raise StaleEnd(
            _(
                "Somebody has corrected this since you opened the form. Open it again and see what is said now; "
                "nothing has been saved."
            ),
            [],
        )
    end = End(why, volts, is_under_load, low_seen_at, last_alive_at, note.strip())
    refuse_impossible(row, end, removed_at=row.removed_at, at=at)
    refuse_planned_despite_signal(end, known_at=last.low_before_at if last else row.first_low_at)
    if last is None:
        # Cells that ended before statements were kept as rows of their own: what the columns say comes first.
        last = state_end(row, columns_of(row), by=None, at=row.removed_at)
    before = said_by(last)
    wanted = replace(end, low_seen_at=low_seen_at or last.low_before_at)
    if wanted == before:
        raise NothingChanged(_("This is what the records say already. Change something, or go back without saving."))
    new = state_end(row, wanted, by=by, at=at)
    _log(
        receivers, row, by=by, at=at, verb="correct_end", before=facts_of_end(last), after=facts_of_end(new),
        reason=reason,
    )  # fmt: skip
    return new
