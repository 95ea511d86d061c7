"""Fields for figures of types: shares in percent, lengths of time with their unit, words with commas between."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext

from company.cells import WrongCell, read_span_s, say_span

DAY_S = 86400
LONGEST_S = 30 * DAY_S


class PercentField(forms.FloatField):
    """A share of 0 to 1, typed and shown as 0 to 100 %."""

    def __init__(self, *, least: float = 0.0, **kwargs: Any) -> None:
        super().__init__(min_value=least, max_value=100, **kwargs)

    def prepare_value(self, value: Any) -> Any:
        return f"{100 * value:.6g}" if isinstance(value, (int, float)) else value

    def clean(self, value: Any) -> Any:
        percent = super().clean(value)
        return None if percent is None else round(percent / 100, 8)


class SpanField(forms.CharField):
    """A length of time with its unit, such as 4 h, 90 min or 200 s; kept in whole seconds."""

    def __init__(self, *, least_s: int = 1, most_s: int = LONGEST_S, **kwargs: Any) -> None:
        self.least_s, self.most_s = least_s, most_s
        super().__init__(max_length=20, **kwargs)

    def prepare_value(self, value: Any) -> Any:
        return say_span(value) if isinstance(value, int) else value

    def clean(self, value: Any) -> Any:
        text = super().clean(value)
        return self._seconds(text) if text else None

    def _seconds(self, text: str) -> int:
        try:
            seconds = read_span_s(text)
        except WrongCell as error:
            raise ValidationError(str(error)) from error
        if not self.least_s <= seconds <= self.most_s:
            spans = {"least": say_span(self.least_s), "most": say_span(self.most_s)}
            raise ValidationError(gettext("Give %(least)s to %(most)s.") % spans)
        return seconds


class SpansField(SpanField):
    """Several lengths of time with commas between; kept as a sorted list of seconds."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.max_length = 200
        self.widget.attrs.pop("maxlength", None)
        self.validators = [one for one in self.validators if getattr(one, "limit_value", None) != 20]

    def prepare_value(self, value: Any) -> Any:
        return ", ".join(say_span(int(one)) for one in sorted(value)) if isinstance(value, list) else value

    def clean(self, value: Any) -> Any:
        text = forms.CharField.clean(self, value)
        return sorted({self._seconds(one.strip()) for one in text.split(",") if one.strip()})


class WordsField(forms.CharField):
    """Several words with commas between; kept as a list."""

    def prepare_value(self, value: Any) -> Any:
        return ", ".join(value) if isinstance(value, list) else value

    def clean(self, value: Any) -> Any:
        return [one.strip()[:40] for one in super().clean(value).split(",") if one.strip()][:20]
