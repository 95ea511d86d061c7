"""Pulling sites into rounds, from a recall or from a lot: which sites, who, when, how many stops a day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.manner import day_in_year_said, day_said
from maintenance.actions.recall_rounds import Pull, pull_into_round, pull_into_rounds
from maintenance.forms.recalls import PullForm
from maintenance.models import Recall, RecallItem, Round
from maintenance.querysets.days import day_plan, warnings_of
from maintenance.querysets.recalls import covers, stops_of
from maintenance.rules.recalls import SiteCount, count_sites
from sites.models import Site


@dataclass(frozen=True, slots=True)
class Source:
    """What is pulled: a name for the rounds, the day that they must reach (None: the weeks asked for), and where from."""

    title: str
    due_by: date | None
    back: str
    lead: str


@audience("office")
@require_http_methods(["GET", "HEAD", "POST"])
def recall_rounds(request: PersonRequest, pk: int) -> HttpResponse:
    recall = get_object_or_404(Recall.objects.visible_to(request.user), pk=pk)
    if recall.closed_at is not None:
        messages.info(request, _("This recall is closed: nothing of it is pulled into rounds any more."))
        return redirect(recall)
    left = RecallItem.objects.visible_to(request.user).filter(recall=recall, site__isnull=False).open()
    sites = count_sites(left.values_list("site_id", "site__name", "registration__duty"))
    lead = _("Each stop changes what is due by %(day)s: these, and whatever else falls due there by then.") % {
        "day": day_said(recall.due_on)
    }
    return pull_page(request, Source(recall.title, recall.due_on, recall.get_absolute_url(), lead), sites)


def pull_page(request: PersonRequest, source: Source, sites: Sequence[SiteCount]) -> HttpResponse:
    """Show the sites with their boxes, or make the rounds."""
    records = (
        Site.objects.visible_to(request.user).current().select_related("customer").in_bulk([s.site_id for s in sites])
    )
    counts = [site for site in sites if site.site_id in records]
    is_post = request.method == "POST"
    form = PullForm(
        request.POST if is_post else None, by=request.user, site_ids=list(records), initial=_first_guess(source)
    )
    if source.due_by is not None:
        del form.fields["horizon_weeks"]
    refusal = ""
    if is_post and form.is_valid():
        chosen = [records[pk] for pk in dict.fromkeys(form.cleaned_data["site"])]
        try:
            rounds = _pull(request, form, source, chosen, {site.site_id for site in counts if site.n_grave})
        except Refused as error:
            refusal = error.message
        else:
            return _told(request, rounds, source)
    picked = set(form.cleaned_data.get("site") or []) if is_post and hasattr(form, "cleaned_data") else None
    context = {
        "source": source, "form": form, "refused": refusal, "section": "due",
        "rows": _rows(counts, records, source.due_by, picked),
    }  # fmt: skip
    show = refused if is_post else page
    return show(request, "maintenance/recalls/rounds.html", context)


def _first_guess(source: Source) -> dict[str, Any]:
    """Next weekday, half past eight, named after what is pulled."""
    day = timezone.localdate() + timedelta(days=1)
    while day.weekday() > 4:
        day += timedelta(days=1)
    return {"day": day, "name": source.title[:70], "starts": "08:30"}


def _rows(
    counts: Sequence[SiteCount], records: dict[int, Site], due_by: date | None, picked: set[int] | None
) -> list[dict[str, Any]]:
    stops = stops_of(records)
    rows = []
    for site in counts:
        here = stops.get(site.site_id, [])
        placed = [visit for visit in here if due_by is None or covers(visit, due_by)]
        is_picked = site.site_id in picked if picked is not None else not placed
        rows.append(
            {"count": site, "site": records[site.site_id], "placed": placed, "short": [] if placed else here,
             "is_picked": is_picked and not placed}
        )  # fmt: skip
    return rows


def _pull(request: PersonRequest, form: PullForm, source: Source, chosen: list[Site], grave: set[int]) -> list[Round]:
    now = timezone.now()
    into = form.cleaned_data["into"]
    if into is not None:
        return [
            pull_into_round(
                round=into, sites=chosen, due_by=source.due_by, seen_version=into.version, by=request.user, at=now
            )
        ]
    pull = Pull(form.plan(), form.cleaned_data["n_a_day"], source.due_by)
    return pull_into_rounds(pull=pull, sites=chosen, grave=grave, by=request.user, at=now, today=timezone.localdate())


def _told(request: PersonRequest, made: list[Round], source: Source) -> HttpResponse:
    """Say what was made and which days are too full, and lead to the round, or back where there are several."""
    rounds = Round.objects.visible_to(request.user).for_plan().filter(pk__in=[round.pk for round in made])
    for round in rounds.order_by("day", "number"):
        plan = day_plan(round, round.stops)
        of_day, of_stop = warnings_of(round, round.stops, plan)
        text = _("%(round)s, %(day)s: %(n)s stops, being planned.") % {
            "round": round, "day": day_in_year_said(round.day), "n": len(round.stops),
        }  # fmt: skip
        n_more = sum(len(texts) for texts in of_stop.values())
        more = " " + _("%(n)s more to look at on its page.") % {"n": n_more} if n_more else ""
        if of_day or n_more:
            messages.warning(request, " ".join([text, *of_day]) + more)
        else:
            messages.success(request, text)
    return redirect(made[0]) if len(made) == 1 else redirect(source.back)
