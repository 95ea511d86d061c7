"""What the page of one site shows: everything that a call about the place asks for, in the order in which it is asked."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.db.models import Q
from django.utils import timezone

from company.access import PersonRequest
from company.forms import WEEKDAYS, ReasonForm
from company.models import ChangeRow, Contact
from sites.models import AccessNote, FloorPlan, Site
from sites.rules.hours import day_text
from sites.rules.opening import ClosedDays, Opening, Span, opening
from sites.views.shown import week_of

SHOWN_CHANGES = 20
HANGING = (
    ("siteclosure", "closures"), ("hazard", "hazards"), ("area", "areas"), ("floorplan", "floor_plans"),
    ("monitoringcentre", "monitoring_centres"), ("accessnote", "access_notes"), ("receiver", "receivers"),
    ("visit", "visits"),
)  # fmt: skip
"""Kind of record in the change log to the name under which a site knows its rows."""


def opening_of(site: Site, closures: list[Any]) -> Opening:
    """Whether the site is open now; `closures` are those that are not over."""
    spans = [Span(row.weekday, row.opens, row.closes) for row in site.visiting_hours.all()]
    closed = [ClosedDays(row.from_on, row.last_on, row.reason) for row in closures if row.kind == "no_access"]
    return opening(spans, closed, timezone.now(), site.zone)


def site_context(request: PersonRequest, site: Site) -> dict[str, Any]:
    """All that the page shows; receivers, due dates, findings and visits come by their own addresses."""
    user, now = request.user, timezone.now().astimezone(site.zone)
    today = now.date()
    closures = list(site.closures.filter(to_on__gt=today).order_by("from_on", "pk"))
    hazards = list(site.hazards.order_by("cleared_on", "-noted_on", "pk"))
    plans = FloorPlan.objects.visible_to(user).filter(site=site)
    return {
        "site": site,
        "now": now,
        # As text: a template would turn the moment into the firm's own clock.
        "now_there": f"{now:%H:%M}",
        "opening": opening_of(site, closures),
        "week": _week(site, today),
        "closures": closures,
        "preferred_now": next((row for row in closures if row.kind == "preferred" and row.from_on <= today), None),
        "hazards": [row for row in hazards if row.cleared_on is None],
        "hazards_gone": [row for row in hazards if row.cleared_on],
        "contacts": Contact.objects.visible_to(user).filter(customer=site.customer).order_by("name", "pk"),
        "sums": Site.objects.visible_to(user).filter(pk=site.pk).sums(),
        "areas": site.areas.order_by("walk_order", "path", "pk"),
        "centres": site.monitoring_centres.order_by("name", "pk"),
        "plans": plans.filter(removed_at=None).defer("picture").order_by("walk_order", "name", "pk"),
        "n_plans_gone": plans.exclude(removed_at=None).count(),
        "notes": AccessNote.objects.visible_to(user).filter(site=site).for_list(),
        "reason_form": ReasonForm(),
        "changes": changes_of(request, site)[:SHOWN_CHANGES],
        "section": "sites",
    }


def _week(site: Site, today: date) -> list[tuple[str, str, bool]]:
    """Weekday, its hours in words, whether it is today; nothing where no hours are known."""
    week = week_of(site)
    if not week:
        return []
    return [(name, day_text(week.get(day, ())), day == today.weekday()) for day, name in enumerate(WEEKDAYS)]


def changes_of(request: PersonRequest, site: Site) -> Any:
    """Changes of the site and of all that hangs on it, newest first; of removed rows too, which the log places."""
    about = Q(subject_kind="site", subject_id=site.pk)
    for kind, name in HANGING:
        about |= Q(subject_kind=kind, subject_id__in=getattr(site, name).order_by().values("pk"))
    # Slots are rows of the app above; a lookup by name keeps imports pointing one way.
    slots = Site.objects.visible_to(request.user).filter(pk=site.pk, receivers__registrations__isnull=False)
    about |= Q(subject_kind="registration", subject_id__in=slots.values("receivers__registrations__pk"))
    about |= Q(verb__in=("remove_siteclosure", "remove_area", "remove_monitoringcentre"), before__site=site.pk)
    return ChangeRow.objects.visible_to(request.user).filter(about, customer=site.customer_id).newest()
