"""From the half-years that were tested to the tables of the page "Are we honest?". Pure: mappings in, tables out."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

from maintenance.rules.battery.lots import MIN_EXPECTED
from maintenance.rules.due_words import MONTHS
from maintenance.rules.honesty_words import (
    AgainstLimit,
    Group,
    chance_spread,
    count_words,
    group,
    headline,
    percent_words,
    share_range,
)

DUTY_WORDS = {"life_safety": "Life safety", "security": "Security", "convenience": "Convenience"}
RECENT_YEARS = 2
MIN_LOTS = 5
"""Lots below which nothing is said of their scatter."""
DAYS_PER_YEAR = 365.25

Row = Mapping[str, Any]
TypeKey = tuple[int | None, int | None, bool]


@dataclass(frozen=True, slots=True)
class Spent:
    """What the changes of one duty came to.

    Parameters
    ----------
    duty : str
        Duty in words.
    n_early, n_overdue : int
        Ends before the planned change, and ends when a change was due already.
    n_unspent : int
        Changed by plan before any end.
    unspent : float
        Charge left in the latter, summed [1 = a set as the catalogue promises it].
    """

    duty: str
    n_early: int
    n_overdue: int
    n_unspent: int
    unspent: float

    @property
    def share_left(self) -> float | None:
        """Mean share of the charge left in those changed by plan [0 … 1]; None where there was none."""
        return self.unspent / self.n_unspent if self.n_unspent else None

    @property
    def share_left_words(self) -> str:
        """The same in words; empty where there was none."""
        return "" if self.share_left is None else percent_words(self.share_left)


@dataclass(frozen=True, slots=True)
class Yearly:
    """What was done in one duty against changing everything once a year, for the same devices over the same days.

    Parameters
    ----------
    duty : str
        Duty in words.
    n_cells, n_dead : float
        Sets used (ended or changed by plan) and found dead, as it was done [1/year].
    fixed_cells, fixed_dead : float
        The same, had every set been changed after a year [1/year].
    n_finished : int
        Sets out of service that the comparison rests on.
    """

    duty: str
    n_cells: float
    n_dead: float
    fixed_cells: float
    fixed_dead: float
    n_finished: int = 0

    @property
    def cells_words(self) -> str:
        """Sets used a year."""
        return count_words(self.n_cells)

    @property
    def dead_words(self) -> str:
        """Found dead a year."""
        return count_words(self.n_dead)

    @property
    def fixed_cells_words(self) -> str:
        """Sets used a year if changed yearly."""
        return count_words(self.fixed_cells)

    @property
    def fixed_dead_words(self) -> str:
        """Found dead a year if changed yearly; that none was seen does not show that there would be none."""
        if self.fixed_dead > 0 or self.fixed_cells <= 0:
            return count_words(self.fixed_dead)
        most = share_range(0, self.n_finished)[1] * self.fixed_cells
        return f"none seen (0 to {count_words(most)})"


@dataclass(frozen=True, slots=True)
class Honesty:
    """Everything that the page shows of the tested half-years."""

    since: date
    as_of: date
    recent_since: date
    sentence: str
    recent: Group
    whole: Group
    duties: list[Group]
    halves: list[Group]
    kinds: list[Group]
    limits: list[AgainstLimit]
    spent: list[Spent]
    yearly: list[Yearly]


def honesty_tables(
    rows: Sequence[Row], limits: Mapping[str, float], kind_pks: Mapping[TypeKey, tuple[int, float]]
) -> Honesty | None:
    """Make the tables.

    Parameters
    ----------
    rows : sequence of mapping
        One per half-year × kind × duty: from_on, to_on, duty, predicted, happened, facts …
    limits : mapping
        Duty to the share that the firm lets die unannounced [0 … 1].
    kind_pks : mapping
        Kind to the record of today's fit, for links, and its z.

    Returns
    -------
    Honesty or None
        None without a row.
    """
    if not rows:
        return None
    starts = sorted({row["from_on"] for row in rows})
    as_of = max(row["to_on"] for row in rows) - timedelta(days=1)
    recent = [on for on in starts if (as_of - on).days < RECENT_YEARS * DAYS_PER_YEAR] or starts[-1:]
    late = _sum("In all", [row for row in rows if row["from_on"] >= recent[0]])
    duties = [code for code in DUTY_WORDS if any(row["duty"] == code for row in rows)]
    of_duty = {code: [row for row in rows if row["duty"] == code] for code in duties}
    years = max((as_of - starts[0]).days + 1, 1) / DAYS_PER_YEAR
    kinds = _groups(rows, type_key)
    halves = half_year_groups(rows)
    return Honesty(
        since=starts[0],
        as_of=as_of,
        recent_since=recent[0],
        sentence=headline(recent[0], late, halves[-1] if len(recent) > 1 else None),
        recent=late,
        whole=_sum("In all", rows),
        duties=[_sum(DUTY_WORDS[code], part) for code, part in of_duty.items()],
        halves=halves,
        kinds=_worst_first([_kind(part, kind_pks.get(key)) for key, part in kinds.items()]),
        limits=[_against_limit(code, part, limits[code]) for code, part in of_duty.items() if code in limits],
        spent=[_spent(code, part) for code, part in of_duty.items()],
        yearly=[_yearly(code, part, years) for code, part in of_duty.items()],
    )


def half_year_groups(rows: Sequence[Row]) -> list[Group]:
    """Judge each half-year, oldest first."""
    parts = _groups(rows, lambda row: (row["from_on"], row["to_on"]))
    return [_sum(half_year_words(*span), parts[span]) for span in sorted(parts)]


def lot_groups(lots: Sequence[Any]) -> list[tuple[Group, Any]]:
    """Judge lots against their kind by all that is known today; each with its record, for links and its kind's name."""
    return [(group(f"Lot {lot.code}", lot.expected, lot.observed, n_batteries=lot.n_in_service), lot) for lot in lots]


