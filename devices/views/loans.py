"""Units on loan that stand in the firm's sites: those that should have gone back first, another day, the proper unit."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.lists import page_of
from company.toasts import said
from devices.actions.loans import Unit, set_loan_day
from devices.forms.loans import LoanForm
from devices.models import Receiver, Registration, Transmitter
from devices.views.receivers import frame
from sites.models import Site

LIST = "devices/loans/list.html"
FORM = "devices/slots/form.html"


@dataclass(slots=True)
class LentUnit:
    """One unit on loan, with where it is."""

    unit: Unit
    site: Site
    place: str
    place_url: str
    day_url: str
    swap_url: str
    is_late: bool
    n_more: int = 0

    @property
    def until_on(self) -> date:
        assert self.unit.loan_until is not None
        return self.unit.loan_until


@audience("office")
@require_safe
def loan_list(request: PersonRequest) -> HttpResponse:
    """Late ones first, then by the day of return."""
    now = timezone.now()
    units = [*_transmitters(request, now), *_receivers(request, now)]
    units.sort(key=lambda row: (not row.is_late, row.until_on, row.site.name, row.place))
    context = frame(request) | {"page": page_of(units, request), "n_late": sum(row.is_late for row in units)}
    return page(request, LIST, context)


def _transmitters(request: PersonRequest, now: datetime) -> list[LentUnit]:
    rows = (
        Registration.objects.visible_to(request.user)
        .open()
        .filter(transmitter__loan_until__isnull=False)
        .select_related("receiver__site", "transmitter__type", "transmitter__replaces")
        .order_by("receiver_id", "slot")
    )
    found: dict[int, LentUnit] = {}
    for row in rows:
        unit, site = row.transmitter, row.receiver.site
        if unit.pk in found:
            found[unit.pk].n_more += 1
            continue
        found[unit.pk] = LentUnit(
            unit, site, f"{row.receiver.label}, {_('slot')} {row.slot}: {row.label}".rstrip(": "),
            reverse("devices:slot_detail", args=[row.receiver_id, row.slot]),
            reverse("devices:loan_transmitter", args=[unit.pk]),
            reverse("devices:transmitter_swap", args=[unit.pk]), _is_late(unit.loan_until, site, now),
        )  # fmt: skip
    return list(found.values())


def _receivers(request: PersonRequest, now: datetime) -> list[LentUnit]:
    rows = Receiver.objects.visible_to(request.user).open().filter(loan_until__isnull=False)
    return [
        LentUnit(
            row, row.site, row.label, reverse("devices:slot_map", args=[row.pk]),
            reverse("devices:loan_receiver", args=[row.pk]), reverse("devices:receiver_swap", args=[row.pk]),
            _is_late(row.loan_until, row.site, now),
        )
        for row in rows.select_related("site", "type", "replaces")
    ]  # fmt: skip


def _is_late(until_on: date | None, site: Site, now: datetime) -> bool:
    """Past the day of return, by the site's own clock."""
    return until_on is not None and until_on < now.astimezone(site.zone).date()


@audience("office")
def loan_transmitter(request: PersonRequest, pk: int) -> HttpResponse:
    """Another day for a transmitter."""
    rows = Transmitter.objects.visible_to(request.user)
    unit = get_object_or_404(rows, pk=pk)
    stands = Registration.objects.visible_to(request.user).open().filter(transmitter=unit)
    row = stands.select_related("receiver__site").order_by("receiver_id", "slot").first()
    return _day(request, unit, row.receiver.site if row else None, unit.serial)


@audience("office")
def loan_receiver(request: PersonRequest, pk: int) -> HttpResponse:
    """Another day for a receiver."""
    unit = get_object_or_404(Receiver.objects.visible_to(request.user).select_related("site"), pk=pk)
    return _day(request, unit, unit.site, unit.label)


def _day(request: PersonRequest, unit: Unit, site: Site | None, name: str) -> HttpResponse:
    form = LoanForm(request.POST or None, initial={"until_on": unit.loan_until, "seen_until": unit.loan_until})
    context = frame(request) | {
        "form": form, "title": _("Agree on another day"), "button": _("Save the day"),
        "back": reverse("devices:loan_list"), "lead": f"{name}, {site.name}" if site else name,
    }  # fmt: skip
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    now = timezone.now()
    try:
        change = set_loan_day(
            unit=unit, until_on=form.cleaned_data["until_on"], seen_until=form.cleaned_data["seen_until"],
            today=timezone.localdate(now, site.zone if site else None), by=request.user, at=now,
            reason=form.cleaned_data["reason"],
        )  # fmt: skip
    except Refused as why:
        return refused(request, FORM, context | {"refused": str(why)})
    done = _("%(name)s: another day is agreed.") if form.cleaned_data["until_on"] else _("%(name)s stays.")
    said(request, done % {"name": name}, undo_url=reverse("company:change_undo", args=[change.pk]))
    return redirect("devices:loan_list")
