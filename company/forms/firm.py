"""Forms of the firm's letterhead, prices and policy."""

from __future__ import annotations

from typing import Any

from django import forms

from company.models import Firm, RiskPolicy
from company.models.firm import Duty


class FirmForm(forms.ModelForm):
    class Meta:
        model = Firm
        fields = (
            "name",
            "address",
            "phone",
            "email",
            "paper",
            "currency",
            "cost_per_hour",
            "cost_per_km",
            "cost_per_callout",
            "notes_on_phones",
        )
        widgets = {"address": forms.Textarea(attrs={"rows": 3})}
        labels = {
            "name": "Name of the firm",
            "email": "E-mail",
            "cost_per_hour": "Cost of an hour",
            "cost_per_km": "Cost of a kilometre",
            "cost_per_callout": "Cost of a call-out",
        }
        help_texts = {
            "name": "Stands on every page and paper.",
            "currency": "Three letters, such as GBP.",
            "notes_on_phones": "Only for a visit within two days, and each showing is logged.",
        }

    def clean_currency(self) -> str:
        return self.cleaned_data["currency"].upper()


OURS = ("suggestion of this product", "own suggestion")
"""Notes of figures that no manager has entered: they do not stay beside figures that one has."""
OWN_FIGURES = {"p_dead", "p_call", "grace_days", "calendar_cap_days", "longest_window_h"}


class PolicyForm(forms.ModelForm):
    longest_window_h = forms.FloatField(
        label="Longest supervision window [h]", required=False, min_value=0.01, max_value=240,
        help_text="Empty: this duty class asks for no supervision.",
    )  # fmt: skip
    reason = forms.CharField(label="Why it is changed", max_length=300)
    seen = forms.CharField(widget=forms.HiddenInput, max_length=64)

    class Meta:
        model = RiskPolicy
        fields = ("p_dead", "p_call", "grace_days", "calendar_cap_days", "source_note")
        labels = {"source_note": "Where these figures come from"}
        help_texts = {
            "source_note": "Such as “own figures”, a contract, or the title of a standard with its clause.",
            "calendar_cap_days": "Batteries are changed after so many days whatever the estimate says.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["seen"].initial = self.instance.seen
        if self.instance.longest_window_s:
            self.fields["longest_window_h"].initial = self.instance.longest_window_s / 3600

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        hours = cleaned.get("longest_window_h")
        if self.instance.duty == Duty.LIFE_SAFETY and hours is None and "longest_window_h" not in self.errors:
            self.add_error(
                "longest_window_h", "Life safety needs a longest window: an unwatched slot is never in order."
            )
        self.instance.longest_window_s = round(hours * 3600) if hours else None
        dead, call = cleaned.get("p_dead"), cleaned.get("p_call")
        if dead is not None and call is not None and dead > call:
            self.add_error(
                "p_dead",
                f"Must not be above the share signalling low ({call:g}), since those found dead have ended, too.",
            )
        if cleaned.get("source_note", "").startswith(OURS) and set(self.changed_data) & OWN_FIGURES:
            cleaned["source_note"] = "own figures"
        return cleaned
