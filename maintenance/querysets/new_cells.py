"""What is to be said of cells that somebody puts in. Rows come narrowed to what the person may see."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.apps import apps
from django.db.models import Q, QuerySet
from django.utils.translation import gettext as _

from devices.rules.slot_map import lots_of
from maintenance.rules.recalls import RecallFilter


@dataclass(frozen=True, slots=True)
class BadLot:
    """A lot that is not to be fitted. `cells` is the code of its battery type, empty for any; `iec_code` is its name."""

    code: str
    cells: str
    iec_code: str
    why: str

    def is_of(self, cells: str) -> bool:
        """Whether cells of this type may be of the lot; of unknown cells nobody can say no."""
        return not self.cells or not cells or self.cells == cells


def bad_lots(lots: QuerySet[Any], recalls: QuerySet[Any]) -> list[BadLot]:
    """Every lot that is suspect by the fit in use, and every one that an open recall of cells names, in order of its code.

    Half-years of fitting are none of them: they stand for cells of which nothing was noted, not for new ones.
    """
    suspect = lots.filter(
        fit__is_current=True, is_suspect=True, is_half_year=False, stratum__battery_type__isnull=False
    )
    columns = "code", "stratum__battery_type__code", "stratum__battery_type__iec_code"
    found = {
        (code.casefold(), cells): BadLot(code, cells, iec_code, _("suspect: cells of it ended sooner than others"))
        for code, cells, iec_code in suspect.order_by("code").values_list(*columns).distinct()
    }
    for lot in _recalled(recalls):
        # A recall weighs more than a suspicion, and a lot is named once.
        found[lot.code.casefold(), lot.cells] = lot
    return sorted(found.values(), key=lambda lot: (lot.code.casefold(), lot.iec_code))


def _recalled(recalls: QuerySet[Any]) -> Iterable[BadLot]:
    rows = [
        (recall.title, wanted)
        for recall in recalls.filter(closed_at=None, what="cells").order_by("pk")
        if (wanted := RecallFilter.from_json(recall.filter)).lots
    ]
    types = {wanted.battery_type for _title, wanted in rows if wanted.battery_type}
    known = apps.get_model("devices", "BatteryType")._default_manager.filter(pk__in=types) if types else ()
    names = {row.pk: (row.code, row.iec_code) for row in known}
    for title, wanted in rows:
        cells, iec_code = names.get(wanted.battery_type or 0, ("", ""))
        for code in wanted.lots:
            yield BadLot(code, cells, iec_code, _("being recalled: %(title)s") % {"title": title})


def bad_among(bad: Iterable[BadLot], noted: str, cells: str) -> list[BadLot]:
    """Those of the bad lots that a noted lot or date code names, for cells of this type."""
    codes = {code.casefold() for code in (noted.strip(), *lots_of(noted))}
    return [lot for lot in bad if lot.code.casefold() in codes and lot.is_of(cells)]


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
