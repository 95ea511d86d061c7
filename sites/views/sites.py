"""Pages of sites: the list, one site with all that is known of the place, new, edit, close."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from company.access import PersonRequest, audience
from company.forms import WEEKDAYS, ReasonForm
from company.htmx import page, refused
from company.lists import ordered, page_of
from company.models import ChangeRow, Customer
from company.views.forms_page import FORM, form_context, posted
from sites import actions
from sites.forms import NewSiteForm, SiteForm
from sites.models import AccessNote, FloorPlan, Site

COLUMNS = {"name": "name", "customer": "customer__name", "town": "town", "receivers": "n_receivers", "code": "code"}


@audience("office")
@require_safe
def site_list(request: PersonRequest) -> HttpResponse:
    words, state = request.GET.get("q", "").strip(), request.GET.get("state", "")
    customer = request.GET.get("customer", "")
    sites = Site.objects.visible_to(request.user).matching(words)
    sites = sites.filter(closed_at__isnull=False) if state == "closed" else sites.current()
    if customer.isdecimal():
        sites = sites.filter(customer_id=int(customer))
    rows, sort = ordered(sites.for_list(), request, COLUMNS, default="name")
    context = {
        "page": page_of(rows, request),
        "customers": Customer.objects.visible_to(request.user).current().order_by("name", "pk"),
        "q": words,
        "state": state,
        "customer": customer,
        "sort": sort,
        "section": "sites",
    }
    return page(request, "sites/site/list.html", context, part="rows")


@audience("office")
@require_safe
def site_detail(request: PersonRequest, pk: int) -> HttpResponse:
    site = get_object_or_404(Site.objects.visible_to(request.user).select_related("customer"), pk=pk)
    return page(request, "sites/site/detail.html", site_context(request, site))


def site_context(request: PersonRequest, site: Site) -> dict[str, Any]:
    """All that the page of one site shows; receivers and due dates come by their own addresses."""
    today = timezone.localdate(timezone=site.zone)
    hours = {row.weekday: row for row in site.visiting_hours.order_by("weekday", "opens")}
    return {
        "site": site,
        "week": [(name, hours.get(day)) for day, name in enumerate(WEEKDAYS)],
        "has_hours": bool(hours),
        "closures": site.closures.filter(to_on__gt=today).order_by("from_on", "pk"),
        "hazards": site.hazards.order_by("cleared_on", "-noted_on", "pk"),
        "areas": site.areas.order_by("walk_order", "path", "pk"),
        "centres": site.monitoring_centres.order_by("name", "pk"),
        "plans": FloorPlan.objects.visible_to(request.user).filter(site=site, removed_at=None).defer("picture").order_by("walk_order", "name", "pk"),
        "notes": AccessNote.objects.visible_to(request.user).filter(site=site).for_list(),
        "reason_form": ReasonForm(),
        "changes": ChangeRow.objects.visible_to(request.user).about("site", site.pk)[:20],
        "section": "sites",
    }


@audience("office")
def site_new(request: PersonRequest) -> HttpResponse:
    initial = {"customer": request.GET.get("customer", "")}
    form = NewSiteForm(posted(request), for_user=request.user, initial=initial)
    context = form_context(form, "New site", "sites:site_list", "sites")
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, FORM, context)
        site = actions.save_site(site=form.save(commit=False), by=request.user, at=timezone.now())
        messages.success(request, f"{site} is saved.")
        return redirect(site)
    return page(request, FORM, context)


@audience("office")
def site_edit(request: PersonRequest, pk: int) -> HttpResponse:
    site = get_object_or_404(Site.objects.visible_to(request.user), pk=pk)
    form = SiteForm(posted(request), instance=site)
    context = form_context(form, "Edit the site", site, "sites")
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, FORM, context)
        actions.save_site(site=form.save(commit=False), by=request.user, at=timezone.now())
        messages.success(request, "Saved.")
        return redirect(site)
    return page(request, FORM, context)


@audience("office")
@require_POST
def site_close(request: PersonRequest, pk: int) -> HttpResponse:
    """Close the site, or take it back if it is closed."""
    site = get_object_or_404(Site.objects.visible_to(request.user).select_related("customer"), pk=pk)
    form = ReasonForm(request.POST)
    if not form.is_valid():
        return refused(request, "sites/site/detail.html", site_context(request, site) | {"reason_form": form})
    deed = actions.reopen_site if site.closed_at else actions.close_site
    deed(site=site, by=request.user, at=timezone.now(), reason=form.cleaned_data["reason"])
    messages.success(request, f"{site} is {'closed' if site.closed_at else 'looked after again'}.")
    return redirect(site)
