"""What would move a date, and to when: the rules are asked again with one fact changed."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np

from maintenance.rules.battery.limits import FLOOR_SHARE, MIN_ENDS, RiskPolicy, planning_probability
from maintenance.rules.battery.posterior import Posterior
from maintenance.rules.battery.price import DUTIES, Level, level_of, levels
from maintenance.rules.due import Due, due_date
from maintenance.rules.due_chance import quantile_band
from maintenance.rules.due_facts import CELLS, FittingFacts, to_day
from maintenance.rules.due_known import KindKnown
from maintenance.rules.due_story import REASON_WORDS
from maintenance.rules.due_words import DUTY, day_words, days_are, odds_words

POLICY_LADDER = (0.002, 0.005, 0.01, 0.02, 0.03, 0.05, 0.1, 0.15, 0.2, 0.3, 0.5)
"""Round limits of risk: figures of the firm's own are compared with the next one on either side."""
MIN_MOVE_DAYS = 14
"""What would move a date by less [d] is not worth a line."""
BAD_LOT = 0.5
"""Life of a bad lot against its kind that is asked about: half, as in the project's battery model, section 7."""


@dataclass(frozen=True, slots=True)
class WhatIf:
    """One thing that would change the date: in words, and the date that it would then be (None where only words fit)."""

    words: str
    due_on: date | None = None


@dataclass(frozen=True, slots=True)
class Asked:
    """What the questions are asked about: the facts of one thing, today's answer, what is known of its kind."""

    facts: FittingFacts
    due: Due
    today: date
    posterior: Posterior
    kind: KindKnown

    def number(self, name: str) -> float:
        """One column of the facts."""
        return float(getattr(self.facts, name)[0])

    @property
    def follows_use(self) -> bool:
        """Whether the date comes from the charge used."""
        return self.due.code in ("risk_limit", "lot_alarm")

    @property
    def has_charge(self) -> bool:
        """Whether the charge used is known."""
        return math.isfinite(self.due.u) and self.due.rate_per_day > 0

    def then(self, **columns: float) -> date | None:
        """Date with these columns changed."""
        changed: dict[str, Any] = {
            name: np.full(1, value, dtype=getattr(self.facts, name).dtype) for name, value in columns.items()
        }
        return due_date(replace(self.facts, **changed), self.today).due_on

    def is_moved(self, then: date) -> bool:
        """Whether a date differs by enough to be worth a line."""
        return self.due.due_on is None or abs((then - self.due.due_on).days) >= MIN_MOVE_DAYS

    def at_limit(self, u_limit: float) -> date | None:
        """Date with another limit of exposure [1]."""
        return self.then(u_limit=u_limit)


def what_would_change(asked: Asked) -> list[WhatIf]:
    """Say what would move the date: things to find out, events to come, a changed policy.

    Parameters
    ----------
    asked : Asked
        The facts and today's answer.

    Returns
    -------
    list of WhatIf
        Most useful first. What would leave the date where it is, is left out, except a changed policy: that it would change
        nothing is worth knowing.
    """
    return [found for ask in _QUESTIONS for found in ask(asked)]


def _age(asked: Asked) -> list[WhatIf]:
    if asked.number("fitted_day") >= 0:
        return []
    return [WhatIf("Finding out when it was fitted would replace the guess. A change starts a known age.")]


def _report(asked: Asked) -> list[WhatIf]:
    # A whole unit reports too, where its cell is welded in.
    reports = asked.number("kind") == CELLS or asked.number("capacity_mah") > 0
    if asked.due.code == "low_battery" or not reports:
        return []
    then = asked.then(first_low_day=to_day(asked.today))
    if then is None or (asked.due.due_on is not None and then >= asked.due.due_on):
        return []
    grace = days_are(asked.number("grace_days"))
    return [WhatIf(f"A low-battery report today would bring it forward: {grace} allowed after a report.", then)]


def _policy(asked: Asked) -> list[WhatIf]:
    """The firm's other levels, or its own figure one round step higher and lower, through the same sum as the limit itself."""
    kind, q = asked.kind, asked.number("planning_probability")
    if not asked.has_charge or not 0 < q < 1:
        return []
    if not asked.follows_use:
        decides = REASON_WORDS.get(asked.due.code, asked.due.code)
        return [WhatIf(f"A higher limit of risk would not make it later: {decides} decides.")]
    p_dead = kind.p_dead if math.isfinite(kind.p_dead) else q
    p_call = kind.p_call if math.isfinite(kind.p_call) else q
    duty = int(asked.number("duty"))
    code = DUTIES[duty] if 0 <= duty < len(DUTIES) else DUTIES[0]
    present = level_of(code, p_dead, p_call)
    if present:
        others = [(_level_words(level), level.p_dead, level.p_call) for level in levels(code) if level.code != present]
    else:
        others = [
            (_own_words(duty, p, p_dead), p, max(p_call, p))
            for p in [p for p in POLICY_LADDER if p > p_dead * 1.001][:1]
            + [p for p in POLICY_LADDER if p < p_dead * 0.999][-1:]
        ]
    found = [WhatIf(words, _at_policy(asked, dead, call)) for words, dead, call in others]
    return [one for one in found if one.due_on is not None and one.due_on != asked.due.due_on]


