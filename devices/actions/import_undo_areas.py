"""Which areas that an import made stay when it is taken back: those that a person has had a hand in, or that are in use.

An area is worked with by its words (a slot, a receiver and a plan name its path), so use is looked for by words.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any
from uuid import UUID

from company.models import ChangeRow
from devices.actions.import_book import chunks
from devices.models import PlannedChange, Receiver, Registration
from sites.models import Area

Former = Mapping[int, str]
"""Key of a record whose area the import changed to the words that it gets back."""


def areas_that_stay(
    keys: Collection[int],
    *,
    batch: UUID | None,
    going: Mapping[Any, Collection[int]],
    former: Mapping[Any, Former],
) -> set[int]:
    """Keys of areas that cannot go with the import.

    Parameters
    ----------
    keys : collection of int
        Areas that the import made.
    batch : UUID or None
        Number of the import in the change log.
    going : mapping
        Model to the keys of its rows that go with the import.
    former : mapping
        Model to what its rows get back (see `Former`).
    """
    stays = _worked_on(keys, batch)
    places: dict[int, tuple[int, str]] = {}
    for some in chunks(sorted(set(keys) - stays)):
        for pk, site, path in Area.objects.filter(pk__in=some).values_list("pk", "site_id", "path"):
            places[pk] = (site, path)
    used = _used(set(places.values()), going, former)
    return stays | {pk for pk, place in places.items() if place in used}


def _worked_on(keys: Collection[int], batch: UUID | None) -> set[int]:
    """Renamed, put at another place of the walk, taken out: whatever a person did to it since and did not take back."""
    found: set[int] = set()
    for some in chunks(sorted(keys)):
        log = ChangeRow.objects.filter(subject_kind="area", subject_id__in=some, undoes=None, undone_by=None)
        found.update(log.exclude(batch=batch).values_list("subject_id", flat=True))
    return found


def _used(
    places: set[tuple[int, str]], going: Mapping[Any, Collection[int]], former: Mapping[Any, Former]
) -> set[tuple[int, str]]:
    """Sites with the paths that a slot, a receiver or an open plan names once the import is taken back."""
    used: set[tuple[int, str]] = set()
    for some in chunks(sorted({site for site, _ in places})):
        for model in (Registration, Receiver):
            gone, back = set(going.get(model, ())), former.get(model, {})
            rows: Any = model._default_manager.filter(site__in=some)
            for pk, site, area in rows.values_list("pk", "site_id", "area"):
                if pk not in gone:
                    used.add((site, back.get(pk, area)))
        plans = PlannedChange.objects.open().filter(site__in=some)
        for site, wanted in plans.values_list("site_id", "wanted"):
            used.add((site, ((wanted or {}).get("settings") or {}).get("area", "")))
    return used & places
