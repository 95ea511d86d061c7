"""What is said about how cells ended: checked, kept as a row of its own, repeated on the fitting."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from django.db.models import F
from django.utils import timezone
from django.utils.translation import gettext as _

from company.actions import facts_of
from company.errors import Refused
from company.manner import moment_said
from company.models import User
from devices.models import BatteryType, CheckInDay, Fitting, FittingEnd, Registration
from devices.models.batteries import WhyOut

HIGHEST_V = 60.0
"""No set of cells in a transmitter reads more [V]; where its cells are known, the limit is nearer. Decided here."""
FRESH_SHARE = 1.4
"""A fresh cell reads at most this many times its nominal voltage: from memory, 1.5 V lithium cells about 1.25."""

END_FACTS = ("why", "volts", "is_under_load", "low_seen_at", "last_alive_at", "note")
FITTING_END_COLUMNS = ("removed_why", "removed_v", "removed_v_under_load", "first_low_at", "last_alive_at")


class NotAnEnd(Refused):
    """What was said about the end cannot be so."""


@dataclass(frozen=True, slots=True)
class End:
    """How cells ended. `low_seen_at` None leaves the signal that is on record."""

    why: str
    volts: float | None = None
    is_under_load: bool = False
    low_seen_at: datetime | None = None
    last_alive_at: datetime | None = None
    note: str = ""


def highest_volts(battery_type: BatteryType | None, n_cells: int) -> float:
    """Most that a set of cells can read [V], were all of them in series."""
    if battery_type is None or not battery_type.nominal_v:
        return HIGHEST_V
    return min(HIGHEST_V, math.ceil(battery_type.nominal_v * n_cells * FRESH_SHARE * 10) / 10)


def said_there(moment: datetime, transmitter_id: int) -> str:
    """A moment as the clock of the site shows it where the transmitter stands, or stood last; else the firm's clock."""
    rows = Registration.objects.filter(transmitter_id=transmitter_id).select_related("site")
    last = rows.order_by(F("removed_at").desc(nulls_first=True), "-pk").first()
    return moment_said(moment.astimezone(last.site.zone if last else timezone.get_default_timezone()))


def refuse_impossible(fitting: Fitting, end: End, *, removed_at: datetime, at: datetime) -> None:
    """Refuse an end that cannot be.

    Raises
    ------
    NotAnEnd
        With what is wrong and what to do.
    """
    if end.why not in WhyOut.values:
        raise NotAnEnd(_("Choose one of the ways in which cells end."))
    if removed_at > at:
        raise NotAnEnd(
            _("The cells cannot have come out on %(moment)s: that time has not come yet.")
            % {"moment": said_there(removed_at, fitting.transmitter_id)}
        )
    _refuse_volts(fitting, end)
    times = ((_("The low-battery signal"), end.low_seen_at), (_("“Last known working”"), end.last_alive_at))
    for name, moment in times:
        if moment is None:
            continue
        if moment > at:
            raise NotAnEnd(
                _("%(name)s cannot lie in the future (%(moment)s). Check the day.")
                % {"name": name, "moment": said_there(moment, fitting.transmitter_id)}
            )
        if moment > removed_at:
            raise NotAnEnd(
                _("%(name)s lies after the cells came out on %(moment)s. Give an earlier day, or leave it empty.")
                % {"name": name, "moment": said_there(removed_at, fitting.transmitter_id)}
            )
        if fitting.fitted_at is not None and moment < fitting.fitted_at:
            raise NotAnEnd(
                _("%(name)s lies before these cells were fitted on %(moment)s. Give a later day, or leave it empty.")
                % {"name": name, "moment": said_there(fitting.fitted_at, fitting.transmitter_id)}
            )


def refuse_planned_despite_signal(end: End, *, known_at: datetime | None) -> None:
    """Refuse "planned change" said together with a signal that our records did not know.

    A signal on record is no refusal: the rules weigh it by themselves.

    Raises
    ------
    NotAnEnd
        With what to choose instead.
    """
    if end.why == WhyOut.PREVENTIVE and end.low_seen_at is not None and end.low_seen_at != known_at:
        raise NotAnEnd(_("A battery that had reported low did not come out as planned: choose low-battery signal."))


def _refuse_volts(fitting: Fitting, end: End) -> None:
    if end.volts is None:
        if end.is_under_load:
            raise NotAnEnd(_("Give the volts that were measured under load, or leave that box empty."))
        return
    if not math.isfinite(end.volts) or end.volts < 0:
        raise NotAnEnd(_("A measured voltage is a number of 0 V or more. Check the reading."))
    most = highest_volts(fitting.battery_type, fitting.n_cells)
    if end.volts > most:
        raise NotAnEnd(
            _(
                "%(volts)s V is more than %(n_cells)s × %(battery_type)s can give (at most about %(most)s V). Check "
                "the reading."
            )
            % {
                "volts": f"{end.volts:g}",
                "n_cells": fitting.n_cells,
                "battery_type": fitting.battery_type or _("unknown cells"),
                "most": f"{most:g}",
            }
        )


