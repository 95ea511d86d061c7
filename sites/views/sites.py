"""Pages of sites: the list, one site with all that is known of the place, new, edit, close."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.http import require_POST, require_safe

from company.access import PersonRequest, audience
from company.errors import Refused
from company.forms import ReasonForm
from company.htmx import page, refused
from company.lists import ordered, page_of
from company.models import Customer
from company.spreadsheets import csv_bytes
from company.toasts import said
from company.views.forms_page import FORM, form_context, posted
from sites import actions
from sites.forms import NewSiteForm, SiteForm
from sites.models import Site
from sites.views.shown import undo_of
from sites.views.site_page import site_context

NEW = "sites/site/new.html"
COLUMNS = {
    "name": "name", "customer": "customer__name", "town": "town", "receivers": "n_receivers", "code": "code",
    "late": "n_late", "soon": "n_soon", "visit": "next_visit_on", "kind": "kind",
}  # fmt: skip
SHOWS = (
    ("late", gettext_lazy("something late here")), ("hazards", gettext_lazy("has hazards")), ("no_hours", gettext_lazy("no visiting hours")),
    ("no_position", gettext_lazy("no position")),
)  # fmt: skip
SOON_DAYS = 28
"""As the slot map calls it soon; the rule stands in the app above."""

CSV_HEAD = (
    "site code", "name", "kind", "customer", "address", "town", "postcode", "person to meet", "phone", "receivers",
    "late", "of these life safety", "soon", "next visit",
)  # fmt: skip


@audience("office")
@require_safe
def site_list(request: PersonRequest) -> HttpResponse:
    rows, chosen = _listed(request)
    rows, sort = ordered(rows, request, COLUMNS, default="name")
    sites = Site.objects.visible_to(request.user)
    context = chosen | {
        "page": page_of(rows, request),
        "customers": Customer.objects.visible_to(request.user).current().order_by("name", "pk"),
        "towns": _values(sites, "town"),
        "kinds": _values(sites, "kind"),
        "shows": SHOWS,
        "sort": sort,
        "has_any": sites.exists(),
        "query": request.GET.urlencode(),
        "section": "sites",
    }
    return page(request, "sites/site/list.html", context, part="rows")


def _values(sites: Any, name: str) -> list[str]:
    return list(sites.exclude(**{name: ""}).order_by(name).values_list(name, flat=True).distinct())


def _listed(request: PersonRequest) -> tuple[Any, dict[str, Any]]:
    """The sites asked for, with their work, and what was chosen."""
    get, today = request.GET, timezone.localdate()
    chosen = {name: get.get(name, "").strip() for name in ("q", "state", "customer", "town", "kind", "show")}
    sites = Site.objects.visible_to(request.user).matching(chosen["q"])
    if chosen["state"] != "all":
        sites = sites.filter(closed_at__isnull=False) if chosen["state"] == "closed" else sites.current()
    if chosen["customer"].isdecimal():
        sites = sites.filter(customer_id=int(chosen["customer"][:12]))
    for name in ("town", "kind"):
        if chosen[name]:
            sites = sites.filter(**{name: chosen[name]})
    sites = sites.showing(chosen["show"], today)
    return sites.for_list().with_work(today, today + timedelta(days=SOON_DAYS)), chosen | {
        "is_narrowed": any(chosen.values())
    }


@audience("office")
@require_safe
def site_list_csv(request: PersonRequest) -> HttpResponse:
    """The list as it is filtered and sorted, every page of it."""
    rows, _ = _listed(request)
    rows, _ = ordered(rows, request, COLUMNS, default="name")
    body = csv_bytes(
        CSV_HEAD,
        (
            (
                site.code,
                site.name,
                site.kind,
                site.customer.name,
                site.address,
                site.town,
                site.postcode,
                site.person_to_meet,
                site.phone,
                site.n_receivers,
                site.n_late,
                site.n_grave,
                site.n_soon,
                site.next_visit_on,
            )
            for site in rows
        ),
    )
    response = HttpResponse(body, content_type="text/csv; charset=utf-8")
    response.headers["Content-Disposition"] = 'attachment; filename="sites.csv"'
    return response


@audience("office")
@require_safe
def site_detail(request: PersonRequest, pk: int) -> HttpResponse:
    site = get_object_or_404(Site.objects.visible_to(request.user).select_related("customer"), pk=pk)
    return page(request, "sites/site/detail.html", site_context(request, site))


@audience("office")
def site_new(request: PersonRequest) -> HttpResponse:
    initial = {"customer": request.GET.get("customer", "")}
    form = NewSiteForm(posted(request), for_user=request.user, initial=initial)
    context = form_context(form, gettext("New site"), "sites:site_list", "sites")
    context["has_customers"] = Customer.objects.visible_to(request.user).current().exists()
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, NEW, context)
        site = actions.save_site(site=form.save(commit=False), by=request.user, at=timezone.now())
        messages.success(request, gettext("%(site)s is saved.") % {"site": site})
        return redirect(site)
    return page(request, NEW, context)


@audience("office")
def site_edit(request: PersonRequest, pk: int) -> HttpResponse:
    site = get_object_or_404(Site.objects.visible_to(request.user), pk=pk)
    form = SiteForm(posted(request), instance=site)
    context = form_context(form, gettext("Edit the site"), site, "sites")
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, FORM, context)
        try:
            site = actions.save_site(
                site=form.save(commit=False), by=request.user, at=timezone.now(), drawn=form.drawn()
            )
        except Refused as refusal:
            return refused(request, FORM, context | form.after(refusal))
        said(request, gettext("Saved."), undo_url=undo_of(request, site))
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
    done = gettext("%(site)s is closed.") if site.closed_at else gettext("%(site)s is looked after again.")
    said(request, done % {"site": site}, undo_url=undo_of(request, site))
    return redirect(site)
