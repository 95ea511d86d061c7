"""What is known of one kind of battery in plain words: never a mean life, only how soon few of them end."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from maintenance.rules.due_known import GraceKnown
from maintenance.rules.due_words import share_words, span_words

DAYS_PER_YEAR = 365.25
DUTY_WORDS = {"life_safety": "Life safety", "security": "Security", "convenience": "Convenience"}
RISKS = (("one in a hundred", "u_1"), ("one in twenty", "u_5"), ("one in ten", "u_10"))
RISKS_SHORT = (("1 in 100", "u_1"), ("1 in 20", "u_5"), ("1 in 10", "u_10"))
FEW_ENDS = 3
"""Ended lives below which a limit rests mostly on the catalogue (section 6 of the battery model)."""
SLEEP_SHOWN = 0.05
"""A multiplier of the sleep current nearer to 1 than this is not worth a word."""


def promise_words(u: float | None) -> str:
    """Write an exposure as a share of what the catalogue promises: "78 %"."""
    return share_words(u) if u is not None and math.isfinite(u) else ""


def kind_sentence(u_10: float | None, n_ends: int) -> str:
    """Say in a sentence how soon the first ones end, and what that rests on.

    Parameters
    ----------
    u_10 : float or None
        Exposure by which one in ten has ended [1 = what the catalogue promises].
    n_ends : int
        Ended lives behind it.
    """
    said = promise_words(u_10)
    if not said:
        return "Nothing can be said about this kind: its catalogue figures give no exposure."
    if n_ends == 0:
        return (
            "None has run low yet, so this is the catalogue's word with our usual doubt about it: one in ten is taken to "
            f"end by {said} of what the catalogue promises."
        )
    rests = f"It rests on {n_ends} that {'has' if n_ends == 1 else 'have'} ended"
    rests += " and therefore mostly on the catalogue." if n_ends < FEW_ENDS else "."
    return f"One in ten has ended by {said} of what the catalogue promises. {rests}"


def sleep_words(multiplier: float, n_ends: int) -> str:
    """Say what the lives have taught about the sleep current: `multiplier` [1] times the catalogue's."""
    if abs(multiplier - 1.0) < SLEEP_SHOWN:
        return "The lives seen so far show no other sleep current than the catalogue's." if n_ends else ""
    return f"Judged by their lives, these draw about {multiplier:.2g} × the catalogue's sleep current."


def alarm_words(z: float) -> str:
    """Say what an alarm of a kind means and what to do about it: z [standard deviations] above or below what is expected."""
    if z > 0:
        return (
            "Far more have ended than the model can explain: its dates are too late. Change these cells earlier by hand, look "
            "for a bad lot, check how the ends were recorded and the catalogue's sleep current and capacity."
        )
    return (
        "Far fewer have ended than the model can explain: its dates are too early. Check whether ends have gone unrecorded, and "
        "the catalogue's capacity, sleep current and usual activations."
    )


@dataclass(frozen=True, slots=True)
class LimitLine:
    """How far one duty goes with this kind: odds of an end before the change, and the share of the promise used."""

    duty: str
    odds: str
    used: str
    is_reachable: bool


def limit_lines(limits: Mapping[str, Any]) -> list[LimitLine]:
    """List the limits of a kind by duty, the gravest first; duties without a limit are left out."""
    lines = []
    for code, label in DUTY_WORDS.items():
        limit = limits.get(code)
        if limit and limit.get("u") is not None:
            odds = f"{100 * limit['q']:.2g} in a hundred"
            lines.append(LimitLine(label, odds, promise_words(limit["u"]), bool(limit.get("is_reachable", True))))
    return lines


def grace_words(grace: Mapping[str, Any] | None) -> str:
    """Say how soon after a low-battery signal such cells were found dead, and what follows.

    Parameters
    ----------
    grace : mapping or None
        What a fit keeps of it: `days` [day], `n_dead`, `n`, `level`; None = nothing learnt.
    """
    if grace is None:
        return "Too few were found dead after a signal on a day that is known to learn a shorter time from: the firm's own time to change holds."
    known = GraceKnown(int(grace["days"]), grace["n_dead"], grace["n"], grace["level"])
    said = known.words("a low-battery signal")
    return (
        f"{said[0].upper()}{said[1:]}. After one such cells are changed within {span_words(known.days)}, or sooner where the "
        "firm's own time to change is shorter."
    )


def latest_limit(limits: Mapping[str, Any], otherwise: float) -> float:
    """Give the exposure at which cells of this kind are changed at the latest [1]."""
    known = [float(limit["u"]) for limit in limits.values() if limit and limit.get("u") is not None]
    return max(known, default=otherwise)


def risk_lines(kind: Mapping[str, Any], risks: Sequence[tuple[str, str]] = RISKS) -> list[tuple[str, str]]:
    """List each risk with the share of the promise by which it is reached, both in words; "" where that is not known."""
    return [(words, promise_words(kind.get(name))) for words, name in risks]


def risk_points(kind: Mapping[str, Any], risks: Sequence[tuple[str, str]] = RISKS) -> list[tuple[str, float]]:
    """List the points of the picture: words and exposure [1] of each risk that is known."""
    points = [(words, kind.get(name)) for words, name in risks]
    return [(words, float(u)) for words, u in points if u is not None and math.isfinite(u)]


def other_words(n: int, days: float, low: float, high: float, *, in_alarm: bool) -> dict[str, str | bool]:
    """Say how often cells of a type end by anything but wear.

    Parameters
    ----------
    n : int
        Ends counted.
    days : float
        Device-days lived [day].
    low, high : float
        Range of the rate [1/day].
    in_alarm : bool
        The rate is out of all proportion to that of other cells.

    Returns
    -------
    dict
        `counted`, `rate` (per 1,000 device-years, with its range), `in_alarm`.
    """
    years = days / DAYS_PER_YEAR
    low_rate, high_rate = (x * DAYS_PER_YEAR * 1000.0 for x in (low, high))
    counted = (
        f"{n or 'none'} in {years:,.0f} device-years" if years >= 1 else f"{n or 'none'} in less than a device-year"
    )
    rate = (
        f"{n / years * 1000:.0f} counted; {_rate(low_rate)} to {_rate(high_rate)} fit that"
        if years >= 10
        else (f"{_rate(low_rate)} to {_rate(high_rate)} fit that")
    )
    return {"counted": counted, "rate": rate, "in_alarm": in_alarm}


def _rate(value: float) -> str:
    return f"{value:,.0f}" if value >= 9.5 else f"{value:.1f}" if value >= 0.05 else "0"
