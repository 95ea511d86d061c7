"""Reads of how earlier predictions came out. Each function takes rows that a door has narrowed to what its person may see."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.db.models import F, FloatField, Q, QuerySet
from django.db.models.functions import Abs, Cast, Greatest, Sqrt

from maintenance.rules.honesty_words import FEW

TypeKey = tuple[int | None, int | None, bool]
"""Transmitter type, battery type, whether activations were counted: what makes a kind from one fit to the next."""

LOTS_SHOWN = 8
LEAST_EXPECTED = 0.5
"""Least spread that chance gives a lot's ends."""


def tested_fit(rows: QuerySet[Any]) -> Any | None:
    """The newest fit whose predictions have been tested; None before the first."""
    newest = rows.order_by("-fit__as_of", "-fit_id").select_related("fit").first()
    return newest.fit if newest else None


def outcome_rows(rows: QuerySet[Any]) -> list[Mapping[str, Any]]:
    """Every half-year × kind × duty as plain mappings, oldest first, kinds named."""
    return list(
        rows.order_by("from_on", "duty", "pk").values(
            "from_on", "to_on", "transmitter_type_id", "transmitter_type__label", "battery_type_id",
            "battery_type__iec_code", "is_measured", "duty", "n_batteries", "predicted", "happened", "n_found_dead",
            "n_changed", "facts",
        )
    )  # fmt: skip


def kinds_by_key(strata: QuerySet[Any]) -> dict[TypeKey, tuple[int, float]]:
    """Key of the record of each kind in one fit, and how far its ends are off the model (z)."""
    rows = strata.values_list("transmitter_type_id", "battery_type_id", "is_measured", "pk", "z")
    return {(transmitter, battery, measured): (pk, z) for transmitter, battery, measured, pk, z in rows}


def telling_lots(lots: QuerySet[Any]) -> list[Any]:
    """Lots of which something can be said: suspect ones first, then by how far they are off."""
    spread = Sqrt(Greatest(F("expected"), LEAST_EXPECTED, output_field=FloatField()))
    return list(
        lots.filter(Q(is_suspect=True) | Q(expected__gte=FEW) | Q(observed__gte=FEW))
        .annotate(off=Abs((Cast("observed", FloatField()) - F("expected")) / spread))
        .select_related("stratum__transmitter_type", "stratum__battery_type")
        .order_by("-is_suspect", "-off", "pk")[:LOTS_SHOWN]
    )


def strata_in_alarm(strata: QuerySet[Any]) -> list[Any]:
    """Kinds that the model does not describe, the worst first."""
    return list(
        strata.filter(in_alarm=True).select_related("transmitter_type", "battery_type").order_by(Abs("z").desc(), "pk")
    )
