"""Forms of pins on floor plans."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _


class PinForm(forms.Form):
    """Which slot, and where on the picture, in per cent from the left and from the top."""

    place = forms.ChoiceField(
        label=_("Slot or receiver"), error_messages={"invalid_choice": _("Choose one of the list.")}
    )
    x = forms.DecimalField(label=_("From the left, %"), min_value=0, max_value=100, max_digits=5, decimal_places=2)
    y = forms.DecimalField(label=_("From the top, %"), min_value=0, max_value=100, max_digits=5, decimal_places=2)

    def __init__(self, *args: Any, groups: Sequence[tuple[str, Sequence[tuple[str, str]]]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["place"]
        assert isinstance(field, forms.ChoiceField)
        field.choices = [("", "Choose"), *((title, list(rows)) for title, rows in groups if rows)]
        for name in ("x", "y"):
            self.fields[name].widget.attrs.update(step="0.1", inputmode="decimal")

    def permille(self, name: str) -> int:
        """The number given, in thousandths."""
        return round(self.cleaned_data[name] * 10)


class PictureForm(forms.Form):
    """A picture to put in the place of another."""

    picture = forms.FileField(
        help_text=_("PNG, JPEG or WebP, up to 8 MB, cut like the old one: the pins keep their places."),
        widget=forms.FileInput(attrs={"accept": "image/png,image/jpeg,image/webp"}),
        error_messages={"required": _("Choose a picture first."), "empty": _("The file is empty.")},
    )
