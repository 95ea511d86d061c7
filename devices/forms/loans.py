"""Another day of return for a unit on loan."""

from __future__ import annotations

from django import forms
from django.utils.translation import gettext_lazy

from company.forms.days import sensible_day
from devices.forms.plans import WhyForm


class LoanForm(WhyForm):
    """The day on which a unit on loan goes back; empty where it stays."""

    until_on = forms.DateField(
        label=gettext_lazy("On loan until"), required=False, validators=[sensible_day],
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        help_text=gettext_lazy("Empty: it stays, and is no loan any more."),
    )  # fmt: skip
    seen_until = forms.DateField(required=False, widget=forms.HiddenInput)
    field_order = ("until_on", "reason", "seen_until")
