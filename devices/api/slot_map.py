"""What programs may read of what is installed: the slot map of a receiver on any day, as JSON."""

from __future__ import annotations

from django.http import HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_safe

from company.access import PersonRequest, audience
from company.programs import problem
from devices.models import Receiver, Registration
from devices.querysets import end_of_day
from devices.rules.slot_map import as_json, day_asked, day_refused, fill_slots


# It changes nothing: a program with another method is to be told so, not asked for a form's secret.
@audience("office")
@csrf_exempt
@require_safe
def slot_map_json(request: PersonRequest, code: str) -> HttpResponse:
    """The slot map of the receiver with this code, as of the end of `?on=` in the site's time zone."""
    receiver = get_object_or_404(Receiver.objects.visible_to(request.user).select_related("site", "type"), code=code)
    zone = receiver.site.zone
    today, asked = timezone.now().astimezone(zone).date(), request.GET.get("on", "")
    if refusal := day_refused(asked, today):
        return problem(400, refusal)
    on = day_asked(asked, today)
    rows = Registration.objects.visible_to(request.user).filter(receiver=receiver).slot_rows(end_of_day(on, zone), zone)
    return JsonResponse(
        {
            "receiver": receiver.code,
            "label": receiver.label,
            "site": receiver.site.code,
            "time_zone": receiver.site.time_zone,
            "as_of": on.isoformat(),
            "version": receiver.version,
            "slots": [as_json(row) for row in fill_slots(receiver.n_slots, rows)],
        }
    )