def health_words(counts: Sequence[tuple[int, float]]) -> str:
    """Say whether lots scatter about their kinds as much as chance makes them.

    Parameters
    ----------
    counts : sequence of (int, float)
        Ends seen and expected of every lot [count].

    Notes
    -----
    Spread of z = (O − E) / √max(E, ½) over lots of which half an end or more was expected; about 1 while the model is
    right (section 5 of the battery model).
    """
    off = [(seen - due) / math.sqrt(max(due, MIN_EXPECTED)) for seen, due in counts if due >= MIN_EXPECTED]
    if len(off) < MIN_LOTS:
        return "Too few lots have ends expected of them to say how they scatter."
    spread = math.sqrt(sum(z * z for z in off) / len(off))
    low, high = chance_spread(len(off))
    if spread > high:
        meaning = "more than chance explains: some lots differ from their kind"
    elif spread < low:
        meaning = "less than chance would make it: the expected numbers may be learnt too closely from the same ends"
    else:
        meaning = "as much as chance explains"
    return f"Over {len(off)} lots the scatter about their kinds is {spread:.2f} (1.0 = chance alone), {meaning}."


TABLE_HEADER = (
    "from", "to", "transmitter type", "battery type", "activations", "duty", "batteries in service", "expected to end",
    "ended", "found dead", "taken out", "ended before the planned change", "changed by plan", "charge left in those",
    "device-days", "sets if changed yearly", "found dead if changed yearly", *(f"row: {name}" for name in ("off by (z)",
    "ended for each expected, from", "to", "reading")), *(f"kind: {name}" for name in ("ended for each expected, from",
    "to", "reading", "off today (z)")),
)  # fmt: skip
FACT_COLUMNS = ("n_early", "n_unspent", "unspent", "device_days", "fixed_cells", "fixed_dead")


def table_lines(rows: Sequence[Row], kind_pks: Mapping[TypeKey, tuple[int, float]] | None = None) -> list[list[Any]]:
    """Give one line per half-year × kind × duty for a spreadsheet, under `TABLE_HEADER`; the last day is included.

    What is judged of the kind over all half-years and duties stands in every line of it; its z is today's, from
    `kind_pks` (see `honesty_tables`).
    """
    kinds = {key: _sum("", part) for key, part in _groups(rows, type_key).items()}
    known = kind_pks or {}
    return [
        [
            row["from_on"], row["to_on"] - timedelta(days=1), row["transmitter_type__label"] or "unknown",
            row["battery_type__iec_code"] or "unknown", "counted" if row["is_measured"] else "assumed",
            str(DUTY_WORDS.get(row["duty"], row["duty"])).lower(), row["n_batteries"], round(row["predicted"], 3),
            row["happened"], row["n_found_dead"], row["n_changed"],
            *(_rounded(row["facts"].get(name)) for name in FACT_COLUMNS),
            *_judged_row(_sum("", [row])),
            *_range_and_reading(kinds[type_key(row)]),
            _rounded(known[type_key(row)][1]) if type_key(row) in known else None,
        ]
        for row in rows
    ]  # fmt: skip


