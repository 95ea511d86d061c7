"""Numbers of the office's home page: each list is counted in its own scope, all of them come over in one query."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from typing import Any

from django.db.models import Count, IntegerField, QuerySet, Subquery, Value
from django.db.models.functions import Coalesce

WEEK_DAYS, FOUR_WEEKS_DAYS = 7, 28
RECENT_DAYS = 30
"""Reports, imports and failed work that are older have been let go."""

CHECK, APPLY = "workbook-check:", "workbook-apply:"
"""How the keys of an import's jobs begin; behind it stands the upload's number."""


def count_all(anchor: QuerySet[Any], lists: Mapping[str, QuerySet[Any]]) -> dict[str, int]:
    """How many rows each list has, in one query. `anchor` gives one row to hang them on, such as the person who asks."""

    def count(rows: QuerySet[Any]) -> Coalesce:
        grouped = rows.order_by().annotate(of_all=Value(1)).values("of_all").annotate(n=Count("pk", distinct=True))
        return Coalesce(Subquery(grouped.values("n"), output_field=IntegerField()), 0)

    row = anchor.annotate(**{f"n_{name}": count(rows) for name, rows in lists.items()}).values(
        *(f"n_{name}" for name in lists)
    )  # fmt: skip
    found: Any = row.first() or {}
    return {name: found.get(f"n_{name}", 0) for name in lists}


def due_lines(by_day: Iterable[tuple[date, int, bool, int]], today: date) -> dict[str, dict[str, Any]]:
    """Late, this week and the next four weeks, out of `DueQuerySet.by_day`: all, by harm, and in a published round."""
    spans = {
        "late": (date.min, today - timedelta(days=1)),
        "week": (today, today + timedelta(days=WEEK_DAYS)),
        "four": (today, today + timedelta(days=FOUR_WEEKS_DAYS)),
    }
    lines = {name: {"n": 0, "harms": [0, 0, 0], "n_placed": 0} for name in spans}
    for on, harm, is_placed, n in by_day:
        for name, (first, last) in spans.items():
            if first <= on <= last:
                line: Any = lines[name]
                line["n"] += n
                line["harms"][min(harm, 2)] += n
                line["n_placed"] += n if is_placed else 0
    return lines


def waiting_imports(jobs: Iterable[tuple[str, str, Any, Any, Any]]) -> int:
    """Workbooks whose preview is without a fault and that nobody has applied.

    Each job is its key, state, and what its result says of preview, faults and "nothing new".
    """
    ready, applied = set(), set()
    for key, state, preview, faults, is_empty in jobs:
        number = key.partition(":")[2].partition(":")[0]
        if key.startswith(APPLY) and state != "failed":
            applied.add(number)
        elif key.startswith(CHECK) and state == "done" and preview and not faults and not is_empty:
            ready.add(number)
    return len(ready - applied)
