"""What is to be said of cells that somebody has just put in. Rows come narrowed to what the person may see."""

from __future__ import annotations

from typing import Any

from django.db.models import Q, QuerySet

from devices.rules.slot_map import lots_of
from maintenance.rules.recalls import RecallFilter


def words_on_lot(lots: QuerySet[Any], recalls: QuerySet[Any], fitting: Any) -> list[str]:
    """Sentences to warn with: the noted lot is suspect by the fit in use, or an open recall of cells names it."""
    codes = lots_of(fitting.lot)
    if not codes:
        return []
    same = Q(code__iexact=fitting.lot)
    for code in codes:
        same |= Q(code__iexact=code)
    suspect = (
        lots.filter(same, fit__is_current=True, is_suspect=True, stratum__battery_type=fitting.battery_type_id)
        .order_by("code")
        .values_list("code", flat=True)
        .distinct()
    )
    found = [
        f"Lot {code} is suspect: cells of it have ended sooner than others of their kind. Rather fit cells of another lot."
        for code in suspect
    ]
    for recall in recalls.filter(closed_at=None, what="cells").order_by("pk"):
        wanted = RecallFilter.from_json(recall.filter)
        is_type = wanted.battery_type in (None, fitting.battery_type_id)
        if wanted.lots and is_type and wanted.has_cells(codes, None, None):
            found.append(f"Lot {fitting.lot} is being recalled: {recall.title}. Rather fit cells of another lot.")
    return found
