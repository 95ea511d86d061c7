"""Forms of a technician's days."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from company.forms.days import sensible_day
from company.models import Technician

MOST_DAYS_OFF = 370
"""Days off in one go: more is a slip of the pen."""


def _degrees(most: int, label: Any) -> forms.FloatField:
    return forms.FloatField(
        label=label, required=False, min_value=-most, max_value=most, widget=forms.NumberInput(attrs={"step": "any"})
    )


class TechnicianForm(forms.ModelForm):
    start_latitude = _degrees(90, gettext_lazy("Start latitude"))
    start_longitude = _degrees(180, gettext_lazy("Start longitude"))
    end_latitude = _degrees(90, gettext_lazy("End latitude"))
    end_longitude = _degrees(180, gettext_lazy("End longitude"))

    class Meta:
        model = Technician
        fields = (
            "start_place",
            "start_latitude",
            "start_longitude",
            "end_place",
            "end_latitude",
            "end_longitude",
            "skills",
        )
        labels = {"start_place": gettext_lazy("The day begins at"), "end_place": gettext_lazy("The day ends at")}

    def clean(self) -> dict[str, Any]:
        """Half a position is none."""
        cleaned = super().clean() or {}
        for which in ("start", "end"):
            pair = (f"{which}_latitude", f"{which}_longitude")
            missing = [name for name in pair if cleaned.get(name) is None]
            if len(missing) == 1 and missing[0] not in self.errors:
                self.add_error(missing[0], _("A position needs both numbers."))
        return cleaned

    def clean_skills(self) -> str:
        """Each skill once, in the order given."""
        words = [" ".join(word.split()) for word in self.cleaned_data["skills"].split(",")]
        return ", ".join(dict.fromkeys(word.lower() for word in words if word))


class DaysOffForm(forms.Form):
    from_on = forms.DateField(
        label=gettext_lazy("First day off"), widget=forms.DateInput(attrs={"type": "date"}), validators=[sensible_day]
    )
    to_on = forms.DateField(
        label=gettext_lazy("Last day off"), required=False, validators=[sensible_day], widget=forms.DateInput(attrs={"type": "date"}),
        help_text=gettext_lazy("Empty: one day only."),
    )  # fmt: skip
    reason = forms.CharField(max_length=80, required=False, help_text=gettext_lazy("Such as leave or training."))

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        first = cleaned.get("from_on")
        last = cleaned.get("to_on") or first
        if first and last:
            if last < first:
                self.add_error("to_on", _("The last day off cannot be before the first."))
            elif (last - first).days >= MOST_DAYS_OFF:
                self.add_error("to_on", _("At most %(most)s days in one go. Check the year.") % {"most": MOST_DAYS_OFF})
        cleaned["to_on"] = last
        return cleaned

    def days(self) -> list[date]:
        """Every day meant, the last one included."""
        first, last = self.cleaned_data["from_on"], self.cleaned_data["to_on"]
        return [first + timedelta(days=n) for n in range((last - first).days + 1)]
