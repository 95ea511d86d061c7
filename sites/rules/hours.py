"""Visiting hours as people write them: "09:00–12:00, 14:00–16:30". Read, checked, and written again.

Pure: texts and times come in as values. Source: own rule. Times are those of the clock on the wall at the site.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import time
from itertools import pairwise

from sites.rules.opening import DAY_NAMES

Hours = tuple[time, time]
"""Opening and closing time; the close is when the work must be over, later on the same day."""

MAX_SPANS = 6
"""Most spans in one day. Own choice: more is a slip, not a timetable."""

NONE_WORDS = {"", "-", "–", "—", "none", "closed", "no", "no visits"}
_BETWEEN_SPANS = re.compile(r"\s*(?:[,;/&+\n]|\band\b)\s*", re.IGNORECASE)
_BETWEEN_TIMES = re.compile(r"\s*(?:[-‐‑‒–—−]|\bto\b|\buntil\b)\s*", re.IGNORECASE)
_TIME = re.compile(r"(\d{1,2})(?:[:.h](\d{2})|(\d{2}))?\s*([ap])?\.?(?:m\.?)?", re.IGNORECASE)
_HALF_DAY_H = 12


class HoursUnreadable(ValueError):
    """Hours that cannot be meant so; the text says what to write instead."""


def read_hours(text: str) -> tuple[Hours, ...]:
    """Give the spans of one day that a text names, in order; spans that touch are joined.

    Parameters
    ----------
    text : str
        Such as "09:00–12:00, 14:00–16:30", "9-12 and 2pm-4.30pm", "closed" or nothing at all.

    Raises
    ------
    HoursUnreadable
        A time nobody can read, a span that ends before it begins, spans that overlap or stand in the wrong order.
    """
    if text.strip().lower() in NONE_WORDS:
        return ()
    pieces = [piece for piece in _BETWEEN_SPANS.split(text.strip()) if piece]
    spans = [_read_span(piece) for piece in pieces]
    if fault := fault_of(spans):
        raise HoursUnreadable(fault)
    return joined(spans)


def fault_of(spans: Sequence[Hours]) -> str:
    """Say what is wrong with the spans of one day, in the order given; nothing where they can be kept."""
    if len(spans) > MAX_SPANS:
        return f"At most {MAX_SPANS} spans fit into one day."
    for opens, closes in spans:
        if closes <= opens:
            return (
                f"{span_text((opens, closes))} ends before it begins. Write the earlier time first, in 24 hours: "
                "14:00, not 2:00."
            )
    for before, after in pairwise(spans):
        if after[1] <= before[0]:
            return (
                f"{span_text(after)} stands after {span_text(before)} but is earlier. Write the spans in the order of "
                "the day, in 24 hours: 14:00, not 2:00."
            )
        if after[0] < before[1]:
            return f"{span_text(before)} and {span_text(after)} overlap. Write them as one span, or part them."
    return ""


def joined(spans: Sequence[Hours]) -> tuple[Hours, ...]:
    """Give the spans with those that touch made one: a visit may run from one into the other."""
    found: list[Hours] = []
    for opens, closes in spans:
        if found and found[-1][1] == opens:
            found[-1] = (found[-1][0], closes)
        else:
            found.append((opens, closes))
    return tuple(found)


def span_text(span: Hours) -> str:
    """Such as 09:00–12:00."""
    return f"{span[0]:%H:%M}–{span[1]:%H:%M}"


def day_text(spans: Sequence[Hours]) -> str:
    """Such as 09:00–12:00, 14:00–16:30; nothing for a day without visits."""
    return ", ".join(span_text(span) for span in spans)


def week_lines(week: Mapping[int, Sequence[Hours]]) -> list[tuple[str, str]]:
    """Days and their hours, days that follow each other with the same hours in one line; days without are left out.

    Parameters
    ----------
    week : mapping of int to sequence of Hours
        Weekday (0 = Monday) to its spans in order.
    """
    runs: list[tuple[int, int, str]] = []
    for day in range(len(DAY_NAMES)):
        text = day_text(week.get(day, ()))
        if runs and runs[-1][2] == text:
            runs[-1] = (runs[-1][0], day, text)
        else:
            runs.append((day, day, text))
    return [(_days_text(first, last), text) for first, last, text in runs if text]


def _days_text(first: int, last: int) -> str:
    if first == last:
        return DAY_NAMES[first]
    return f"{DAY_NAMES[first]}{' and ' if last == first + 1 else ' to '}{DAY_NAMES[last]}"


def _read_span(piece: str) -> Hours:
    ends = _BETWEEN_TIMES.split(piece.strip())
    if len(ends) != 2 or not all(ends):
        raise HoursUnreadable(f"“{piece}” is no span of time. Write from and to, such as 09:00–12:00.")
    opens, closes = (_read_time(end) for end in ends)
    return opens, closes


def _read_time(text: str) -> time:
    """A time such as 9, 09:00, 9.30, 0930 or 2:30 pm."""
    found = _TIME.fullmatch(text.strip())
    if found is None:
        raise HoursUnreadable(f"“{text}” is no time of day. Write it such as 09:00.")
    hour, minute, half = int(found[1]), int(found[2] or found[3] or 0), (found[4] or "").lower()
    if hour == 24 and minute == 0 and not half:
        raise HoursUnreadable("A day ends at 23:59 here. Write that for midnight.")
    if half:
        if not 1 <= hour <= _HALF_DAY_H:
            raise HoursUnreadable(f"“{text}” is no time of day. Write it such as 14:30, without am or pm.")
        hour = hour % _HALF_DAY_H + (_HALF_DAY_H if half == "p" else 0)
    if hour > 23 or minute > 59:
        raise HoursUnreadable(f"“{text}” is no time of day. Hours go from 00 to 23, minutes from 00 to 59.")
    return time(hour, minute)
