"""The hours of a week in which a site can be visited: one line a weekday, as many spans as the day has."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _

from company.drawn import Drawn, Overtaken, seal
from company.forms import WEEKDAYS
from company.forms.drawn import DrawnField
from sites.rules.hours import Hours, HoursUnreadable, day_text, read_hours

SAME = "same"
"""What is typed for a day with the hours of the day above."""

MAX_CHARS = 120

NAMES = [f"weekday {day}" for day in range(len(WEEKDAYS))]


class HoursLine(forms.CharField):
    """The spans of one weekday, typed; cleaned to spans, or to `SAME`."""

    def __init__(self, *, weekday: int, spans: Sequence[Hours]) -> None:
        super().__init__(
            label=WEEKDAYS[weekday], required=False, max_length=MAX_CHARS, initial=day_text(spans),
            widget=forms.TextInput(attrs={"autocomplete": "off"}),
        )  # fmt: skip

    def clean(self, value: Any) -> Any:
        text = super().clean(value)
        if text.strip().lower() == SAME:
            return SAME
        try:
            return read_hours(text)
        except HoursUnreadable as wrong:
            raise ValidationError(str(wrong)) from wrong


class WeekForm(forms.Form):
    """One line a weekday; empty is a day without visits."""

    drawn_from = DrawnField()

    def __init__(
        self, *args: Any, week: Mapping[int, Sequence[Hours]], facts: Mapping[str, str], **kwargs: Any
    ) -> None:
        """`facts` are the same hours as `sites.actions.hours_facts` names them, to tell later what this was drawn from."""
        super().__init__(*args, **kwargs)
        self.initial["drawn_from"] = " ".join(seal(facts.get(name, "")) for name in NAMES)
        for day in range(len(WEEKDAYS)):
            self.fields[f"d{day}"] = HoursLine(weekday=day, spans=week.get(day, ()))

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        for day in range(len(WEEKDAYS)):
            if cleaned.get(f"d{day}") != SAME:
                continue
            if day == 0:
                self.add_error("d0", _("There is no day above Monday. Write its hours, such as 09:00–12:00."))
            elif f"d{day - 1}" in cleaned:
                cleaned[f"d{day}"] = cleaned[f"d{day - 1}"]
        return cleaned

    def week(self) -> dict[int, tuple[Hours, ...]]:
        """Cleaned spans per weekday (0 = Monday)."""
        return {day: self.cleaned_data[f"d{day}"] for day in range(len(WEEKDAYS))}

    def drawn(self) -> Drawn | None:
        """What the form was drawn from, day by day, for the action to compare under its lock."""
        field = self.fields["drawn_from"]
        assert isinstance(field, DrawnField)
        return field.read(self.cleaned_data["drawn_from"], NAMES)

    def typed(self, refusal: Overtaken) -> dict[str, str]:
        """What stays in the form that is drawn anew: all but the days that somebody else changed and this person did not."""
        days = (day for day, name in enumerate(NAMES) if name not in refusal.names or self._is_touched(day))
        return {f"d{day}": self.data.get(f"d{day}", "") for day in days}

    def told(self, refusal: Overtaken) -> list[tuple[Any, str]]:
        """Weekdays that somebody else changed, with the hours on record now."""
        return [
            (WEEKDAYS[day], refusal.now.get(name, "").replace("-", "–") or _("none"))
            for day, name in enumerate(NAMES)
            if name in refusal.names
        ]

    def _is_touched(self, day: int) -> bool:
        text = ", ".join(f"{opens:%H:%M}-{closes:%H:%M}" for opens, closes in self.week()[day])
        return seal(text) != (self.drawn() or {})[NAMES[day]]
