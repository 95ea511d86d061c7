"""Forms of the firm's own pages: they clean what was typed; actions decide and write."""

from __future__ import annotations

from datetime import time
from typing import Any

from django import forms
from django.contrib.auth.models import AnonymousUser

from company.models import Contact, Customer, Firm, RiskPolicy, Technician, User
from company.models.firm import Duty

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


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


class PersonForm(forms.ModelForm):
    class Meta:
        model = User
        fields: tuple[str, ...] = ("name", "email", "phone", "audience", "is_manager", "is_active")
        labels = {"audience": "Works in", "email": "E-mail address"}
        help_texts = {"is_active": "Switch off for a person who has left: what they did stays on record."}

    def clean_email(self) -> str:
        return self.cleaned_data["email"].strip().lower()

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if cleaned.get("is_manager") and cleaned.get("audience") not in (None, User.Audience.OFFICE):
            self.add_error("is_manager", "Only a person of the office can be a manager.")
        return cleaned


class NewPersonForm(PersonForm):
    class Meta(PersonForm.Meta):
        fields = ("name", "email", "phone", "audience", "is_manager")


class HoursForm(forms.Form):
    """From and to for each weekday; both empty means closed or not at work."""

    def __init__(self, *args: Any, spans: dict[int, tuple[time, time]] | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for weekday, name in enumerate(WEEKDAYS):
            span = (spans or {}).get(weekday)
            for end, label in (("from", "from"), ("to", "to")):
                self.fields[f"d{weekday}_{end}"] = forms.TimeField(
                    label=f"{name} {label}",
                    required=False,
                    initial=span[end == "to"] if span else None,
                    widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
                )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        for weekday, name in enumerate(WEEKDAYS):
            begins, ends = cleaned.get(f"d{weekday}_from"), cleaned.get(f"d{weekday}_to")
            if self.errors.keys() & {f"d{weekday}_from", f"d{weekday}_to"}:
                continue
            if (begins is None) != (ends is None):
                missing = "from" if begins is None else "to"
                self.add_error(f"d{weekday}_{missing}", f"Give both times of {name}, or neither.")
            elif begins is not None and ends <= begins:
                self.add_error(f"d{weekday}_to", f"{name} must end after it begins.")
        return cleaned

    def spans(self) -> dict[int, tuple[time, time] | None]:
        """Cleaned hours per weekday, None where there are none."""
        cleaned = self.cleaned_data
        return {
            day: (cleaned[f"d{day}_from"], cleaned[f"d{day}_to"]) if cleaned[f"d{day}_from"] else None
            for day in range(7)
        }

    def rows(self) -> list[tuple[str, Any, Any]]:
        """Per weekday: its name and the two fields, for the template."""
        return [(name, self[f"d{day}_from"], self[f"d{day}_to"]) for day, name in enumerate(WEEKDAYS)]


class TechnicianForm(forms.ModelForm):
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
        labels = {"start_place": "The day begins at", "end_place": "The day ends at"}


class CustomerForm(forms.ModelForm):
    class Meta:
        model = Customer
        fields = ("code", "name", "language", "paper", "inspections_per_year", "response_hours", "note")
        widgets = {
            "note": forms.Textarea(attrs={"rows": 3}),
            "language": forms.Select(choices=[("en", "English")]),
        }
        help_texts = {
            "code": "Short and unique; imports find the customer by it.",
            "note": "For the office only: the customer never sees it.",
        }

    def clean_code(self) -> str:
        return self.cleaned_data["code"].strip()


class ContactForm(forms.ModelForm):
    class Meta:
        model = Contact
        fields = ("name", "role", "email", "phone", "gets_reports", "gets_notices")
        labels = {"email": "E-mail address"}

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if (cleaned.get("gets_reports") or cleaned.get("gets_notices")) and not cleaned.get("email"):
            self.add_error("email", "Mail needs an address.")
        return cleaned


class PortalAccessForm(forms.Form):
    user = forms.ModelChoiceField(label="Person", queryset=User.objects.none(), empty_label="Choose a person")
    is_limited = forms.BooleanField(label="Only some sites", required=False, help_text="Choose them afterwards.")

    def __init__(self, *args: Any, for_user: User | AnonymousUser, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        people = self.fields["user"]
        assert isinstance(people, forms.ModelChoiceField)
        people.queryset = User.objects.visible_to(for_user).portal_people()


class PortalPersonForm(forms.ModelForm):
    """A new person of a customer, who gets access to it at once."""

    is_limited = forms.BooleanField(label="Only some sites", required=False, help_text="Choose them afterwards.")

    class Meta:
        model = User
        fields = ("name", "email", "phone")
        labels = {"email": "E-mail address"}

    def clean_email(self) -> str:
        return self.cleaned_data["email"].strip().lower()


class ReasonForm(forms.Form):
    reason = forms.CharField(max_length=300, label="Why")
