"""Form field of a length: typed in the firm's unit or with a unit of its own, cleaned to metres."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext

from company.lengths import WrongLength, read_length_m, typed_length
from company.manner import manner


class LengthField(forms.CharField):
    """Text box that cleans to metres (None when empty). Begin it with `begin(form, name, kept_m)`.

    A length kept in metres rarely makes a round figure in feet, so a text that was not touched gives back exactly what
    was kept.
    """

    widget = forms.TextInput

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(max_length=30, **kwargs)
        self.kept_m: float | None = None

    def to_python(self, value: Any) -> Any:
        typed: str = super().to_python(value) or ""
        if not typed:
            return None
        unit = manner().units
        if self.kept_m is not None and typed == typed_length(self.kept_m, unit):
            return self.kept_m
        try:
            return read_length_m(typed, unit)
        except WrongLength as wrong:
            raise forms.ValidationError(str(wrong)) from None

    def validate(self, value: Any) -> None:
        """Only what `to_python` refuses is wrong; lengths of text do not concern metres."""
        if value is None and self.required:
            raise forms.ValidationError(self.error_messages["required"], code="required")

    def run_validators(self, value: Any) -> None:
        """The validators of a text do not fit a figure."""

    def clean(self, value: Any) -> Any:
        """Take a text, give metres."""
        if isinstance(value, str) and len(value) > 30:
            raise forms.ValidationError(
                gettext("A length takes 30 characters at the most. Write it like 50 m or 160 ft.")
            )
        return super().clean(value)


def begin(form: forms.BaseForm, name: str, kept_m: float | None) -> None:
    """Show what is kept in the firm's unit, and say the unit beside the label."""
    field = form.fields[name]
    assert isinstance(field, LengthField)
    unit = manner().units
    field.kept_m, field.label = kept_m, f"{field.label} [{unit}]"
    if kept_m is not None:
        form.initial[name] = typed_length(kept_m, unit)