def facts_of_end(row: FittingEnd) -> dict[str, Any]:
    """What one statement says, as the change log keeps it."""
    return facts_of(row, *END_FACTS)


def said_by(row: FittingEnd) -> End:
    """What one statement says."""
    return End(row.why, row.volts, row.is_under_load, row.low_seen_at, row.last_alive_at, row.note)


def columns_of(fitting: Fitting) -> End:
    """The end as the columns of a fitting repeat it."""
    return End(
        fitting.removed_why or WhyOut.UNKNOWN, fitting.removed_v, fitting.removed_v_under_load, fitting.first_low_at,
        fitting.last_alive_at,
    )  # fmt: skip


def _row(fitting: Fitting, end: End, *, by: User | None, at: datetime, low_before_at: datetime | None) -> FittingEnd:
    return FittingEnd(
        customer_id=fitting.customer_id, fitting=fitting, why=end.why, volts=end.volts, note=end.note.strip()[:200],
        is_under_load=end.is_under_load, low_seen_at=end.low_seen_at, last_alive_at=end.last_alive_at,
        low_before_at=low_before_at, recorded_at=at, by=by,
    )  # fmt: skip


def state_end(fitting: Fitting, end: End, *, by: User | None, at: datetime) -> FittingEnd:
    """Keep a new statement and let the fitting's columns follow. It points at the last one there is, if any."""
    last = FittingEnd.objects.filter(fitting=fitting).order_by("-pk").first()
    stands = last is not None and last.taken_back_at is None
    low_before_at = last.low_before_at if last is not None and stands else fitting.first_low_at
    end = replace(end, low_seen_at=end.low_seen_at or low_before_at)
    if end.why == WhyOut.DEAD and end.last_alive_at is None and fitting.fitted_at and fitting.removed_at:
        # The log of check-ins knows better than anybody when it fell silent.
        log = CheckInDay.objects.all()
        end = replace(end, last_alive_at=log.last_heard_at(
            fitting.transmitter_id, since=fitting.fitted_at, until=fitting.removed_at
        ))  # fmt: skip
    row = _row(fitting, end, by=by, at=at, low_before_at=low_before_at)
    row.corrects = last
    row.save()
    fitting.removed_why, fitting.removed_v, fitting.removed_v_under_load = end.why, end.volts, end.is_under_load
    fitting.first_low_at, fitting.last_alive_at = end.low_seen_at, end.last_alive_at
    fitting.save(update_fields=[*FITTING_END_COLUMNS, "removed_at"])
    return row


def take_back_ends(fitting: Fitting, *, at: datetime) -> None:
    """Put cells back into service: what was said about their end stays on record as taken back."""
    rows = FittingEnd.objects.filter(fitting=fitting, taken_back_at=None)
    last = rows.order_by("-pk").first()
    fitting.removed_at, fitting.removed_why, fitting.removed_v = None, "", None
    fitting.removed_v_under_load, fitting.last_alive_at = False, None
    if last is not None:
        fitting.first_low_at = last.low_before_at
    rows.update(taken_back_at=at)
    fitting.save(update_fields=[*FITTING_END_COLUMNS, "removed_at"])


def state_many(fittings: Iterable[Fitting], *, by: User | None, at: datetime, batch: int = 2000) -> list[FittingEnd]:
    """Keep what the columns of many fittings say about their ends, where it is not on record already.

    A set that is in service again has its statements taken back.
    """
    made, back = ends_to_state(fittings, by=by, at=at, batch=batch)
    FittingEnd.objects.filter(pk__in=[row.pk for row in back]).update(taken_back_at=at)
    return FittingEnd.objects.bulk_create(made, batch_size=batch)


def ends_to_state(
    fittings: Iterable[Fitting], *, by: User | None, at: datetime, batch: int = 2000
) -> tuple[list[FittingEnd], list[FittingEnd]]:
    """Find what `state_many` would add, and which statements it would take back. Writes nothing.

    The fittings need keys, but need not be in the database yet.
    """
    listed = [fitting for fitting in fittings if fitting.pk is not None]
    all_of: dict[int, list[FittingEnd]] = {}
    for start in range(0, len(listed), batch):
        pks = [fitting.pk for fitting in listed[start : start + batch]]
        for row in FittingEnd.objects.filter(fitting_id__in=pks).order_by("pk"):
            all_of.setdefault(row.fitting_id, []).append(row)
    made, back = [], []
    for fitting in listed:
        rows = all_of.get(fitting.pk, [])
        before = rows[-1] if rows else None
        stands = before is not None and before.taken_back_at is None
        if fitting.removed_at is None:
            back += [row for row in rows if row.taken_back_at is None] if stands else []
            continue
        end = replace(columns_of(fitting), note=before.note if before is not None and stands else "")
        if before is not None and stands and said_by(before) == end:
            continue
        row = _row(fitting, end, by=by, at=at, low_before_at=before.low_before_at if before else fitting.first_low_at)
        row.corrects = before
        made.append(row)
    return made, back
