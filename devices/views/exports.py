"""The slot map as a file for spreadsheets."""

from __future__ import annotations

from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.utils.text import slugify
from django.views.decorators.http import require_safe

from company.access import PersonRequest, audience
from company.spreadsheets import csv_bytes
from devices.models import Receiver, Registration
from devices.querysets import end_of_day
from devices.rules.slot_map import COLUMNS, SlotRow, as_table, cells, day_asked, day_refused, fill_slots
from devices.views.receivers import receiver_for
from sites.models import Site


@audience("office", "technician")
@require_safe
def slot_map_csv(request: PersonRequest, pk: int) -> HttpResponse:
    """The slot map as of a day, as a table for spreadsheets."""
    receiver = receiver_for(request, pk)
    zone = receiver.site.zone
    today, asked = timezone.now().astimezone(zone).date(), request.GET.get("on", "")
    if refusal := day_refused(asked, today):
        return HttpResponse(refusal, status=400, content_type="text/plain; charset=utf-8")
    on = day_asked(asked, today)
    taken = (
        Registration.objects.visible_to(request.user).filter(receiver=receiver).slot_rows(end_of_day(on, zone), zone)
    )
    header, *lines = as_table(fill_slots(receiver.n_slots, taken))
    answer = HttpResponse(csv_bytes(header, lines), content_type="text/csv; charset=utf-8")
    name = slugify(f"slot-map {receiver} {on}") or "slot-map"
    answer.headers["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    return answer


@audience("office", "technician")
@require_safe
def site_map_csv(request: PersonRequest, site_pk: int) -> HttpResponse:
    """The slot maps of all receivers of a site as of a day, as one table with the receiver in front."""
    site = get_object_or_404(Site.objects.visible_to(request.user), pk=site_pk)
    today, asked = timezone.now().astimezone(site.zone).date(), request.GET.get("on", "")
    if refusal := day_refused(asked, today):
        return HttpResponse(refusal, status=400, content_type="text/plain; charset=utf-8")
    on = day_asked(asked, today)
    rows: dict[int, list[SlotRow]] = {}
    registrations = Registration.objects.visible_to(request.user).filter(site=site)
    for row in registrations.slot_rows(end_of_day(on, site.zone), site.zone):
        rows.setdefault(row.receiver_pk or 0, []).append(row)
    receivers = Receiver.objects.visible_to(request.user).filter(site=site).order_by("label", "pk")
    lines = [
        (receiver.label, receiver.serial, *cells(row))
        for receiver in receivers
        # One that was taken down is listed for the days on which it held something.
        if receiver.removed_at is None or receiver.pk in rows
        for row in fill_slots(receiver.n_slots, rows.get(receiver.pk, ()))
    ]
    answer = HttpResponse(
        csv_bytes(("Receiver", "Receiver serial", *COLUMNS), lines), content_type="text/csv; charset=utf-8"
    )
    name = slugify(f"slot-maps {site.name} {on}") or "slot-maps"
    answer.headers["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    return answer
