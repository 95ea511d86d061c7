"""Reads of what the radio tells of slots: sums of their check-in days, weak links, and strangers heard; a fixed number of queries."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Collection
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.apps import apps
from django.db import connection

from devices.fields import day_number, day_of
from devices.querysets.set_aside import GROUP, units_dismissed
from devices.rules.findings_facts import Stranger, WeakLink
from devices.rules.radio_record import RECORD_DAYS, WHOLE_DAY_FROM, RadioRecord, Watched
from devices.rules.silence import ABSORBED, AWAY, LATE

STRANGER_SPAN = timedelta(days=30)
"""Strangers heard longer ago are no news."""

FALL = ("onset_on", "amber_since", "red_since", "share_before", "share_now")


def _model(name: str) -> Any:
    return apps.get_model("devices", name)._default_manager


def radio_records(
    registration_ids: Collection[int], today: date, n_days: int = RECORD_DAYS
) -> dict[int, RadioRecord]:  # fmt: skip
    """Registration → what came of its transmitter's check-ins over the last days before today, at this receiver and interval.

    Left out are outages of the receiver, and whole days without any check-in where several were expected: those are silences
    of their own. One query for any number of slots; slots without a day on record are left out.
    """
    if not registration_ids:
        return {}
    first = today - timedelta(days=n_days)
    postgresql = connection.vendor == "postgresql"
    begun = "(e.registered_at AT TIME ZONE 'UTC')::date" if postgresql else _number("substr(e.registered_at, 1, 10)")
    outage_day = "o.day" if postgresql else _number("o.day")
    which = "r.id = ANY(%s)" if postgresql else "r.id IN (SELECT value FROM json_each(%s))"
    out = f"(o.id IS NOT NULL OR (d.heard = 0 AND d.expected >= {WHOLE_DAY_FROM}))"
    counts = ", ".join(
        f"SUM(CASE WHEN {out} THEN 0 ELSE {what} END)" for what in ("1", "d.expected", "d.heard", "d.loss_runs")
    )
    # Changed settings begin another registration, but neither another path nor another interval.
    query = f"""
        SELECT r.id, {counts}, MIN(d.day), SUM(CASE WHEN {out} THEN 1 ELSE 0 END)
        FROM devices_registration r
        {"JOIN" if postgresql else "CROSS JOIN"} devices_checkinday d
        LEFT JOIN devices_outageday o ON o.receiver_id = r.receiver_id AND {outage_day} = d.day
        WHERE {which} AND d.transmitter_id = r.transmitter_id AND d.day >= %s AND d.day < %s AND d.expected > 0
        AND d.day > (SELECT MIN({begun}) FROM devices_registration e WHERE e.transmitter_id = r.transmitter_id
                     AND e.receiver_id = r.receiver_id AND e.interval_s = r.interval_s)
        GROUP BY r.id"""
    if postgresql:
        query = query.replace(
            "JOIN devices_checkinday d\n", "JOIN devices_checkinday d ON d.transmitter_id = r.transmitter_id\n", 1
        )
    ids: Any = sorted(registration_ids)
    values: list[Any] = [ids, first, today] if postgresql else [json.dumps(ids), day_number(first), day_number(today)]
    with connection.cursor() as cursor:
        cursor.execute(query, values)
        rows = cursor.fetchall()
    return {
        pk: RadioRecord(n, expected, min(heard, expected), runs, since if postgresql else day_of(since), n_out)
        for pk, n, expected, heard, runs, since, n_out in rows
    }


NO_SILENCE = (ABSORBED, LATE, AWAY)
"""Ends that say it was no silence of the transmitter, or one that was agreed."""
SAME_STAY = timedelta(days=1)
"""A registration that begins no later after the one before goes on with the same stay."""


def watched_windows(
    receiver_ids: Collection[int], today: date, n_days: int = RECORD_DAYS
) -> dict[int, Watched]:  # fmt: skip
    """Registration in force → missing faults since its window is in use there, over the last days before today (of UTC).

    Only days up to which silence was looked for count, whole ones; a slot without any, or without a window, is left out. Two
    queries for any number of slots. Days that were handed over long afterwards count as watched: what was over by then
    raised no fault.
    """
    first = today - timedelta(days=n_days)
    rows = _model("Registration").filter(
        receiver__in=receiver_ids, transmitter__isnull=False, receiver__judged_until__isnull=False
    )
    stays: dict[tuple[int, int, int], list[Any]] = defaultdict(list)
    for row in rows.order_by("registered_at", "pk").values(
        "pk", "receiver_id", "transmitter_id", "input_number", "supervision", "window_s", "interval_s", "registered_at",
        "removed_at", "receiver__judged_until",
    ):  # fmt: skip
        stays[row["receiver_id"], row["transmitter_id"], row["input_number"]].append(row)
    spans: dict[int, tuple[tuple[int, int], date, date]] = {}
    for (receiver, unit, _), some in stays.items():
        last = some[-1]
        if last["removed_at"] is None and last["supervision"] != "off" and last["window_s"]:
            since = max(first, _same_window_since(some).astimezone(UTC).date() + timedelta(days=1))
            until = min(today, last["receiver__judged_until"].astimezone(UTC).date())
            if since < until:
                spans[last["pk"]] = ((receiver, unit), since, until)
    raised = _missing_days({key for key, _, _ in spans.values()}, first)
    return {
        pk: Watched(
            sum(since <= day < until for day in raised.get(key, ())), since, (until - since).days,
            is_whole=since == first and until == today,
        )
        for pk, (key, since, until) in spans.items()
    }  # fmt: skip


def _same_window_since(stays: list[Any]) -> datetime:
    """When the last registration's window and interval began to hold, over registrations that follow each other closely."""
    since = stays[-1]
    for row in reversed(stays[:-1]):
        ends = row["removed_at"]
        if ends is None or since["registered_at"] - ends > SAME_STAY:
            break
        if any(row[name] != since[name] for name in ("supervision", "window_s", "interval_s")):
            break
        since = row
    begun: datetime = since["registered_at"]
    return begun


