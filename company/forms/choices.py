"""Choices of several records."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

LARGEST_KEY = 2**63 - 1


class SeveralField(forms.ModelMultipleChoiceField):
    """Several records; a number beyond every key is a choice that is not there.

    Django asks the database for all keys at once, and SQLite's driver raises OverflowError on such a number.
    """

    def _check_values(self, value: Any) -> Any:
        for key in value if isinstance(value, (list, tuple)) else ():
            text = str(key).strip()
            if text.lstrip("-").isdecimal() and (len(text) > 20 or abs(int(text)) > LARGEST_KEY):
                raise ValidationError(self.error_messages["invalid_choice"], "invalid_choice", {"value": text[:40]})
        return super()._check_values(value)  # type: ignore[misc]
