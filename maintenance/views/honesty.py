"""Page "Are we honest?": what was predicted against what happened, as a page and as a table for spreadsheets."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from company import palette
from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page
from company.models import Job, RiskPolicy
from company.spreadsheets import csv_bytes
from maintenance.actions.backtest import ask_for_backtest, key_of
from maintenance.models import Backtest, BatteryFit, LotFit, StratumFit
from maintenance.querysets.backtest import kinds_by_key, outcome_rows, strata_in_alarm, telling_lots, tested_fit
from maintenance.rules.charts_honesty import ratio_chart
from maintenance.rules.honesty_page import TABLE_HEADER, Honesty, health_words, honesty_tables, lot_groups, table_lines
from maintenance.rules.honesty_words import RANGE_WORDS, by_chance_words
from maintenance.rules.kinds_words import alarm_words

KINDS_SHOWN = 8


@audience("office", "technician")
@require_safe
def honesty(request: PersonRequest) -> HttpResponse:
    tested = tested_fit(Backtest.objects.visible_to(request.user))
    current = BatteryFit.objects.visible_to(request.user).filter(is_current=True).first()
    strata = StratumFit.objects.visible_to(request.user).filter(fit=current) if current else None
    context: dict[str, Any] = {
        "tested": tested,
        "current": current,
        "job": _job(request, current),
        "range_words": RANGE_WORDS,
        "colour": palette.LIGHT,
        "section": "due",
    }
    if strata is not None:
        lots = LotFit.objects.visible_to(request.user).filter(fit=current)
        alarms = strata_in_alarm(strata)
        context |= {
            "alarms": [(kind, alarm_words(kind.z)) for kind in alarms],
            "lots": lot_groups(telling_lots(lots)),
            "health": health_words(list(lots.values_list("observed", "expected"))),
        }
    if told := _told(request, tested):
        shown = [told.whole, *told.duties, *told.halves]
        context |= {
            "told": told,
            "chart": ratio_chart(shown),
            "shown": shown,
            "kinds": told.kinds[:KINDS_SHOWN],
            "n_more": len(told.kinds) - KINDS_SHOWN,
            "by_chance": by_chance_words(told.kinds),
        }
    return page(request, "maintenance/honesty/page.html", context)


def _told(request: PersonRequest, tested: BatteryFit | None) -> Honesty | None:
    if tested is None:
        return None
    rows = outcome_rows(Backtest.objects.visible_to(request.user).filter(fit=tested))
    limits = dict(RiskPolicy.objects.visible_to(request.user).values_list("duty", "p_dead"))
    pks = kinds_by_key(StratumFit.objects.visible_to(request.user).filter(fit__is_current=True))
    return honesty_tables(rows, limits, pks)


def _job(request: PersonRequest, fit: BatteryFit | None) -> Job | None:
    """The test of the present fit, where it has been asked for."""
    if fit is None or not request.user.is_office:
        return None
    return Job.objects.visible_to(request.user).filter(key=key_of(fit)).first()


@audience("office", "technician")
@require_safe
def honesty_csv(request: PersonRequest) -> HttpResponse:
    """Every half-year × kind × duty of the newest test, for spreadsheets."""
    tested = tested_fit(Backtest.objects.visible_to(request.user))
    rows = outcome_rows(Backtest.objects.visible_to(request.user).filter(fit=tested)) if tested else []
    kinds = kinds_by_key(StratumFit.objects.visible_to(request.user).filter(fit__is_current=True))
    answer = HttpResponse(csv_bytes(TABLE_HEADER, table_lines(rows, kinds)), content_type="text/csv; charset=utf-8")
    name = f"predicted-and-happened-{tested.as_of}" if tested else "predicted-and-happened"
    answer.headers["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    return answer


@audience("office")
@require_POST
def honesty_again(request: PersonRequest) -> HttpResponse:
    """Ask for a test of the present fit now instead of waiting for the week's."""
    fit = BatteryFit.objects.visible_to(request.user).filter(is_current=True).first()
    try:
        ask_for_backtest(fit=fit, by=request.user, at=timezone.now())
    except Refused as refusal:
        messages.error(request, refusal.message)
    else:
        messages.success(request, _("The predictions are being tested. The page shows the result when it is done."))
    return redirect("maintenance:honesty")
