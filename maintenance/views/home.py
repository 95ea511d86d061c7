"""Search across everything the office answers the telephone about, and what a printed code opens."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.views.decorators.http import require_safe

from company.access import audience
from company.htmx import page
from company.models import Customer
from devices.models import Receiver, Registration, Transmitter
from sites.models import Site

N_SHOWN = 20
"""Most rows of one kind; who finds more types more."""


@audience("office")
@require_safe
def search(request: HttpRequest) -> HttpResponse:
    words = request.GET.get("q", "").strip()[:80]
    context: dict[str, object] = {"q": words, "n_shown": N_SHOWN}
    if words:
        user = request.user
        places = Registration.objects.visible_to(user).open().filter(label__icontains=words)
        found = {
            "sites": Site.objects.visible_to(user).matching(words).select_related("customer").order_by("name", "pk"),
            "receivers": Receiver.objects.visible_to(user).matching(words).select_related("site", "customer")
            .order_by("site__name", "label", "pk"),
            "transmitters": Transmitter.objects.visible_to(user).matching(words).select_related("type", "customer")
            .order_by("serial", "pk"),
            "places": places.select_related("receiver", "site", "transmitter").order_by("site__name", "label", "pk"),
            "customers": Customer.objects.visible_to(user).matching(words).order_by("name", "pk"),
        }  # fmt: skip
        lists = {name: list(rows[: N_SHOWN + 1]) for name, rows in found.items()}
        context |= {"n_found": sum(len(rows) for rows in lists.values())}
        context |= {name: rows[:N_SHOWN] for name, rows in lists.items()}
        context["has_more"] = [name for name, rows in lists.items() if len(rows) > N_SHOWN]
    return page(request, "maintenance/home/search.html", context)


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
