"""Every write to fittings: cells into a transmitter and out of it."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from company.actions import facts_of, record_change
from company.errors import Refused
from company.manner import day_said
from company.models import User
from devices.actions.fitting_ends import End, refuse_impossible, refuse_planned_despite_signal, said_there, state_end
from devices.actions.ledger import OutOfOrder, lock_receivers, log, refuse_stale, touch
from devices.actions.rollups import rebuild_totals
from devices.models import BatteryType, Fitting, Receiver, Transmitter
from devices.models.batteries import WhyOut


class TakesNoCells(Refused):
    """The transmitter is fed from the mains, or its cell is welded in."""


class NoCellsFitted(Refused):
    """There is nothing to take out."""


class NotACellCount(Refused):
    """A set has at least one cell and not more than anybody would fit."""


class NotMadeThen(Refused):
    """The cells cannot have been made on that day."""


OLDEST_MADE_ON = date(2000, 1, 1)
"""Days before it are none to the rules of due dates, so they would be passed over in silence."""
OLDEST_YEARS = 20
"""Cells are not fitted when they are older than this. Decided for this product."""

MOST_CELLS = 24
"""More cells than this in one transmitter is a slip of the pen. Decided for this product."""

FITTING_FACTS = (
    "transmitter", "battery_type", "n_cells", "fitted_at", "removed_at", "removed_why", "removed_v",
    "removed_v_under_load", "first_low_at", "last_alive_at", "lot", "made_on", "note",
)  # fmt: skip


def _lock(
    transmitter: Transmitter, seen_version: int | None, receiver: Receiver | None
) -> tuple[Transmitter, list[Receiver]]:
    """Lock the receivers concerned, then the transmitter: the same order whichever door asks."""
    held = Receiver.objects.filter(registrations__transmitter=transmitter, registrations__removed_at=None)
    wanted = {row.pk: row for row in held}
    if receiver is not None:
        wanted[receiver.pk] = receiver
    locked = lock_receivers(*wanted.values())
    if receiver is not None:
        refuse_stale(next(row for row in locked if row.pk == receiver.pk), seen_version)
    fresh = Transmitter.objects.select_for_update(of=("self",)).select_related("type").get(pk=transmitter.pk)
    return fresh, locked


def _take_out(fitting: Fitting, end: End, *, by: User, at: datetime) -> None:
    if fitting.fitted_at is not None and at <= fitting.fitted_at:
        raise OutOfOrder(
            _("The cells in it were fitted on %(moment)s; give a later time.")
            % {"moment": said_there(fitting.fitted_at, fitting.transmitter_id)}
        )
    refuse_impossible(fitting, end, removed_at=at, at=at)
    refuse_planned_despite_signal(end, known_at=None)
    fitting.removed_at = at
    state_end(fitting, end, by=by, at=at)


def _log(fitting: Fitting, receivers: list[Receiver], **rest: Any) -> None:
    """Bump and log every receiver in which the transmitter stands; one that stands nowhere is logged by itself."""
    if not receivers:
        record_change(subject=fitting, customer_id=fitting.customer_id, **rest)
        return
    touch(*receivers)
    for receiver in receivers:
        log(subject=fitting, receiver=receiver, **rest)


@transaction.atomic
def fit_battery(
    *,
    transmitter: Transmitter,
    battery_type: BatteryType | None,
    by: User,
    at: datetime,
    n_cells: int | None = None,
    lot: str = "",
    made_on: date | None = None,
    is_age_known: bool = True,
    removed_why: str = WhyOut.PREVENTIVE,
    removed_v: float | None = None,
    removed_v_under_load: bool = False,
    low_seen_at: datetime | None = None,
    last_alive_at: datetime | None = None,
    end_note: str = "",
    note: str = "",
    reason: str = "",
    receiver: Receiver | None = None,
    seen_version: int | None = None,
) -> Fitting:
    """Fit cells and take out those that were in, with why they came out.

    `removed_why`, `removed_v` [V] with `removed_v_under_load`, `low_seen_at`, `last_alive_at` and `end_note` say how the
    old ones ended (kept as a `FittingEnd`). `is_age_known=False` records cells found in place that nobody dated. One change serves every slot of the transmitter.
    Not repeatable by itself: doors pass the receiver with the version their form was made from, visits their entry key.

    Raises
    ------
    TakesNoCells, NotACellCount, NotMadeThen, NotAnEnd, OutOfOrder, StaleSlotMap
        Nothing is written.
    """
    transmitter, receivers = _lock(transmitter, seen_version, receiver)
    kind = transmitter.type
    if kind is not None and kind.power == kind.Power.MAINS:
        raise TakesNoCells(_("%(serial)s is fed from the mains and takes no cells.") % {"serial": transmitter.serial})
    if kind is not None and kind.welded_cell and Fitting.objects.filter(transmitter=transmitter).exists():
        raise TakesNoCells(
            _("The cell of %(serial)s is welded in: the whole unit is changed.") % {"serial": transmitter.serial}
        )
    count = n_cells if n_cells is not None else (kind.n_cells if kind else 1)
    if not 1 <= count <= MOST_CELLS:
        raise NotACellCount(_("A set has 1 to %(most)s cells, not %(count)s.") % {"most": MOST_CELLS, "count": count})
    _refuse_made_on(made_on, at, receivers)
    old = Fitting.objects.open().filter(transmitter=transmitter).select_related("battery_type").first()
    before = facts_of(old, *FITTING_FACTS) if old else None
    if old is not None:
        end = End(removed_why, removed_v, removed_v_under_load, low_seen_at, last_alive_at, end_note)
        _take_out(old, end, by=by, at=at)
    _refuse_earlier(transmitter, at)
    new = Fitting.objects.create(
        customer_id=transmitter.customer_id,
        transmitter=transmitter,
        battery_type=battery_type,
        n_cells=count,
        fitted_at=at if is_age_known else None,
        entered_at=at,
        lot=lot.strip(),
        made_on=made_on,
        note=note,
    )
    rebuild_totals(transmitter_ids=[transmitter.pk])
    _log(
        new, receivers, by=by, at=at, verb="fit_battery", reason=reason or "battery changed", before=before,
        after=facts_of(new, *FITTING_FACTS),
    )  # fmt: skip
    return new


def _refuse_made_on(made_on: date | None, at: datetime, receivers: list[Receiver]) -> None:
    """Refuse a day of making that cannot be, as the calendar of the site has it."""
    if made_on is None:
        return
    fitted_on = at.astimezone(receivers[0].site.zone if receivers else timezone.get_current_timezone()).date()
    if made_on > fitted_on:
        raise NotMadeThen(
            _("Cells made on %(made)s cannot have been fitted on %(fitted)s. Check “Made on”.")
            % {"made": day_said(made_on), "fitted": day_said(fitted_on)}
        )
    if made_on < OLDEST_MADE_ON or (made_on.year + OLDEST_YEARS, made_on.month, made_on.day) < (
        fitted_on.year, fitted_on.month, fitted_on.day
    ):  # fmt: skip
        raise NotMadeThen(
            _(
                "“Made on” cannot lie before %(year)s or more than %(years)s years before the cells were fitted. "
                "Check the year, or leave it empty."
            )
            % {"year": OLDEST_MADE_ON.year, "years": OLDEST_YEARS}
        )


def _refuse_earlier(transmitter: Transmitter, at: datetime) -> None:
    later = Fitting.objects.filter(transmitter=transmitter, removed_at__gt=at).order_by("-removed_at").first()
    if later is not None and later.removed_at is not None:
        raise OutOfOrder(
            _("Other cells were in it until %(moment)s; give a later time.")
            % {"moment": said_there(later.removed_at, transmitter.pk)}
        )


@transaction.atomic
def remove_battery(
    *,
    transmitter: Transmitter,
    by: User,
    at: datetime,
    removed_why: str,
    reason: str = "",
    removed_v: float | None = None,
    removed_v_under_load: bool = False,
    low_seen_at: datetime | None = None,
    last_alive_at: datetime | None = None,
    end_note: str = "",
    receiver: Receiver | None = None,
    seen_version: int | None = None,
) -> Fitting:
    """Take the cells out and put none in.

    Raises
    ------
    NoCellsFitted, NotAnEnd, OutOfOrder, StaleSlotMap
        Nothing is written.
    """
    transmitter, receivers = _lock(transmitter, seen_version, receiver)
    fitting = Fitting.objects.open().filter(transmitter=transmitter).select_related("battery_type").first()
    if fitting is None:
        raise NoCellsFitted(_("No cells are recorded in %(serial)s.") % {"serial": transmitter.serial})
    before = facts_of(fitting, *FITTING_FACTS)
    end = End(removed_why, removed_v, removed_v_under_load, low_seen_at, last_alive_at, end_note)
    _take_out(fitting, end, by=by, at=at)
    rebuild_totals(transmitter_ids=[transmitter.pk])
    _log(
        fitting, receivers, by=by, at=at, verb="remove_battery", reason=reason or fitting.get_removed_why_display(),
        before=before, after=facts_of(fitting, *FITTING_FACTS),
    )  # fmt: skip
    return fitting
