"""Pages of due dates: what is due where, what is due at one site, and why a date is what it is."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_safe

from company import palette
from company.access import audience
from company.htmx import page
from company.lists import page_of
from company.models import Customer, User
from company.models.firm import Duty
from devices.models import CheckInDay, Registration, Transmitter
from devices.rules.slot_map import due_words, urgency
from devices.rules.supervision import EVIDENCE_WORDS
from maintenance.models import DueChange, DueItem, LotFit, Recall, RefreshRun, Visit
from maintenance.querysets.days import things_by_site
from maintenance.querysets.due import SOON_DAYS, DueChoice
from maintenance.querysets.lots import grave_left
from maintenance.rules.charts import WORDS, count_weeks, week_bars
from maintenance.rules.charts_checkins import N_DAYS
from maintenance.rules.due import NO_ESTIMATE
from maintenance.rules.due_customer import likely_words
from maintenance.rules.due_story import REASON_WORDS
from maintenance.rules.rounds.packing import packing_list
from maintenance.views.papers import day_of
from maintenance.views.silent_now import silent_now
from maintenance.views.why import check_ins, explain, say_why_moved
from sites.models import Site

WINDOWS_WEEKS = (1, 2, 4, 8, 12)
CHART_WEEKS = 12
ORDERS = (("", gettext_lazy("Worst harm")), ("chance", gettext_lazy("Most likely to fail")))
"""The order asks whom it would harm, or where the next end is most likely."""
FIRST_DAY = date(2000, 1, 1)
"""No strip turns back beyond it: an address may name any day. Own choice, long before anything here was heard."""


def _choice(request: HttpRequest) -> DueChoice:
    ask = request.GET.get
    return DueChoice(
        duty=ask("duty", "") if ask("duty", "") in Duty.values else "",
        placed=ask("placed", "") if len(ask("placed", "")) < 10 else "",
        customer=ask("customer", "") if len(ask("customer", "")) < 10 else "",
        words=ask("q", "").strip()[:80],
        only_late=ask("late", "") == "1",
        not_late=ask("late", "") == "0",
        reason=ask("reason", "") if ask("reason", "") in REASON_WORDS else "",
    )


@audience("office")
@require_safe
def due_list(request: HttpRequest) -> HttpResponse:
    today = timezone.localdate()
    weeks = next((n for n in WINDOWS_WEEKS if str(n) == request.GET.get("weeks")), CHART_WEEKS)
    until = today + timedelta(weeks=weeks)
    choice = _choice(request)
    everything = DueItem.objects.visible_to(request.user).open()
    rows = everything.narrowed(choice, today)
    order = ORDERS[-1][0] if request.GET.get("order") == ORDERS[-1][0] else ""
    sites = page_of(rows.by_site(today, until, by_chance=bool(order)), request)
    _complete(sites.object_list, request, rows, today, until)
    # Twelve weeks from today reach into a thirteenth calendar week: the bars end on the day that the numbers above end.
    chart_until = today + timedelta(weeks=CHART_WEEKS)
    by_week = count_weeks(list(rows.by_day(chart_until)), today, CHART_WEEKS + 1, SOON_DAYS)
    top = everything.filter(harm=0).late(today)
    context = {
        "today": today,
        "weeks": weeks,
        "windows": WINDOWS_WEEKS,
        "choice": choice,
        "order": order,
        "orders": ORDERS,
        "reasons": [(code, words) for code, words in REASON_WORDS.items() if code != NO_ESTIMATE],
        "page": sites,
        "tally": rows.tally(today, until),
        "chart": week_bars(by_week, today=today),
        "by_week": by_week,
        "kinds": WORDS,
        "colour": palette.LIGHT,
        "duties": Duty.choices,
        "customers": Customer.objects.visible_to(request.user).current().order_by("name", "pk"),
        "technicians": User.objects.visible_to(request.user).technicians(),
        "run": RefreshRun.objects.visible_to(request.user).filter(state="closed").order_by("-business_day").first(),
        "section": "due",
    }
    top_sites = list(top.unplaced().order_by().values_list("site_id", flat=True))
    context |= {
        "n_top": len(top_sites),
        "n_top_sites": len(set(top_sites)),
        "n_top_draft": top.only_in_draft().count(),
        "late_recalls": Recall.objects.visible_to(request.user).past(today),
        "grave_lots": grave_left(LotFit.objects.visible_to(request.user)),
    }
    return page(request, "maintenance/due/list.html", context, part="rows")


def _state(visit: Visit) -> str:
    """State of the round that a visit stands in."""
    return visit.round.state if visit.round else ""


def _complete(sites: Any, request: HttpRequest, rows: Any, today: date, until: date) -> None:
    """Add to each site of the page: what to bring for what is due, and the round that it stands in."""
    ids = [site["site_id"] for site in sites]
    things = things_by_site(rows.due_at_sites(ids, until))
    reasons = rows.reasons_at_sites(ids, until)
    stops: dict[int, Visit] = {}
    visits = Visit.objects.visible_to(request.user).to_come().filter(site_id__in=ids)
    for visit in (
        visits.filter(round__state__in=["draft", "published"])
        .select_related("round__technician")
        .order_by("-planned_on", "-pk")
    ):
        # A published round outranks a draft, however early the draft: only with it has anybody been told.
        held = stops.get(visit.site_id)
        if held is None or _state(visit) == "published" or _state(held) == "draft":
            stops[visit.site_id] = visit
    for site in sites:
        site["lines"] = packing_list(things.get(site["site_id"], []), spares_percent=0)
        site["stop"] = stops.get(site["site_id"])
        site["why"] = ", ".join(
            f"{REASON_WORDS.get(code, code)}{f' ×{n}' if n > 1 else ''}" for code, n in reasons.get(site["site_id"], [])
        )
        site["likely"] = likely_words(site["n_low"], site["chance"])
        late = site["first_on"] < today
        site["words"] = due_words(site["first_on"], today) if late else f"due {_day_words(site['first_on'], today)}"
        site["life_words"] = _day_words(site["first_life"], today) if site["first_life"] else ""


def _day_words(on: date, today: date) -> str:
    """Write a date for a column of dates: with its year only where that is not this one."""
    return f"{on.day} {on:%b}" if on.year == today.year else f"{on.day} {on:%b %Y}"


@audience("office", "technician")
@require_safe
def due_panel(request: HttpRequest, site_pk: int) -> HttpResponse:
    """What is due at one site: a part of the site's page, and a page of its own without JavaScript."""
    site = get_object_or_404(Site.objects.visible_to(request.user).select_related("customer"), pk=site_pk)
    today = timezone.localdate()
    items = list(DueItem.objects.visible_to(request.user).open().filter(site=site).for_site())
    for item in items:
        item.mark, item.words = urgency(item.due_on, today), due_words(item.due_on, today)
        item.why = REASON_WORDS.get(item.reason, item.reason)
    near = [item for item in items if item.mark != "fine"]
    context = {"site": site, "items": near, "n_fine": len(items) - len(near), "section": "sites"}
    return page(request, "maintenance/due/panel.html", context, part="due_panel")


