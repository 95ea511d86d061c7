"""What has been learned about batteries like one, as plain facts for words and tables."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

from maintenance.rules.due_figures import POLICY, RECORDED, WORKED_OUT, Figure
from maintenance.rules.due_words import day_words, odds_words, share_words, span_words

NEVER_COUNTED_ON = 0.95
"""From this cautious share of unannounced ends upwards, low-battery reports change nothing worth telling."""


@dataclass(frozen=True, slots=True)
class LotKnown:
    """What the cells of one lot have shown: ends seen, ends expected of their kind, life against their kind [1]."""

    code: str
    is_half_year: bool = False
    n_batteries: int = 0
    n_ended: int = 0
    n_expected: float = 0.0
    factor: float = 1.0
    is_suspect: bool = False

    @property
    def name(self) -> str:
        """Lot as people name it: its code, or the half-year in which cells without a code were fitted."""
        if not self.is_half_year:
            return f"lot {self.code}"
        year, _, half = self.code.partition("-H")
        return f"cells without a lot code fitted in the {'first' if half == '1' else 'second'} half of {year}"


WHOSE = {
    "kind": ("batteries of this kind", "this kind"),
    "cells": ("batteries with cells of this type", "these cells in any transmitter"),
    "fleet": ("batteries of all kinds together", "all kinds"),
}
"""Whose deaths after a report were counted, by level of `battery.grace`: in a sentence, and in a table."""


@dataclass(frozen=True, slots=True)
class GraceKnown:
    """After how many days [day] one in ten is dead, going by `n` batteries that reported, of which `n_dead` were found dead."""

    days: int
    n_dead: int
    n: int
    level: str = "kind"

    def words(self, after: str = "such a report") -> str:
        """Say what was learnt, as a clause: "going by 90 batteries of this kind that could be heard after such a report (12 were found dead), …"."""
        return (
            f"going by {self.n} {WHOSE[self.level][0]} that could be heard after {after} ({self.n_dead} were found dead), "
            f"about one in ten is dead within {span_words(self.days)} if nobody comes"
        )


@dataclass(frozen=True, slots=True)
class KindKnown:
    """What has been learned about one kind: one type of cells in one type of transmitter.

    Parameters
    ----------
    is_learned : bool
        A fit over the whole fleet stands behind it; False = catalogue alone.
    n_ended, n_in_service : int
        Batteries of the kind followed to their end by wear, and in service.
    sleep_multiplier : float
        Learned current between events against the catalogue's [1].
    dead_share : float
        Cautious (upper) share of ends that come unannounced (0 … 1]; 1 = reports are not counted on.
    n_dead, n_reported : int
        Ends found dead, and ends reported in time, that this share rests on.
    is_fleet_wide : bool
        They are of the whole fleet, because the kind has too few of its own.
    p_dead, p_call : float
        The firm's limits for the duty class; NaN = not known.
    learned_on : date or None
        Day of the fit.
    model_version : str
        Name of the model.
    lot : LotKnown or None
        Its lot, where one is known.
    n_record_dead, n_record : int
        Batteries of this duty that were found dead, and that have finished, over the half-years that were tested.
    is_record_above : bool
        That record lies clearly above `p_dead`: its whole range does.
    grace : GraceKnown or None
        Deaths after reports that allow less time than the firm's policy; None = the policy stands.
    """

    is_learned: bool = False
    n_ended: int = 0
    n_in_service: int = 0
    sleep_multiplier: float = 1.0
    dead_share: float = 1.0
    n_dead: int = 0
    n_reported: int = 0
    is_fleet_wide: bool = False
    p_dead: float = math.nan
    p_call: float = math.nan
    learned_on: date | None = None
    model_version: str = ""
    lot: LotKnown | None = None
    n_record_dead: int = 0
    n_record: int = 0
    is_record_above: bool = False
    grace: GraceKnown | None = None

    @property
    def counts_on_reports(self) -> bool:
        """Whether low-battery reports carry part of the limit."""
        return self.dead_share < NEVER_COUNTED_ON


def aimed(kind: KindKnown, what: str) -> str:
    """Say what is aimed for where the firm's own record lies above its limit; goes on after "we" or "the firm".

    Parameters
    ----------
    kind : KindKnown
        What is known, with the record.
    what : str
        What should not happen, as a verb: "die without warning".
    """
    return (
        f"aim for no more than {odds_words(kind.p_dead)} to {what}; so far it has been more "
        f"({kind.n_record_dead} of {kind.n_record}), and these dates are meant to bring it down."
    )


LEARNED = "learned from the fleet's ended batteries"


def known_figures(kind: KindKnown) -> list[Figure]:
    """List the figures that a fit over the fleet has brought, or that there is none yet.

    Parameters
    ----------
    kind : KindKnown
        What is known of the kind.
    """
    model = f"model {kind.model_version}" if kind.model_version else "the battery model"
    if not kind.is_learned:
        return [Figure("learned from", "nothing yet", f"{model}: the catalogue's figures and a cautious first belief")]
    on = day_words(kind.learned_on) if kind.learned_on else "an unknown day"
    found = [
        Figure("batteries of its kind followed to the end", str(kind.n_ended), f"{model}, fit of {on}"),
        Figure("batteries of its kind in service", str(kind.n_in_service), f"{model}, fit of {on}"),
    ]
    if math.isfinite(kind.p_dead):
        found.append(Figure("may die without warning", odds_words(kind.p_dead), POLICY))
    if kind.dead_share < 1:
        seen = f"{kind.n_dead} of {kind.n_dead + kind.n_reported}, {'all kinds' if kind.is_fleet_wide else 'this kind'}"
        found.append(Figure("ends found dead without a report", seen, RECORDED))
        found.append(Figure("ends without a report that are reckoned with", share_words(kind.dead_share), LEARNED))
    else:
        found.append(
            Figure("low-battery reports", "not counted on", "too few ends to know how often they come in time")
        )
    if kind.grace:
        told = f"{kind.grace.n_dead} of {kind.grace.n}, {WHOSE[kind.grace.level][1]}"
        found.append(Figure("found dead after a report, of those that could be heard", told, RECORDED))
        found.append(
            Figure("about one in ten dead after a report", f"within {span_words(kind.grace.days)}", WORKED_OUT)
        )
    if kind.lot:
        lot = kind.lot
        found.append(
            Figure(
                f"{lot.name}: ended against expected",
                f"{lot.n_ended} against {lot.n_expected:.1f} of {lot.n_batteries}",
                f"{LEARNED}, fit of {on}",
            )
        )
        found.append(Figure("life of its lot against its kind", share_words(lot.factor), WORKED_OUT))
    return found
