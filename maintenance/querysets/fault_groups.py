"""Reads of faults that have one cause: the links of receivers whose gateway, or other source, has fallen silent."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db.models import QuerySet

from devices.rules.silence import LINK_LOST
from maintenance.rules.fault_groups import LostLink, together


@dataclass(frozen=True, slots=True)
class LostSource:
    """A silent source with the faults that follow from it: its key, name and kind, and the keys of the faults."""

    source: int
    name: str
    kind: str
    pks: tuple[int, ...]


def lost_sources(faults: QuerySet[Any], at: datetime) -> list[LostSource]:
    """Of these faults the lost links that stand because one source is silent, source by source; one query.

    Only where the source itself is over its time now: a receiver that its own source has forgotten, or whose panel is
    silent, is a case of its own.
    """
    fed = "receiver__fed_by"
    rows = faults.filter(
        cleared_at=None, kind=LINK_LOST, found_by="watch",
        **{f"{fed}__is_active": True, f"{fed}__retired_at": None, f"{fed}__late_after_s__isnull": False,
           f"{fed}__last_used_at__isnull": False},
    )  # fmt: skip
    links, named = [], {}
    for pk, raised_at, source, name, kind, used_at, late_s in rows.order_by("pk").values_list(
        "pk", "raised_at", fed, f"{fed}__name", f"{fed}__kind", f"{fed}__last_used_at", f"{fed}__late_after_s"
    ):
        if used_at + timedelta(seconds=late_s) < at:
            links.append(LostLink(pk, source, raised_at))
            named[source] = (name, kind)
    return [
        LostSource(group[0].source, *named[group[0].source], tuple(link.pk for link in group))
        for group in together(links)
    ]
