"""A form that knows what it was drawn from, and is drawn anew where somebody else was quicker."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from django import forms
from django.db import models
from django.utils.text import Truncator
from django.utils.translation import gettext as _

from company.drawn import N_CHARS, Drawn, Overtaken, seal
from company.errors import Refused

MOST_SHOWN = 80
"""Characters of a value that a refusal repeats: a note may hold thousands."""


class DrawnField(forms.CharField):
    """The seals of some values, hidden, in their order; anything odd stands for values that nobody has drawn."""

    def __init__(self) -> None:
        super().__init__(widget=forms.HiddenInput, required=False, max_length=(N_CHARS + 1) * 20)

    def read(self, text: str, names: list[str]) -> Drawn | None:
        """Give the seals by name; None where none came along, which asks for no check."""
        seals = text.split()
        return {name: seals[n] if n < len(seals) else "" for n, name in enumerate(names)} if seals else None


class DrawnForm(forms.ModelForm):
    """Form of one row. Its action gets `drawn()` and compares it with the row under the lock."""

    drawn_from = DrawnField()

    ALSO: ClassVar[Mapping[str, str]] = {}
    """Further fields of the form → the column that each one writes."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.columns = {name: name for name in self._meta.fields or ()} | dict(self.ALSO)
        if self.instance.pk:
            self.initial["drawn_from"] = " ".join(seal(getattr(self.instance, name)) for name in self.columns.values())
        else:
            del self.fields["drawn_from"]

    def drawn(self) -> Drawn | None:
        """What the form was drawn from, by column; None for a new row."""
        field = self.fields.get("drawn_from")
        if not isinstance(field, DrawnField):
            return None
        return field.read(self.cleaned_data["drawn_from"], list(self.columns.values()))

    def after(self, refusal: Refused) -> dict[str, Any]:
        """Context of the page that tells of a refusal.

        Overtaken, the form is drawn anew: what was typed stays, all else is what stands now, and it may be saved again.
        """
        if not isinstance(refusal, Overtaken):
            return {"refused": refusal.message}
        fresh, drawn = type(self)(instance=refusal.now), self.drawn() or {}
        changed = [name for name, column in self.columns.items() if column in refusal.names]
        typed = {
            name: self.cleaned_data[name]
            for name, column in self.columns.items()
            if column not in refusal.names or seal(getattr(self.instance, column)) != drawn[column]
        }
        told = [(fresh[name].label, _shown(refusal.now, name, fresh[name].initial)) for name in changed]
        return {"refused": overtaken_words(refusal, told), "form": type(self)(instance=refusal.now, initial=typed)}


def overtaken_words(refusal: Overtaken, told: list[tuple[Any, str]]) -> str:
    """Say what changed meanwhile, as (label, value) pairs, and what to do about it."""
    values = "; ".join(_("%(field)s: %(value)s") % {"field": label, "value": value} for label, value in told)
    now = _("On record now: %(values)s.") % {"values": values}
    return f"{refusal.message} {now} {_('What you entered is still in the form; look at it, then save again.')}"


def _shown(row: models.Model, name: str, value: Any) -> str:
    """Give a value as people read it, cut where it is long."""
    words = getattr(row, f"get_{name}_display", lambda: value)()
    if isinstance(words, bool):
        words = _("yes") if words else _("no")
    return Truncator(str(words)).chars(MOST_SHOWN) if words not in (None, "") else _("nothing")
