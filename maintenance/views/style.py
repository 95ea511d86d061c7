"""The style page: every part of the pages once, with made-up contents, for whoever builds or checks a page."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from django import forms
from django.conf import settings
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.views.decorators.http import require_safe

from company import palette
from company.access import audience
from company.htmx import page
from devices.rules.findings_facts import WeakLink
from maintenance.rules.charts import WORDS, WeekCount, week_bars
from maintenance.rules.charts_checkins import DayHeard, strip_of
from maintenance.rules.charts_life import UseByDate, life_chart
from maintenance.rules.charts_policy import policy_chart

ICONS = sorted(path.stem for path in (Path(settings.BASE_DIR) / "templates" / "icons").glob("*.svg"))
DUE = (
    ("late", "late 12 d", "life_safety"),
    ("late", "late 3 d", "security"),
    ("soon", "due 9 Mar", "security"),
    ("planned", "planned 2 Apr", "security"),
    ("later", "due 30 May", "convenience"),
    ("fine", "due Sep 2030", "convenience"),
    ("none", "no estimate", "security"),
)


class SampleForm(forms.Form):
    """One field of every kind, one of them refused."""

    name = forms.CharField(help_text="As people on the site call it.")
    minutes = forms.IntegerField(label="Minutes on site", required=False)
    day = forms.DateField(widget=forms.DateInput(attrs={"type": "date"}))
    duty = forms.ChoiceField(choices=[("life_safety", "Life safety"), ("security", "Security")])
    note = forms.CharField(widget=forms.Textarea(attrs={"rows": 2}), required=False)
    is_portable = forms.BooleanField(label="Leaves the site", required=False)
    days = forms.MultipleChoiceField(
        label="Weekdays", choices=[("0", "Monday"), ("1", "Tuesday")], widget=forms.CheckboxSelectMultiple
    )
    picture = forms.FileField(label="Picture", required=False)


@dataclass(frozen=True, slots=True)
class Sample:
    """A message as the toast part takes it."""

    text: str
    level_tag: str
    extra_tags: str = ""

    def __str__(self) -> str:
        return self.text


@audience("office", "technician")
@require_safe
def style(request: HttpRequest) -> HttpResponse:
    """Show every part once. Nothing here is a record; buttons that would send go nowhere."""
    today = timezone.localdate()
    numbers = Paginator(range(1, 200), 25).page(2)
    form = SampleForm({"name": "", "minutes": "many", "day": "2026-02-30", "duty": "security"}, auto_id="sample-%s")
    return page(
        request,
        "maintenance/style/page.html",
        {
            "form": form,
            "icons": ICONS,
            "due": DUE,
            "months": [0.5, 4.0, 11.0, 30.0, None],
            "light": sorted(palette.LIGHT.items()),
            "toasts": [
                Sample("Saved: Lantern House.", "success"),
                Sample("Removed: pin of slot 12.", "success", f"undo:{request.path}"),
                Sample("No connection. Nothing was sent.", "error"),
            ],
            "page": numbers,
            "colour": palette.LIGHT,
            "kinds": WORDS,
            **_charts(today),
        },
    )


def _charts(today: date) -> dict[str, Any]:
    """One drawing of each kind from invented figures."""
    monday = today - timedelta(days=today.weekday())
    names = list(WORDS)
    counts = [{name: (3 * i + k) % 4 for k, name in enumerate(names)} for i in range(8)]
    weeks = [WeekCount(monday + timedelta(weeks=i - 1) if i else None, found) for i, found in enumerate(counts)]
    days = [
        DayHeard(today - timedelta(days=i), 0 if i == 20 else 24 - i % 3, 24, i % 5, 0)
        for i in range(89, -1, -1)
    ]  # fmt: skip
    outages = {today - timedelta(days=n) for n in (50, 51)}
    weak = WeakLink(today - timedelta(days=30), today - timedelta(days=24), False, 0.97, 0.9)
    u = np.linspace(0.0, 1.6, 60)
    ended = 1 - np.exp(-((u / 1.1) ** 6))
    use = UseByDate([(today - timedelta(days=700), 0.0), (today, 0.6)], 0.6 / 700)
    q = np.linspace(0.01, 0.3, 30)
    return {
        "chart": week_bars(weeks, today=today),
        "by_week": weeks,
        "strip": strip_of(days, today, outages=outages, weak=weak),
        "life": life_chart(
            u, ended, ended * 0.8, np.minimum(1, ended * 1.2 + 0.01), use=use, u_limit=0.9,
            due_on=today + timedelta(days=300),
        ),
        "policy": policy_chart(list(q), list(100 - 60 * q), list(40 * q**1.5), q_now=0.1),
    }  # fmt: skip