def _level_words(level: Level) -> str:
    return (
        f"With the level {level.code.capitalize()} ({odds_words(level.p_dead)} may die without warning, "
        f"{odds_words(level.p_call)} may end before the change)."
    )


def _own_words(duty: int, p_then: float, p_dead: float) -> str:
    return f"With the firm's limit on {DUTY.get(duty, DUTY[0])} duty at {odds_words(p_then)} instead of {odds_words(p_dead)}."


def _at_policy(asked: Asked, p_dead: float, p_call: float) -> date | None:
    """Date under other limits of risk, floor included as in `limits.fleet_limits`."""
    known, q = asked.posterior, asked.number("planning_probability")
    floor = FLOOR_SHARE * known.quantile(0.5) if asked.kind.n_ended >= MIN_ENDS else 0.0
    then = max(known.quantile(planning_probability(RiskPolicy(p_dead, p_call), asked.kind.dead_share)), floor)
    # Scaled by what stands, so that a limit which was set otherwise goes along.
    return asked.at_limit(asked.number("u_limit") * then / max(known.quantile(q), floor))


def _counting(asked: Asked) -> list[WhatIf]:
    usual = asked.number("typical_activations_per_day")
    if not asked.has_charge or asked.number("measured_days") > 0 or not asked.number("activation_uah") > 0:
        return []
    words = "Counting its activations would replace the usual number"
    if not usual > 0:
        return [WhatIf(f"{words}: more means earlier.")]
    if not asked.follows_use:
        return [WhatIf(f"{words}. Only very many would make it earlier.")]
    found = []
    for said, times in (("half as many", 0.5), ("twice as many", 2.0)):
        then = asked.then(typical_activations_per_day=usual * times)
        if then is not None and asked.is_moved(then):
            found.append(WhatIf(f"Counting its activations, if there are {said} as usual for its kind.", then))
    return found


def _interval(asked: Asked) -> list[WhatIf]:
    interval = asked.number("interval_s")
    if not asked.follows_use or not interval > 0:
        return []
    then = asked.then(interval_s=interval * 2)
    if then is None or not asked.is_moved(then):
        return []
    minutes = f"{interval * 2 / 60:g} min"
    return [WhatIf(f"Checking in half as often (every {minutes}), where its duty and its window allow that.", then)]


def _lot(asked: Asked) -> list[WhatIf]:
    lot = asked.kind.lot
    if not asked.has_charge or asked.number("kind") != CELLS:
        return []
    if asked.due.code == "lot_alarm" and lot is not None:
        return [
            WhatIf(
                "If more cells of its lot last as long as their kind, the lot counts as sound again and it moves back."
            )
        ]
    then = asked.at_limit(asked.number("u_limit") * BAD_LOT)
    if then is None or (asked.due.due_on is not None and then >= asked.due.due_on):
        return []
    return [WhatIf("If cells of its lot turned out to last half as long as their kind.", then)]


def _kind(asked: Asked) -> list[WhatIf]:
    """What is not known yet of the kind, as the room that it leaves for the limit."""
    q = asked.number("planning_probability")
    if not asked.has_charge or not asked.follows_use or not 0 < q < 1:
        return []
    base = asked.posterior.quantile(q)
    low, high = (asked.at_limit(asked.number("u_limit") * u / base) for u in quantile_band(asked.posterior, q))
    words = "More batteries of its kind followed to their end will sharpen the limit"
    if low is None or high is None or low == high:
        return [WhatIf(f"{words}, earlier or later.")]
    return [WhatIf(f"{words}. What is known so far leaves room for it from {day_words(low)} to {day_words(high)}.")]


def _type(asked: Asked) -> list[WhatIf]:
    if asked.number("kind") != CELLS or asked.number("capacity_mah") > 0:
        return []
    return [
        WhatIf("Recording which cells and which type of transmitter these are would let the charge used be worked out.")
    ]


def _made(asked: Asked) -> list[WhatIf]:
    if asked.number("made_day") >= 0 or asked.number("shelf_life_days") < 0:
        return []
    return [WhatIf("The date of making, read off the cell, would fix its shelf life; it can only make it earlier.")]


def _recall(asked: Asked) -> list[WhatIf]:
    if asked.due.code == "recall":
        return [WhatIf("Finding on site that it is not affected by the recall takes the recall's date away.")]
    return []


def _calendar(asked: Asked) -> list[WhatIf]:
    if asked.number("kind") == CELLS or asked.has_charge:
        return []
    return [WhatIf("It goes by the calendar: only a corrected day of fitting or making, or a recall, would move it.")]


_QUESTIONS: tuple[Callable[[Asked], list[WhatIf]], ...] = (
    _age, _recall, _report, _policy, _lot, _counting, _interval, _kind, _type, _made, _calendar,
)  # fmt: skip