def _missing_days(keys: Collection[tuple[int, int]], first: date) -> dict[tuple[int, int], list[date]]:
    """Receiver and transmitter → days of UTC on which it began to be missing."""
    if not keys:
        return {}
    rows = _model("Fault").filter(
        kind="missing", receiver__in={receiver for receiver, _ in keys}, transmitter__isnull=False,
        raised_at__gte=datetime.combine(first, datetime.min.time(), UTC),
    )  # fmt: skip
    found: dict[tuple[int, int], list[date]] = defaultdict(list)
    for receiver, unit, at in rows.exclude(cause__in=NO_SILENCE).values_list(
        "receiver_id", "transmitter_id", "raised_at"
    ):
        found[receiver, unit].append(at.astimezone(UTC).date())
    return found


def _number(day: str) -> str:
    """SQL of a day kept as text on SQLite as its number since 2000-01-01."""
    return f"CAST(julianday({day}) - 2451544.5 AS INTEGER)"


def weak_links(receiver_ids: Collection[int]) -> dict[int, dict[int, WeakLink]]:
    """Receiver → transmitter → how its link fell, for those called weak that still stand there."""
    rows = _model("LinkWatch").filter(
        amber_since__isnull=False, registration__receiver__in=receiver_ids, registration__receiver__evidence="every"
    )
    found: dict[int, dict[int, WeakLink]] = defaultdict(dict)
    for receiver, unit, *fall in rows.values_list("registration__receiver_id", "transmitter_id", *FALL):
        found[receiver][unit] = _fall(*fall)
    return found


def weak_one(rows: Any) -> WeakLink | None:
    """How the link of one transmitter fell, from the states that somebody may see; None where it is not called weak."""
    fall = rows.filter(amber_since__isnull=False).values_list(*FALL).first()
    return _fall(*fall) if fall is not None else None


def _fall(onset: date | None, amber: date, red: date | None, before: float | None, now: float | None) -> WeakLink:
    return WeakLink(onset, amber, red is not None, before, now)


def strangers(receivers: dict[int, ZoneInfo], at: datetime) -> dict[int, list[Stranger]]:
    """Receiver → transmitters that it heard of late and that stand nowhere; what somebody has dismissed is left out."""
    every = _model("SetAside")
    rows = every.open().filter(receiver__in=receivers, at__gte=at - STRANGER_SPAN).exclude(serial="")
    heard: dict[tuple[int, str], set[date]] = defaultdict(set)
    gone = units_dismissed(every.all(), rows)
    for receiver, serial, moment, *unit in rows.values_list("receiver_id", "serial", "at", *GROUP):
        if tuple(unit) in gone:
            continue
        heard[receiver, serial].add(moment.astimezone(receivers[receiver] or UTC).date())
    found: dict[int, list[Stranger]] = defaultdict(list)
    for (receiver, serial), days in sorted(heard.items()):
        found[receiver].append(Stranger(serial, len(days), min(days), max(days)))
    return found