@audience("office", "technician")
@require_safe
def due_why(request: HttpRequest, pk: int) -> HttpResponse:
    """Why a date is what it is: the sentence, the numbers, every rule's word, and what would change it."""
    item = get_object_or_404(DueItem.objects.visible_to(request.user).for_why(), pk=pk)
    today = timezone.localdate()
    changes = list(DueChange.objects.visible_to(request.user).filter(due_item=item).newest_first()[:20])
    say_why_moved(changes, item.duty, request.user)
    context = {
        "item": item,
        "today": today,
        "told": explain(item=item, today=today, user=request.user),
        "transmitter": item.transmitter,
        "receiver": item.receiver,
        "strip": None
        if item.is_closed
        else check_ins(transmitter_id=item.transmitter_id, receiver=item.receiver, today=today, user=request.user),
        "mark": urgency(item.due_on, today),
        "mark_words": due_words(item.due_on, today),
        "colour": palette.LIGHT,
        "changes": changes,
        "silent": ""
        if item.is_closed or not item.transmitter_id
        else silent_now(request, item.receiver, item.transmitter_id),
        "successor": _successor(item, request) if item.is_closed else None,
        "reason": REASON_WORDS.get(item.reason, item.reason),
        "evidence": EVIDENCE_WORDS.get(item.receiver.evidence, EVIDENCE_WORDS["visits"]),
        "section": "due",
    }
    return page(request, "maintenance/due/why.html", context)


def _successor(item: DueItem, request: HttpRequest) -> DueItem | None:
    """What wears at the same place now, where a closed item was changed."""
    same = {"transmitter_id": item.transmitter_id} if item.transmitter_id else {"receiver_id": item.receiver_id}
    rows = DueItem.objects.visible_to(request.user).open().filter(kind=item.kind, **same)
    found: DueItem | None = rows.exclude(pk=item.pk).first()
    return found


@audience("office", "technician")
@require_safe
def check_in_strip(request: HttpRequest, pk: int) -> HttpResponse:
    """Check-ins of one transmitter, with the dates that hang on it; `until` leads back to days that are kept longer."""
    transmitter = get_object_or_404(
        Transmitter.objects.visible_to(request.user).select_related("type", "customer"), pk=pk
    )
    here = Registration.objects.visible_to(request.user).open().filter(transmitter=transmitter)
    registration = here.select_related("receiver__site").order_by("pk").first()
    receiver = registration.receiver if registration else None
    today = timezone.localdate()
    asked = day_of(request.GET.get("until"))
    until = asked if asked and FIRST_DAY <= asked < today else today
    items = list(DueItem.objects.visible_to(request.user).open().filter(transmitter=transmitter).for_site())
    for item in items:
        item.mark, item.words = urgency(item.due_on, today), due_words(item.due_on, today)
        item.why = REASON_WORDS.get(item.reason, item.reason)
    context = {
        "transmitter": transmitter,
        "registration": registration,
        "receiver": receiver,
        "silent": silent_now(request, receiver, pk) if receiver else "",
        "strip": check_ins(transmitter_id=pk, receiver=receiver, today=until, user=request.user, is_past=until < today),
        **_turns(request, pk, until, today),
        "evidence": EVIDENCE_WORDS.get(receiver.evidence, EVIDENCE_WORDS["visits"]) if receiver else "",
        "colour": palette.LIGHT,
        "items": items,
        "section": "receivers",
    }
    return page(request, "maintenance/due/check_ins.html", context)


def _turns(request: HttpRequest, transmitter_id: int, until: date, today: date) -> dict[str, Any]:
    """Days to turn a strip back and on to, and its span where that is not the last one."""
    first = until - timedelta(days=N_DAYS - 1)
    older = CheckInDay.objects.visible_to(request.user).filter(transmitter_id=transmitter_id, day__lt=first)
    return {
        "span": (first, until) if until < today else None,
        "earlier": first - timedelta(days=1) if older.exists() else None,
        "later": min(until + timedelta(days=N_DAYS), today) if until < today else None,
    }
