"""Forms of the firm's own pages: they clean what was typed; actions decide and write."""

from __future__ import annotations

from datetime import time
from typing import Any

from django import forms
from django.contrib.auth.models import AnonymousUser
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from company.forms.drawn import DrawnForm
from company.forms.firm import FirmForm, PolicyForm, languages
from company.forms.people import PersonForm
from company.forms.technicians import DaysOffForm, TechnicianForm
from company.forms.texts import at_most
from company.models import Contact, Customer, User

__all__ = ["DaysOffForm", "FirmForm", "PersonForm", "PolicyForm", "TechnicianForm"]

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


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
                self.add_error(f"d{weekday}_{missing}", _("Give both times of %(name)s, or neither.") % {"name": name})
            elif begins is not None and ends <= begins:
                self.add_error(f"d{weekday}_to", _("%(name)s must end after it begins.") % {"name": name})
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


class CustomerForm(DrawnForm):
    language = forms.ChoiceField(
        label=gettext_lazy("Language"), choices=languages,
        help_text=gettext_lazy("Of this customer's papers."),
    )  # fmt: skip

    class Meta:
        model = Customer
        fields = ("code", "name", "language", "paper", "inspections_per_year", "response_hours", "note")
        widgets = {
            "note": forms.Textarea(attrs={"rows": 3}),
        }
        help_texts = {
            "code": gettext_lazy("Short and unique; imports find the customer by it."),
            "note": gettext_lazy("For the office only: the customer never sees it."),
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        at_most(self, note=4000)
        field = self.fields["language"]
        assert isinstance(field, forms.ChoiceField)
        field.choices = languages(self.instance.language)

    def clean_code(self) -> str:
        return self.cleaned_data["code"].strip()


class ContactForm(DrawnForm):
    class Meta:
        model = Contact
        fields = ("name", "role", "email", "phone", "gets_reports", "gets_notices")
        labels = {"email": gettext_lazy("E-mail address")}

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if (cleaned.get("gets_reports") or cleaned.get("gets_notices")) and not cleaned.get("email"):
            self.add_error("email", _("Mail needs an address."))
        return cleaned


class PortalAccessForm(forms.Form):
    user = forms.ModelChoiceField(
        label=gettext_lazy("Person"), queryset=User.objects.none(), empty_label=gettext_lazy("Choose a person")
    )
    is_limited = forms.BooleanField(
        label=gettext_lazy("Only some sites"), required=False, help_text=gettext_lazy("Choose them afterwards.")
    )

    def __init__(self, *args: Any, for_user: User | AnonymousUser, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        people = self.fields["user"]
        assert isinstance(people, forms.ModelChoiceField)
        people.queryset = User.objects.visible_to(for_user).portal_people()


class PortalPersonForm(forms.ModelForm):
    """A new person of a customer, who gets access to it at once."""

    is_limited = forms.BooleanField(
        label=gettext_lazy("Only some sites"), required=False, help_text=gettext_lazy("Choose them afterwards.")
    )

    class Meta:
        model = User
        fields = ("name", "email", "phone")
        labels = {"email": gettext_lazy("E-mail address")}

    def clean_email(self) -> str:
        return self.cleaned_data["email"].strip().lower()


class ReasonForm(forms.Form):
    reason = forms.CharField(max_length=300, label=gettext_lazy("Why"))
