"""What was done on visits in one slot, for the page of the slot."""

from __future__ import annotations

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from company.access import PersonRequest, audience
from company.htmx import page
from devices.models import Receiver
from devices.views.receivers import frame
from maintenance.models import Entry, Visit

SHOWN = 30


def _words(entry: Entry) -> str:
    """What an entry says, in one line."""
    facts = entry.facts
    if entry.kind == Entry.Kind.WALK_TEST:
        test = getattr(entry, "walk_test", None)
        if test is None:
            return ""
        margin = _(", margin %(margin_db)s dB") % {"margin_db": test.margin_db} if test.margin_db is not None else ""
        return (_("heard at the output") if test.heard else _("not heard at the output")) + margin
    if entry.kind == Entry.Kind.BATTERY:
        parts = [
            facts.get("cells_label") or "",
            entry.old_cells_words and _("old ones: %(old_cells_words)s") % {"old_cells_words": entry.old_cells_words},
        ]
        return "; ".join(part for part in parts if part)
    return str(facts.get("text") or facts.get("why") or facts.get("note") or "")


@audience("office", "technician")
@require_safe
def slot_work_panel(request: PersonRequest, receiver_pk: int, slot: int) -> HttpResponse:
    """Entries of visits in one slot, newest first, whatever was registered there then."""
    rows = Receiver.objects.visible_to(request.user).select_related("site", "customer", "type")
    receiver = get_object_or_404(rows, pk=receiver_pk)
    if not 1 <= slot <= 1024:
        raise Http404("No such slot.")
    entries = (
        Entry.objects.visible_to(request.user)
        .standing()
        .filter(registration__receiver=receiver, registration__slot=slot)
        .select_related("by", "visit", "walk_test", "registration__transmitter")
        .order_by("-made_at", "-pk")
    )
    shown = list(entries[: SHOWN + 1])
    mine = set()
    if request.user.is_technician:
        # A technician opens only the visits that they are on; the others are told, not linked.
        mine = set(
            Visit.objects.visible_to(request.user)
            .filter(pk__in=[entry.visit_id for entry in shown])
            .values_list("pk", flat=True)
        )
    context = frame(request) | {
        "receiver": receiver,
        "site": receiver.site,
        "slot": slot,
        "entries": [
            (entry, _words(entry), not request.user.is_technician or entry.visit_id in mine) for entry in shown[:SHOWN]
        ],
        "has_more": len(shown) > SHOWN,
    }
    return page(request, "maintenance/visits/slot_work.html", context, part="slot_work")
