"""How far a batch brings its source and the receivers: watermarks, link tests, and who feeds a receiver. Nothing goes back."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from devices.actions import intake_sql as isql
from devices.actions import rollup_sql as sql
from devices.actions.intake_placing import Placed, Sender
from devices.models import IntakeSource
from devices.rules.events import Event, EventKind

CHECK_IN = EventKind.CHECK_IN.value


def watermark_of(
    sender: Sender, events: Sequence[Event], placed: Placed, until: datetime | None, head: dict[str, Any]
) -> datetime | None:
    """Up to when everything counts as delivered, by what the sender says or else by its rows.

    Of a gateway its check-ins count, also of units that nobody knows: it may hand an alarm over at once, and hours of
    check-ins after it. What names a receiver that is not known here tells nothing of the others, nor does a time that had
    to be cut as long as another one was not.
    """
    at: datetime = head["received_at"]
    if sender.kind == IntakeSource.Kind.API:
        aside = {one.event.row for one in placed.aside if one.event.receiver and one.receiver_id is None}
        moments = [event[2] for event in events if event[1] == CHECK_IN and event[0] not in aside]
    else:
        moments = [event[2] for event in events]
    if head["n_clamped"]:
        moments = [moment for moment in moments if moment < at] or moments
    if until is not None:
        moments.append(until)
    return min(max(moments), at) if moments else None


def mark_asks(
    sender: Sender, fed: Sequence[isql.Fed], placed: Placed, watermark: datetime | None, head: dict[str, Any]
) -> list[sql.Ask]:
    """Note how far receivers and source have delivered; no mark ever goes back."""
    changed = [new for row in fed if (new := _marked(sender, row, placed, watermark)) != row]
    source = isql.mark_source_ask(sender.source_id, watermark, head["received_at"], head["n_clamped"])
    return [*isql.mark_receivers_asks(changed), source]


def tested(row: isql.Fed, placed: Placed) -> isql.Fed:
    tested = placed.link_tests.get(row.id)
    is_newer = tested is not None and (row.link_tested_at is None or tested > row.link_tested_at)
    return row._replace(link_tested_at=tested) if is_newer else row


def _marked(sender: Sender, row: isql.Fed, placed: Placed, watermark: datetime | None) -> isql.Fed:
    row = tested(row, placed)
    is_live = sender.kind != IntakeSource.Kind.FILE
    # A gateway takes over from files: its word is newer than that of whoever uploads the past.
    is_free = row.fed_by is None or not row.feeder_is_active or (is_live and row.feeder_kind == IntakeSource.Kind.FILE)
    if is_free and row.is_open:
        row = row._replace(fed_by=sender.source_id)
    is_its_own = row.id == sender.receiver_id or row.fed_by == sender.source_id
    if watermark and is_its_own and (row.heard_until is None or watermark > row.heard_until):
        row = row._replace(heard_until=watermark)
    return row
