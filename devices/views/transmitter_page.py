"""One transmitter's whole life: every slot and site it stood in, its cells, faults, absences and swaps; and as a file."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from django.http import HttpResponse
from django.utils.text import slugify
from django.utils.translation import gettext
from django.views.decorators.http import require_safe

from company.access import PersonRequest, audience
from company.htmx import page
from company.models import ChangeRow
from company.spreadsheets import csv_bytes
from devices.actions.adopted_faults import waiting_kinds
from devices.models import Away, Fault, Fitting, Registration, Transmitter
from devices.rules.slot_life import never_stood
from devices.views.receivers import frame
from devices.views.shown import registration_lines
from devices.views.transmitters import transmitter_for

MOST_FAULTS = 50
COLUMNS = ("From", "To", "What", "Site", "Receiver", "Slot", "Place", "Details", "Why it ended")


def _stays(request: PersonRequest, transmitter: Transmitter) -> list[Registration]:
    """Every registration that counted, newest first, in the slots that this person may see."""
    rows = (
        Registration.objects.visible_to(request.user)
        .filter(transmitter=transmitter)
        .select_related("receiver__site", "transmitter__type")
        .prefetch_related("outputs__output")
        .order_by("-registered_at", "-pk")
    )
    return [row for row in rows if not never_stood(row.registered_at, row.removed_at)]


def _cells(request: PersonRequest, transmitter: Transmitter) -> list[Fitting]:
    return list(Fitting.objects.visible_to(request.user).newest_first().filter(transmitter=transmitter))


def _away(request: PersonRequest, stays: list[Registration]) -> list[Away]:
    rows = Away.objects.visible_to(request.user).filter(registration__in=[row.pk for row in stays])
    found = rows.select_related("registration__receiver__site").order_by("-from_on", "-pk")
    return [row for row in found if row.ended_on != row.from_on]


def _faults(request: PersonRequest, transmitter: Transmitter) -> list[Fault]:
    rows = Fault.objects.visible_to(request.user).filter(transmitter=transmitter)
    return list(rows.select_related("receiver__site", "registration").order_by("-raised_at", "-pk")[:MOST_FAULTS])


def _swaps(request: PersonRequest, transmitter: Transmitter) -> dict[str, Any]:
    """The unit that this one replaced, and the one that replaced it."""
    seen = Transmitter.objects.visible_to(request.user)
    return {
        "replaced": seen.filter(pk=transmitter.replaces_id).first() if transmitter.replaces_id else None,
        "replacement": seen.filter(replaces=transmitter).order_by("-pk").first(),
    }


def _reported(transmitter: Transmitter) -> str:
    """What it has reported and not taken back, without a slot where it could stand as a fault: "low battery, tamper"."""
    return ", ".join(str(Fault.Kind(kind).label) for kind in waiting_kinds(transmitter.pk))


@audience("office", "technician")
@require_safe
def transmitter_detail(request: PersonRequest, pk: int) -> HttpResponse:
    transmitter, registration, _ = transmitter_for(request, pk)
    stays = _stays(request, transmitter)
    fittings = _cells(request, transmitter)
    changes = (
        ChangeRow.objects.visible_to(request.user)
        .filter(subject_kind="fitting", subject_id__in=[row.pk for row in fittings])
        .select_related("by")
        .order_by("-at", "-pk")
    )
    context = frame(request) | {
        "transmitter": transmitter,
        "registration": registration,
        "reported": "" if registration or transmitter.retired_at else _reported(transmitter),
        "registrations": [(row, registration_lines(row, row.receiver.site.zone)) for row in stays],
        "fittings": fittings,
        "changes": changes,
        "away": _away(request, stays),
        "faults": _faults(request, transmitter),
        "n_sites": len({row.site_id for row in stays}),
    }
    return page(request, "devices/transmitters/detail.html", context | _swaps(request, transmitter))


def _time(moment: datetime | None, zone: Any) -> str:
    return moment.astimezone(zone).strftime("%Y-%m-%d %H:%M") if moment else ""


def _lines(
    stays: list[Registration], fittings: list[Fitting], away: list[Away], faults: list[Fault]
) -> Iterable[tuple[str, ...]]:
    """The whole life as rows of a table; times are the site's own, of cells that of the newest site."""
    zone = stays[0].receiver.site.zone if stays else None
    for row in stays:
        site = row.receiver.site
        details = "; ".join(f"{name}: {value}" for name, value in registration_lines(row, site.zone))
        yield (
            _time(row.registered_at, site.zone), _time(row.removed_at, site.zone), "registered", site.name,
            row.receiver.label, str(row.slot), row.label, details, row.removed_why,
        )  # fmt: skip
    for one in fittings:
        cells = f"{one.n_cells} × {one.battery_type.iec_code if one.battery_type else 'unknown'}"
        cells += f", lot {one.lot}" if one.lot else ""
        volts = f", {one.removed_v:.2f} V" if one.removed_v is not None else ""
        why = f"{one.get_removed_why_display()}{volts}" if one.removed_at else ""
        yield (_time(one.fitted_at, zone), _time(one.removed_at, zone), "cells", "", "", "", "", cells, why)
    for gone in away:
        place = gone.registration
        yield (
            gone.from_on.isoformat(), gone.ended_on.isoformat() if gone.ended_on else "", "away",
            place.receiver.site.name, place.receiver.label, str(place.slot), place.label,
            gettext("%(reason)s; agreed with %(agreed_with)s") % {"reason": gone.reason, "agreed_with": gone.agreed_with}, "",
        )  # fmt: skip
    for fault in faults:
        site = fault.receiver.site
        slot = str(fault.registration.slot) if fault.registration else ""
        yield (
            _time(fault.raised_at, site.zone), _time(fault.cleared_at, site.zone), "fault", site.name,
            fault.receiver.label, slot, "", fault.get_kind_display(), fault.cause,
        )  # fmt: skip


@audience("office", "technician")
@require_safe
def transmitter_csv(request: PersonRequest, pk: int) -> HttpResponse:
    """The whole life of one transmitter as a table for spreadsheets."""
    transmitter, _, _ = transmitter_for(request, pk)
    stays = _stays(request, transmitter)
    rows = _lines(stays, _cells(request, transmitter), _away(request, stays), _faults(request, transmitter))
    answer = HttpResponse(csv_bytes(COLUMNS, list(rows)), content_type="text/csv; charset=utf-8")
    name = slugify(f"transmitter {transmitter.serial}") or "transmitter"
    answer.headers["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    return answer
