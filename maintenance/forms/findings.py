"""The form that lets findings rest."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from company.templatetags.days import dated
from devices.rules.words import day_words

USUAL_DAYS = 14


def read_pks(text: str) -> list[int]:
    """Keys out of "3,5,9"; what is no key is left out, and so is what goes beyond 6,000 letters."""
    # Cut between two keys: half of one would be another one's.
    kept = text if len(text) <= 6000 else text[:6000].rpartition(",")[0]
    return [int(word) for word in kept.split(",") if word.isdecimal() and len(word) < 18]


class SnoozeForm(forms.Form):
    """Until when, and why it can wait."""

    until = forms.DateField(
        label=_("Rests until the morning of"), widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={"required": _("Choose a day."), "invalid": _("Give the day as 2027-03-31.")},
    )  # fmt: skip
    reason = forms.CharField(
        label=_("Why it can wait"), max_length=200, help_text=_("Whoever looks for it reads this."),
        error_messages={"required": _("Say in a few words why this can wait.")},
    )  # fmt: skip

    def __init__(self, *args: Any, today: date, longest_days: int, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        last = today + timedelta(days=longest_days)
        until = self.fields["until"]
        until.help_text = _("At the latest %(day)s: %(longest_days)s days ahead.") % {
            "day": dated(day_words(last, today=today)),
            "longest_days": longest_days,
        }
        until.widget.attrs |= {"min": (today + timedelta(days=1)).isoformat(), "max": last.isoformat()}
        until.initial = min(today + timedelta(days=USUAL_DAYS), last)
