"""The slot map as a file for spreadsheets."""

from __future__ import annotations

from django.http import HttpResponse
from django.utils import timezone
from django.utils.text import slugify
from django.views.decorators.http import require_safe

from company.access import PersonRequest, audience
from company.spreadsheets import csv_bytes
from devices.models import Registration
from devices.querysets import end_of_day
from devices.rules.slot_map import as_table, day_asked, day_refused, fill_slots
from devices.views.receivers import receiver_for


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