def type_key(row: Row) -> TypeKey:
    """Tell which kind a row is of."""
    return row["transmitter_type_id"], row["battery_type_id"], row["is_measured"]


def _judged_row(one: Group) -> list[Any]:
    return [_rounded(one.off), *_range_and_reading(one)]


def _range_and_reading(one: Group) -> list[Any]:
    return [_rounded(one.low), _rounded(one.high), one.words]


def _rounded(value: float | None) -> float | None:
    """Three places are more than is known; nothing stays nothing, and without bound is nothing too."""
    return None if value is None or not math.isfinite(value) else round(float(value), 3)


def half_year_words(from_on: date, to_on: date) -> str:
    """Name a half-year by its months, "January to June 2026"; the running one, cut off before its end, by its start."""
    begin = MONTHS[from_on.month - 1]
    if (to_on.month, to_on.day) not in ((1, 1), (7, 1)):
        return f"since {begin} {from_on.year}"
    return f"{begin} to {MONTHS[from_on.month + 4]} {from_on.year}"


def kind_label(row: Row) -> tuple[str, str]:
    """Name a kind, and say how its activations are known."""
    transmitter = row["transmitter_type__label"] or "unknown transmitter"
    cells = row["battery_type__iec_code"] or "unknown cells"
    return f"{transmitter}, {cells}", counted_words(row["is_measured"])


def counted_words(is_measured: bool) -> str:
    """Say whether activations were counted."""
    return "activations counted" if is_measured else "activations assumed"


def _groups(rows: Sequence[Row], key: Callable[[Row], Hashable]) -> dict[Any, list[Row]]:
    parts: dict[Any, list[Row]] = defaultdict(list)
    for row in rows:
        parts[key(row)].append(row)
    return parts


def _sum(label: str, rows: Sequence[Row], *, note: str = "", pk: int | None = None) -> Group:
    return group(
        label, sum(row["predicted"] for row in rows), sum(row["happened"] for row in rows), note=note, pk=pk
    )  # fmt: skip


def _kind(rows: Sequence[Row], now: tuple[int, float] | None) -> Group:
    label, note = kind_label(rows[0])
    pk, z = now or (None, None)
    return replace(_sum(label, rows, note=note, pk=pk), z=z)


def _worst_first(groups: list[Group]) -> list[Group]:
    """Rows that stand out first, then by how many ends they speak for."""
    rank = {"more": 0, "fewer": 1, "as": 2, "few": 3}
    return sorted(groups, key=lambda each: (rank[each.reading], -max(each.expected, each.happened), each.label))


def _fact(rows: Sequence[Row], name: str) -> float:
    return float(sum(row["facts"].get(name) or 0.0 for row in rows))


def _against_limit(duty: str, rows: Sequence[Row], limit: float) -> AgainstLimit:
    n_dead = sum(row["n_found_dead"] for row in rows)
    n_finished = sum(row["happened"] for row in rows) + int(_fact(rows, "n_unspent"))
    low, high = share_range(n_dead, n_finished)
    return AgainstLimit(DUTY_WORDS[duty], n_finished, n_dead, low, high, limit)


def _spent(duty: str, rows: Sequence[Row]) -> Spent:
    n_early = int(_fact(rows, "n_early"))
    happened = sum(row["happened"] for row in rows)
    return Spent(
        DUTY_WORDS[duty], n_early, happened - n_early, int(_fact(rows, "n_unspent")), _fact(rows, "unspent")
    )  # fmt: skip


def _yearly(duty: str, rows: Sequence[Row], years: float) -> Yearly:
    """Compare only where cells of the kind have been followed for a year, both sides alike."""
    known = [row for row in rows if row["facts"].get("fixed_cells") is not None]
    return Yearly(
        DUTY_WORDS[duty],
        (sum(row["happened"] for row in known) + _fact(known, "n_unspent")) / years,
        sum(row["n_found_dead"] for row in known) / years,
        _fact(known, "fixed_cells") / years,
        _fact(known, "fixed_dead") / years,
        sum(row["happened"] for row in known) + int(_fact(known, "n_unspent")),
    )
