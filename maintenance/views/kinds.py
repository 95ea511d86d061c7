"""Pages of what is known of each kind of battery in each kind of transmitter."""

from __future__ import annotations

from typing import Any

import numpy as np
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_safe

from company import palette
from company.access import PersonRequest, audience
from company.htmx import page
from company.lists import ordered, page_of
from maintenance.models import Backtest, BatteryFit, LotFit, StratumFit
from maintenance.querysets import kinds as reads
from maintenance.querysets.backtest import outcome_rows, telling_lots, tested_fit
from maintenance.rules import kinds_words as words
from maintenance.rules.battery.fleet import FleetFit
from maintenance.rules.battery.other_causes import other_causes
from maintenance.rules.battery.posterior import learn
from maintenance.rules.charts_honesty import Lives, lives_chart
from maintenance.rules.honesty_page import counted_words, half_year_groups, lot_groups
from maintenance.rules.honesty_words import RANGE_WORDS, count_words

CURVE_TO = 1.5
"""Charge used up to which the picture is drawn: hardly any battery lasts longer."""
KINDS_CHOICES = {
    "": gettext_lazy("every kind"),
    "ended": gettext_lazy("with ends seen"),
    "alarm": gettext_lazy("in alarm"),
    "service": gettext_lazy("in service now"),
}


@audience("office", "technician")
@require_safe
def kinds(request: PersonRequest) -> HttpResponse:
    fit = BatteryFit.objects.visible_to(request.user).filter(is_current=True).first()
    rows = reads.for_list(StratumFit.objects.visible_to(request.user).filter(fit__is_current=True))
    asked, choice = request.GET.get("q", "").strip()[:80], request.GET.get("show", "")
    rows = reads.narrowed(reads.matching(rows, asked), choice)
    rows, sort = ordered(rows, request, reads.COLUMNS, default="-service")
    shown = page_of(rows, request)
    for kind in shown.object_list:
        kind.points = words.risk_lines(vars(kind), words.RISKS_SHORT)
    context = {
        "fit": fit,
        "page": shown,
        "q": asked,
        "show": choice,
        "is_narrowed": bool(asked or choice),
        "choices": KINDS_CHOICES,
        "sort": sort,
        "section": "due",
    }
    return page(request, "maintenance/kinds/list.html", context, part="rows")


@audience("office", "technician")
@require_safe
def kind_detail(request: PersonRequest, pk: int) -> HttpResponse:
    strata = StratumFit.objects.visible_to(request.user)
    kind = get_object_or_404(strata.select_related("fit", "transmitter_type", "battery_type"), pk=pk)
    if not kind.fit.is_current and (now := reads.same_kind(strata, kind)):
        return redirect("maintenance:kind_detail", pk=now.pk)
    here = {"transmitter_type": kind.transmitter_type_id, "battery_type": kind.battery_type_id}
    tested = tested_fit(Backtest.objects.visible_to(request.user))
    tests = Backtest.objects.visible_to(request.user).filter(fit=tested, is_measured=kind.is_measured, **here)
    lots = LotFit.objects.visible_to(request.user).filter(stratum=kind)
    siblings = strata.filter(fit=kind.fit, **here).exclude(pk=kind.pk)
    context: dict[str, Any] = {
        "kind": kind,
        "counted": counted_words(kind.is_measured),
        "sibling": siblings.first(),
        "sentence": words.kind_sentence(kind.u_10, kind.n_ends),
        "expected": count_words(kind.expected),
        "sleep": words.sleep_words(kind.sleep_multiplier, kind.n_ends),
        "alarm": words.alarm_words(kind.z) if kind.in_alarm else "",
        "points": [(risk, used) for risk, used in words.risk_lines(vars(kind)) if used],
        "limits": words.limit_lines(kind.limits),
        "dead_share": words.promise_words(kind.dead_share),
        "grace": words.grace_words(kind.facts["grace"]) if "grace" in kind.facts else "",
        "chart": _picture(kind),
        "other": _other_causes(kind, strata.filter(fit=kind.fit)),
        "halves": half_year_groups(outcome_rows(tests)) if tested else [],
        "lots": lot_groups(telling_lots(lots)),
        "n_lots": lots.count(),
        "range_words": RANGE_WORDS,
        "colour": palette.LIGHT,
        "section": "due",
    }
    return page(request, "maintenance/kinds/detail.html", context)


def _picture(kind: StratumFit) -> Lives | None:
    """Survival picture; None once the night has dropped the posterior of an old fit."""
    if not kind.posterior:
        return None
    fit = FleetFit.from_rows([bytes(kind.posterior)])
    u = np.linspace(0.0, CURVE_TO, 121)
    survival = 1.0 - fit.failed(np.zeros(len(u), dtype=np.int64), u)
    known_to = words.latest_limit(kind.limits, kind.u_10 or CURVE_TO)
    return lives_chart(u, survival, learn().survival(u), words.risk_points(vars(kind)), known_to=known_to)


def _other_causes(kind: StratumFit, strata: Any) -> dict[str, Any] | None:
    """Ends that were not wear, per 1,000 device-years of every transmitter with these cells."""
    sums = reads.other_cause_sums(strata)
    place = next((i for i, (pk, _, _) in enumerate(sums) if pk == kind.battery_type_id), None)
    if place is None or not sums[place][2]:
        return None
    found = other_causes([n for _, n, _ in sums], [days for _, _, days in sums])
    return words.other_words(
        int(found.n[place]), float(found.days[place]), float(found.low[place]), float(found.high[place]),
        in_alarm=bool(found.in_alarm[place]),
    )  # fmt: skip
