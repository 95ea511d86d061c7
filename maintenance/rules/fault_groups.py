"""Which lost links are one thing to see to: those of one source that fell silent at one time. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

TOGETHER = timedelta(minutes=15)
"""Links of one source that were lost so shortly one after the other were lost together. Own choice: they follow from one
clock, and only one that came and went in between (`silence.AGAIN_WITHIN`) began a little earlier."""
LEAST = 3
"""Of fewer each has a line of its own: two are read as quickly as a line about two. Own choice."""


@dataclass(frozen=True, slots=True)
class LostLink:
    """One fault of a lost link: its key, the key of the source that feeds its receiver, and since when it stands."""

    pk: int
    source: int
    raised_at: datetime


def together(links: Iterable[LostLink]) -> list[tuple[LostLink, ...]]:
    """Lost links that belong together, oldest first; those that have no company are left out."""
    groups: list[list[LostLink]] = []
    for link in sorted(links, key=lambda one: (one.source, one.raised_at, one.pk)):
        last = groups[-1][-1] if groups else None
        if last is not None and last.source == link.source and link.raised_at - last.raised_at <= TOGETHER:
            groups[-1].append(link)
        else:
            groups.append([link])
    found = [tuple(group) for group in groups if len(group) >= LEAST]
    return sorted(found, key=lambda group: (group[0].raised_at, group[0].pk))
