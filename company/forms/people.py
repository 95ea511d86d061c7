"""Forms of people: the manager's, and those of one's own page."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from company.forms.drawn import DrawnForm
from company.models import User


class PersonForm(DrawnForm):
    class Meta:
        model = User
        fields: tuple[str, ...] = ("name", "email", "phone", "audience", "is_manager")
        labels = {"audience": gettext_lazy("Works in"), "email": gettext_lazy("E-mail address")}

    def clean_email(self) -> str:
        return self.cleaned_data["email"].strip().lower()

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if cleaned.get("is_manager") and cleaned.get("audience") not in (None, User.Audience.OFFICE):
            self.add_error("is_manager", _("Only a person of the office can be a manager."))
        return cleaned


class ProfileForm(forms.ModelForm):
    class Meta:
        model = User
        fields = ("name", "phone")


class ThemeForm(forms.ModelForm):
    class Meta:
        model = User
        fields = ("theme",)
        widgets = {"theme": forms.RadioSelect}
