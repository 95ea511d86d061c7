"""What the page "why this date" tells of one due item, worked out anew from today's facts; nothing is written."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from maintenance.actions.due_items import facts_of, number, policy_limits
from maintenance.models import DueItem
from maintenance.querysets.wear import read_worn
from maintenance.rules.battery.posterior import learn
from maintenance.rules.charts import Curve, survival_curve
from maintenance.rules.due import Due, due_date
from maintenance.rules.due_facts import FittingFacts
from maintenance.rules.due_figures import limit_words, survival_words, what_would_change

CURVE_TO = 1.75
"""Charge used up to which the survival picture is drawn: hardly any battery lasts longer."""


@dataclass(frozen=True, slots=True)
class Told:
    """Today's answer for one item, worked out anew, with its facts and the survival picture (None without exposure)."""

    due: Due
    row: dict[str, float]
    curve: Curve | None
    finding: str
    limit_words: str
    changes: list[str]


def explain(*, item: DueItem, today: date) -> Told | None:
    """Work out one item anew for the page that explains it; nothing is written. None where it has been changed since."""
    if item.is_closed:
        return None
    key = (item.kind, {"cells": item.fitting_id, "unit": item.transmitter_id, "standby": item.receiver_id}[item.kind])
    thing = next((worn for worn in read_worn([item.receiver_id]) if worn.key == key), None)
    if thing is None:
        return None
    facts = facts_of([thing], *policy_limits())
    due = due_date(facts, today)
    row = {name: getattr(facts, name)[0].item() for name in FittingFacts.__slots__}
    curve = None
    if number(due.u) is not None:
        u = np.linspace(0.0, CURVE_TO, 121)
        curve = survival_curve(u, learn().survival(u), u_now=due.u, u_limit=number(due.u_limit))
    reached_on = next((o.due_on for o in due.opinions if o.code == "risk_limit"), None)
    return Told(
        due, row, curve, survival_words(due.u, due.u_limit, reached_on, today), limit_words(reached_on),
        what_would_change(row, due.code),
    )  # fmt: skip
