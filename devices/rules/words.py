"""Say settings, spans of time and dates in the words used on every screen and paper; nothing here decides anything."""

from collections.abc import Sequence
from datetime import date, datetime

WINDOW_OFF = 0
"""A supervision window of 0 s means: this slot is not supervised (None means: not known)."""

DUTY_WORDS = {"life_safety": "life safety", "security": "security", "convenience": "convenience"}
"""Duty classes, worst consequence of a dead battery first."""

DUTY_ORDER = {code: place for place, code in enumerate(DUTY_WORDS)}

BEHAVIOUR_WORDS = {
    "follower": "follows the contact",
    "momentary": "on for a set time",
    "toggle": "changes over each time",
    "latching": "stays on until cleared",
}
"""Generic relay behaviours, said without anybody's lamp legend."""

CONTACT_WORDS = {"no": "normally open", "nc": "normally closed", "none": "no contact", "": "not known"}

UNKNOWN = "not known"

_MINUTE_S = 60
_HOUR_S = 3600
_SHORT_S = 120


def span_words(span_s: int) -> str:
    """Say a span of time in the largest unit that keeps it whole.

    Parameters
    ----------
    span_s : int
        Length of time [s], greater than 0.

    Returns
    -------
    str
        For example "200 s", "15 min", "60 min", "4 h".

    Raises
    ------
    ValueError
        If the span is not positive.

    Notes
    -----
    Spans under two minutes stay in seconds, spans up to one hour in minutes; 200 s is no whole number of minutes.
    """
    if span_s <= 0:
        raise ValueError(f"a span of time must be positive, not {span_s} s")
    if span_s < _SHORT_S or span_s % _MINUTE_S:
        return f"{span_s} s"
    if span_s <= _HOUR_S or span_s % _HOUR_S:
        return f"{span_s // _MINUTE_S} min"
    return f"{span_s // _HOUR_S} h"


def window_words(window_s: int | None) -> str:
    """Say a supervision window: "missing after 4 h", "not supervised" or "window not known".

    Parameters
    ----------
    window_s : int or None
        Supervision window [s]; 0 = not supervised, None = not known.
    """
    if window_s is None:
        return "window not known"
    if window_s == WINDOW_OFF:
        return "not supervised"
    return f"missing after {span_words(window_s)}"


def behaviour_words(behaviour: str, pulse_s: float | None = None) -> str:
    """Say what an output does: "on for 5 s, then off", "stays on until cleared" and so on.

    Parameters
    ----------
    behaviour : str
        One of the keys of `BEHAVIOUR_WORDS`, or empty for not known.
    pulse_s : float or None
        How long a momentary output stays on [s].
    """
    if behaviour == "momentary" and pulse_s:
        return f"on for {pulse_s:g} s, then off"
    return BEHAVIOUR_WORDS.get(behaviour, "behaviour not known")


def day_words(day: date, *, today: date | None = None) -> str:
    """Say a day as "14 March", with the year unless it is the year of `today`."""
    words = f"{day.day} {day:%B}"
    return words if today is not None and day.year == today.year else f"{words} {day.year}"


def moment_words(moment: datetime, *, today: date) -> str:
    """Say a local moment as "06:00" on `today`, else with its day in front."""
    clock = f"{moment:%H:%M}"
    return clock if moment.date() == today else f"{day_words(moment.date(), today=today)}, {clock}"


def count_words(count: int, noun: str, plural: str | None = None) -> str:
    """Say a count with its noun: "1 transmitter", "3 transmitters"."""
    return f"{count} {noun if count == 1 else plural or noun + 's'}"


def slots_words(slots: Sequence[int]) -> str:
    """Name slots: "slot 4", "slots 7, 9 and 10"."""
    return f"{'slot' if len(slots) == 1 else 'slots'} {list_words(slots)}"


def list_words(items: Sequence[object]) -> str:
    """Join items as in a sentence: "1, 2 and 5"."""
    words = [str(item) for item in items]
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"
