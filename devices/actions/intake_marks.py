"""How far a batch brings its source and the receivers: the watermarks that silence is judged on, link tests, who feeds a receiver."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, NamedTuple

from devices.actions import intake_sql as isql
from devices.actions import rollup_sql as sql
from devices.actions.intake_placing import Placed, Sender
from devices.models import IntakeSource
from devices.rules.events import Event, EventKind

CHECK_IN = EventKind.CHECK_IN.value
_RANK = {
    kind.value: place
    for place, kind in enumerate((IntakeSource.Kind.FILE, IntakeSource.Kind.PANEL, IntakeSource.Kind.API))
}
"""Who takes a receiver over from whom."""


class Marks(NamedTuple):
    """Up to when a batch says that everything is delivered: to receivers that its sender feeds, and to others that it names."""

    feeding: datetime | None
    naming: datetime | None


def watermarks(
    sender: Sender, events: Sequence[Event], placed: Placed, until: datetime | None, head: dict[str, Any]
) -> Marks:
    """Up to when everything counts as delivered, by what the sender says or else by its rows.

    Of a gateway its check-ins count, also of units that nobody knows: it may hand an alarm over at once, and hours of
    check-ins after it. So they do of whoever else tells of a receiver that another source feeds: what a panel reports at
    noon says nothing of the check-ins that a gateway has not delivered since the morning. What names a receiver that is not
    known here tells nothing of the others, nor does a time that had to be cut as long as another one was not.
    """
    aside = {one.event.row for one in placed.aside if one.event.receiver and one.receiver_id is None}
    heard = [event[2] for event in events if event[1] == CHECK_IN and event[0] not in aside]
    naming = _latest(heard, until, head)
    if sender.kind == IntakeSource.Kind.API:
        return Marks(naming, naming)
    return Marks(_latest([event[2] for event in events], until, head), naming)


def _latest(moments: list[datetime], until: datetime | None, head: dict[str, Any]) -> datetime | None:
    at: datetime = head["received_at"]
    if head["n_clamped"]:
        moments = [moment for moment in moments if moment < at] or moments
    if until is not None:
        moments = [*moments, until]
    return min(max(moments), at) if moments else None


def mark_asks(
    sender: Sender, fed: Sequence[isql.Fed], placed: Placed, marks: Marks, head: dict[str, Any]
) -> list[sql.Ask]:  # fmt: skip
    """Note how far receivers and source have delivered; no mark ever goes back."""
    changed = [new for row in fed if (new := _marked(sender, row, placed, marks)) != row]
    source = isql.mark_source_ask(sender.source_id, marks.feeding, head["received_at"], head["n_clamped"])
    return [*isql.mark_receivers_asks(changed), source]


def tested(row: isql.Fed, placed: Placed) -> isql.Fed:
    """The receiver with the newest link test that the batch holds."""
    told = placed.link_tests.get(row.id)
    is_newer = told is not None and (row.link_tested_at is None or told > row.link_tested_at)
    return row._replace(link_tested_at=told) if is_newer else row


def _marked(sender: Sender, row: isql.Fed, placed: Placed, marks: Marks) -> isql.Fed:
    """How a batch leaves a receiver: who feeds it, when its link was tested, and up to when it is delivered; nothing goes back."""
    row = tested(row, placed)
    # A gateway takes over from files and panels, a panel from files: who brings check-ins says how far they have come, and
    # the word of whoever is live is newer than that of whoever uploads the past.
    is_free = row.fed_by is None or not row.feeder_is_active or _RANK[sender.kind] > _RANK.get(row.feeder_kind or "", 0)
    if is_free and row.is_open:
        row = row._replace(fed_by=sender.source_id)
    is_feeder = row.fed_by == sender.source_id
    mark = marks.feeding if is_feeder else marks.naming
    is_its_own = is_feeder or row.id == sender.receiver_id
    if mark and is_its_own and (row.heard_until is None or mark > row.heard_until):
        row = row._replace(heard_until=mark)
    return row
