"""Search across everything the office answers the telephone about, and what a printed code opens."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.views.decorators.http import require_safe

from company.access import PersonRequest, audience
from company.forms.texts import without_unprinted
from company.htmx import page, wants_part
from devices.models import Receiver
from maintenance.querysets.search import find

N_SHOWN = 20
"""Most rows of one kind; who finds more types more."""
N_SUGGESTED = 5
"""Most rows of one kind under the box."""
KINDS = ("sites", "receivers", "transmitters", "places", "customers", "contacts", "set_aside", "panels", "sources")
OF_TECHNICIANS = ("sites", "receivers", "transmitters", "places")

# Kind of a hit: name of its page for the office, and for a technician.
PAGES = {
    "site": ("sites:site_detail", "maintenance:tech_site"),
    "receiver": ("devices:slot_map", "devices:tech_slot_map"),
    "transmitter": ("devices:transmitter_detail", "devices:tech_transmitter_detail"),
    "place": ("devices:slot_detail", "devices:tech_slot_detail"),
    "customer": ("company:customer_detail", ""),
    "contact": ("company:customer_detail", ""),
    "set_aside": ("devices:set_aside_detail", ""),
    "panel": ("devices:panel_detail", ""),
    "source": ("devices:source_detail", ""),
}


@audience("office")
@require_safe
def search(request: PersonRequest) -> HttpResponse:
    return _search(request, KINDS)


@audience("technician")
@require_safe
def tech_search(request: PersonRequest) -> HttpResponse:
    """Sites, receivers and serials, for the person on the way."""
    return _search(request, OF_TECHNICIANS)


def _search(request: PersonRequest, kinds: tuple[str, ...]) -> HttpResponse:
    """Whole page, or under the box the first few of each kind."""
    words = without_unprinted(request.GET.get("q", "")).strip()[:80]
    n = N_SUGGESTED if wants_part(request) else N_SHOWN
    found = find(request.user, words, n=n + 1, kinds=kinds)
    frame = 1 if request.user.is_technician else 0
    groups = [
        (name, [(hit, reverse(PAGES[hit.kind][frame], args=hit.args)) for hit in hits[:n]], len(hits) > n)
        for name, hits in found.groups()
    ]
    exact = found.first_exact
    context = {
        "q": words,
        "groups": groups,
        "exact": (exact, reverse(PAGES[exact.kind][frame], args=exact.args)) if exact else None,
        "n_shown": N_SHOWN,
        "has_more": any(more for _, _, more in groups),
        "base": "base_phone.html" if frame else "base.html",
        "is_phone": bool(frame),
        "here": request.path,
        "section": "search",
    }
    return page(request, "maintenance/home/search.html", context, part="suggestions")


@audience("office", "technician", "portal")
@require_safe
def qr(request: HttpRequest, code: str) -> HttpResponse:
    """Send each person to their own page of the receiver; to anybody else the code says nothing."""
    receiver = get_object_or_404(Receiver.objects.visible_to(request.user), code=code.upper())
    audience_of = request.user.audience  # type: ignore[union-attr]
    if audience_of == "portal":
        return redirect("maintenance:portal_slot_map", receiver.code)
    if audience_of == "technician":
        return redirect("maintenance:tech_site", receiver.site_id)
    return redirect("devices:slot_map", receiver.pk)
