"""How this firm writes: language, days, lengths. Set for a request or a paper; what writes asks `manner()`.

Nothing is read from the database until something is written that depends on it, and then the request's one firm row.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.utils import timezone, translation
from django.utils.dateformat import format as date_format
from django.utils.functional import SimpleLazyObject

from company.days import DAY_MONTH, ISO, MONTH_DAY, in_style

DEFAULT_LANGUAGE = "en"


@dataclass(frozen=True, slots=True)
class Manner:
    """Codes of `Firm.date_style` and `Firm.units`."""

    date_style: str = DAY_MONTH
    units: str = "m"


PLAIN = Manner()
_now: ContextVar[Callable[[], Manner]] = ContextVar("manner", default=lambda: PLAIN)


def manner() -> Manner:
    """The manner in force here: the request's or the paper's, else the plain one."""
    return _now.get()()


def manner_of(firm: Any) -> Manner:
    """Manner of a firm row."""
    return Manner(firm.date_style, firm.units)


# Django's letters for dates know every language; the plain style is the one that is not listed.
_FULL = {MONTH_DAY: "F j, Y", ISO: "Y-m-d"}
_WEEKDAY = {MONTH_DAY: "l F j, Y", ISO: "l Y-m-d"}
_IN_YEAR = {MONTH_DAY: "F j", ISO: "Y-m-d"}


def day_said(day: date) -> str:
    """14 March 2026, for sentences, in the style in force; a datetime is taken by its own clock."""
    return date_format(day, _FULL.get(manner().date_style, "j F Y"))


def weekday_said(day: date) -> str:
    """Saturday 14 March 2026."""
    return date_format(day, _WEEKDAY.get(manner().date_style, "l j F Y"))


def day_in_year_said(day: date) -> str:
    """14 March, where the year is plain."""
    return date_format(day, _IN_YEAR.get(manner().date_style, "j F"))


def moment_said(moment: datetime) -> str:
    """14 March 2026, 09:30, as the datetime's own clock shows it."""
    return f"{day_said(moment)}, {moment:%H:%M}"


def dated(sentence: str) -> str:
    """A sentence of the rules with its days in the style in force; see `company.days.in_style`."""
    style = manner().date_style
    return sentence if style == DAY_MONTH else in_style(sentence, style, this_year=timezone.localdate().year)


@contextmanager
def written_as(asked: Manner) -> Iterator[None]:
    """Write in this manner within the block."""
    token = _now.set(lambda: asked)
    try:
        yield
    finally:
        _now.reset(token)


def language_of(*wishes: str) -> str:
    """The first language asked for that this installation has words in, else English."""
    have = {code for code, _ in settings.LANGUAGES}
    return next((wish for wish in wishes if wish in have), DEFAULT_LANGUAGE)


@contextmanager
def spoken(*wishes: str) -> Iterator[None]:
    """Speak the first of these languages that there is within the block. English stays as the installation has it."""
    code = language_of(*wishes)
    if code == DEFAULT_LANGUAGE and (translation.get_language() or "").startswith(DEFAULT_LANGUAGE):
        yield
        return
    with translation.override(code):
        yield


class HouseManner:
    """Middleware: `request.firm`, and language and manner of the firm for everything that the request writes."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        from company.actions import ensure_firm

        firm: Any = SimpleLazyObject(ensure_firm)
        request.firm = firm  # type: ignore[attr-defined]
        # Every day and every length of a page asks; the firm is asked once.
        token = _now.set(cache(lambda: manner_of(firm)))
        try:
            # With words in one language only there is nothing to ask the firm for.
            wished = firm.language if len(settings.LANGUAGES) > 1 else DEFAULT_LANGUAGE
            with spoken(getattr(request.user, "language", ""), wished):
                response = self.get_response(request)
        finally:
            _now.reset(token)
        response.headers.setdefault("Content-Language", language_of(wished))
        return response
