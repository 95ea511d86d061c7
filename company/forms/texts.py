"""Text as people type and paste it: what no screen shows is refused before anything is kept."""

from __future__ import annotations

from django import forms
from django.core.exceptions import ValidationError
from django.core.validators import MaxLengthValidator
from django.utils.translation import gettext as _

from company.cells import is_unprinted


def printable(value: str) -> None:
    """Refuse controls and marks that turn the reading direction; a validator of form fields."""
    for place, char in enumerate(str(value), start=1):
        if is_unprinted(char):
            raise ValidationError(
                _("Character %(place)s cannot be printed (U+%(code)04X). Type the text instead of pasting it.")
                % {"place": place, "code": ord(char)}
            )


def refuse_unprinted_text() -> None:
    """Make every text field of every form refuse what cannot be printed, as imports do.

    A mark that turns the reading direction would print a telephone number backwards on a lid label.
    """
    if printable not in forms.CharField.default_validators:
        forms.CharField.default_validators = [*forms.CharField.default_validators, printable]


def at_most(form: forms.BaseForm, **lengths: int) -> None:
    """Limit free texts of a form to so many characters each: a page shows them whole."""
    for name, length in lengths.items():
        field = form.fields[name]
        field.validators.append(MaxLengthValidator(length))
        field.widget.attrs["maxlength"] = length


def without_unprinted(text: str) -> str:
    """The text less what cannot be printed: for words that are only looked for."""
    return "".join(char for char in text if not is_unprinted(char))
