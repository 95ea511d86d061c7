"""Every read of what silence is judged on: in bulk, a fixed number of queries for any number of receivers."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.apps import apps
from django.db import connection
from django.db.models import Exists, F, Max, OuterRef, Q

from devices.fields import day_number, day_of
from devices.querysets.moments import end_of_day, heard_moment
from devices.rules.silence import ENDED_BY_US, LINK_LOST, MISSING, OUTAGE, Clock, Known, Scene, Unit, supervised_once
from devices.rules.supervision import EVERY, EXCEPTIONS, LINK_TEST_HOURS
from devices.rules.ways_in import BEHIND, behind_of

KINDS = (MISSING, OUTAGE, LINK_LOST)
FEEDER = "feeder"
"""The way by which the source that feeds a receiver reaches us; each panel account is one of its own."""
LATELY = timedelta(days=14)
"""Faults that ended longer ago decide nothing any more."""
SHORTEST_LOOK = timedelta(days=2)
"""Days of check-ins are read for the longest window at least, and for so long at least; who was not heard since is looked up
one by one."""


def _model(name: str) -> Any:
    return apps.get_model("devices", name)._default_manager


@dataclass(frozen=True, slots=True)
class Place:
    """One receiver as it is to be judged, and whose it is."""

    pk: int
    customer_id: int
    site_id: int
    scene: Scene


# --- which receivers --------------------------------------------------------------------------------------------------


def to_judge(at: datetime) -> list[int]:
    """Keys of the receivers that have to be looked at: something came in since, a fault stands, or a link was lost."""
    stands = _model("Fault").filter(receiver=OuterRef("pk"), cleared_at=None)
    heard = Q(evidence=EVERY, heard_until__isnull=False) & (
        Q(judged_until=None) | Q(heard_until__gt=F("judged_until")) | Exists(stands.filter(kind__in=(MISSING, OUTAGE)))
    )
    ours = Exists(stands.filter(kind__in=(MISSING, OUTAGE), found_by="watch"))
    lost = Q(pk__in=_overdue(at))
    rows = _model("Receiver").open().filter(heard | lost | ours | Exists(stands.filter(kind=LINK_LOST)))
    return list(rows.order_by("pk").values_list("pk", flat=True))


def _overdue(at: datetime) -> set[int]:
    """Receivers with a link whose time has run out; sources and panels are few."""
    sources = [
        pk
        for pk, used_at, late_s in _model("IntakeSource")
        .filter(late_after_s__isnull=False, last_used_at__isnull=False, is_active=True, retired_at=None)
        .values_list("pk", "last_used_at", "late_after_s")
        if used_at + timedelta(seconds=late_s) < at
    ]
    late = Q(fed_by__in=sources) | Q(
        evidence=EXCEPTIONS, fed_by__isnull=False, link_tested_at__lt=at - timedelta(hours=LINK_TEST_HOURS)
    )
    # Its source has delivered of others meanwhile; for how long that may go on hangs on its windows.
    late |= Q(evidence=EVERY, fed_by__kind="api", heard_until__lt=F("fed_by__watermark_at") - BEHIND)
    found = set(_model("Receiver").open().filter(late).values_list("pk", flat=True))
    for pk, clock in _panel_clocks(None):
        if clock.out_at < at:
            found.add(pk)
    return found


def _panel_clocks(receiver_ids: Collection[int] | None) -> list[tuple[int, Clock]]:
    """Receivers that a supervised panel speaks for; one without a named receiver speaks for the only one at its site."""
    accounts = list(
        _model("PanelAccount")
        .filter(closed_at=None, supervised_s__isnull=False, last_message_at__isnull=False)
        .values_list("pk", "receiver_id", "site_id", "last_message_at", "supervised_s")
    )
    sites = {site for _, receiver, site, _, _ in accounts if receiver is None}
    there: dict[int, list[int]] = defaultdict(list)
    if sites:
        for pk, site in _model("Receiver").open().filter(site__in=sites).values_list("pk", "site_id"):
            there[site].append(pk)
    found = []
    for account, receiver, site, sign_at, allowed_s in accounts:
        mine = [receiver] if receiver is not None else there[site] if len(there[site]) == 1 else []
        clock = Clock(sign_at, allowed_s, f"panel {account}")
        found += [(pk, clock) for pk in mine if receiver_ids is None or pk in receiver_ids]
    return found


# --- what is known of them --------------------------------------------------------------------------------------------


def read_places(receiver_ids: Collection[int], at: datetime) -> list[Place]:
    """What silence is judged on at some receivers, in the order of their keys; nine queries at most."""
    receivers = list(
        _model("Receiver").open().filter(pk__in=receiver_ids).order_by("pk").values(
            "pk", "customer_id", "site_id", "site__time_zone", "evidence", "heard_until", "link_tested_at", "fed_by_id",
            "fed_by__late_after_s", "fed_by__last_used_at", "fed_by__is_active", "fed_by__retired_at", "fed_by__kind",
            "fed_by__watermark_at",
        )
    )  # fmt: skip
    watched = {row["pk"]: row["heard_until"] for row in receivers if row["evidence"] == EVERY and row["heard_until"]}
    faults, back = _faults([row["pk"] for row in receivers], at)
    units = _units(watched, back)
    clocks = _clocks(receivers, units, at)
    return [
        Place(
            row["pk"], row["customer_id"], row["site_id"],
            Scene(
                row["evidence"], row["heard_until"], at, units.get(row["pk"], ()), faults.get(row["pk"], ()),
                clocks.get(row["pk"], ()),
            ),
        )
        for row in receivers
    ]  # fmt: skip


def _clocks(
    receivers: Iterable[dict[str, Any]], units: Mapping[int, Sequence[Unit]], at: datetime
) -> dict[int, list[Clock]]:
    found: dict[int, list[Clock]] = defaultdict(list)
    rows = list(receivers)
    for row in rows:
        is_fed = row["fed_by_id"] is not None and row["fed_by__is_active"] and row["fed_by__retired_at"] is None
        if is_fed and row["fed_by__late_after_s"] and row["fed_by__last_used_at"]:
            found[row["pk"]].append(Clock(row["fed_by__last_used_at"], row["fed_by__late_after_s"], FEEDER))
        if is_fed and (clock := _behind(row, units.get(row["pk"], ()), at)) is not None:
            found[row["pk"]].append(clock)
        # A test that a person types in by hand supervises nothing.
        if is_fed and row["evidence"] == EXCEPTIONS and row["link_tested_at"]:
            found[row["pk"]].append(Clock(row["link_tested_at"], LINK_TEST_HOURS * 3600, FEEDER))
    for pk, clock in _panel_clocks({row["pk"] for row in rows}):
        found[pk].append(clock)
    return found


def _behind(row: dict[str, Any], units: Sequence[Unit], at: datetime) -> Clock | None:
    """How far a receiver is behind what its source has delivered of others, as a way that was silent for so long."""
    windows = [unit.window_s for unit in units if unit.window_s and not unit.is_away]
    behind = behind_of(
        row["evidence"], row["fed_by__kind"], row["heard_until"], row["fed_by__watermark_at"], min(windows, default=None),
        row["fed_by__late_after_s"],
    )  # fmt: skip
    if behind is None:
        return None
    # Once it is lost, it is so since one moment: a source that falls silent altogether after that leaves it there.
    told_at = row["fed_by__last_used_at"] if behind.is_lost else None
    return Clock((told_at or at) - behind.by, behind.allowed_s, FEEDER)


def _faults(
    receiver_ids: Sequence[int], at: datetime
) -> tuple[dict[int, list[Known]], dict[tuple[int, int], datetime]]:
    """Faults by receiver, and when a receiver last took "missing" back of a transmitter."""
    rows = _model("Fault").filter(
        Q(cleared_at=None) | Q(cleared_at__gte=at - LATELY), receiver__in=receiver_ids, kind__in=KINDS
    )
    faults: dict[int, list[Known]] = defaultdict(list)
    back: dict[tuple[int, int], datetime] = {}
    for pk, receiver, kind, unit, raised, cleared, found_by, cause, seen_at in rows.order_by(
        "raised_at", "pk"
    ).values_list(
        "pk", "receiver_id", "kind", "transmitter_id", "raised_at", "cleared_at", "found_by", "cause", "acknowledged_at"
    ):
        if cleared is not None and unit is not None and cause not in ENDED_BY_US:
            back[receiver, unit] = max(cleared, back.get((receiver, unit), cleared))
        faults[receiver].append(Known(pk, kind, raised, unit, found_by == "signal", cleared, seen_at))
    # Also where nothing of the kind had been reported, as when we saw the silence ourselves.
    restored = _model("FaultReport").filter(
        receiver__in=receiver_ids, transmitter__isnull=False, kind=MISSING, is_raised=False, at__gte=at - LATELY
    )
    for receiver, unit, last in restored.values_list("receiver_id", "transmitter_id").annotate(last=Max("at")):
        back[receiver, unit] = max(last, back.get((receiver, unit), last))
    return faults, back


def _units(watched: dict[int, datetime], back: dict[tuple[int, int], datetime]) -> dict[int, list[Unit]]:
    """Transmitters of receivers whose check-ins reach us."""
    if not watched:
        return {}
    rows = list(
        _model("Registration").open().filter(receiver__in=watched, transmitter__isnull=False)
        .order_by("receiver_id", "slot", "pk")
        .values_list(
            "pk", "receiver_id", "transmitter_id", "supervision", "window_s", "interval_s", "registered_at",
            "replaces__receiver_id", "replaces__transmitter_id", "replaces__registered_at",
        )
    )  # fmt: skip
    away, returned = _away(watched)
    longest = timedelta(seconds=max((row[4] or 0 for row in rows), default=0))
    since = (min(watched.values()) - max(longest, SHORTEST_LOOK)).astimezone(UTC).date()
    heard = last_heard([row[2] for row in rows], since)
    found: dict[int, list[Unit]] = defaultdict(list)
    for pk, receiver, unit, supervision, window_s, interval_s, begun, old_receiver, old_unit, old_begun in rows:
        # Changed settings begin another registration; the silence of before goes on.
        goes_on = old_receiver == receiver and old_unit == unit
        backs = [at for at in (back.get((receiver, unit)), returned.get(pk)) if at is not None]
        found[receiver].append(
            Unit(
                unit, pk, window_s if supervision == "on" else None, interval_s, old_begun if goes_on else begun,
                heard.get(unit), max(backs, default=None), pk in away,
            )
        )  # fmt: skip
    return {receiver: supervised_once(units) for receiver, units in found.items()}


def _away(watched: Collection[int]) -> tuple[set[int], dict[int, datetime]]:
    """Registrations that are away now, and when others came back: with the end of their last day away."""
    # An absence that was taken back ends on the day it began.
    rows = _model("Away").filter(registration__receiver__in=watched, registration__removed_at=None)
    rows = rows.exclude(ended_on=F("from_on"))
    away: set[int] = set()
    back: dict[int, datetime] = {}
    for pk, ended_on, zone in rows.values_list("registration_id", "ended_on", "site__time_zone"):
        if ended_on is None:
            away.add(pk)
            continue
        # The end is exclusive: on that day it is back, at an hour that nobody wrote down.
        moment = end_of_day(ended_on, ZoneInfo(zone)).astimezone(UTC)
        back[pk] = max(moment, back.get(pk, moment))
    return away, back


def last_heard(transmitter_ids: Iterable[int], since: date) -> dict[int, datetime]:
    """Transmitter → moment of its last check-in, in UTC. Those not heard since that day are looked up one by one."""
    ids = sorted(set(transmitter_ids))
    found: dict[int, datetime] = {}
    for read in (lambda: _heard_since(ids, since), lambda: _heard_ever([pk for pk in ids if pk not in found])):
        for pk, day, seconds in read():
            moment = heard_moment(day, seconds)
            if moment is not None:
                found[pk] = moment
    return found


def _heard_since(ids: Sequence[int], since: date) -> list[tuple[int, date, int]]:
    """Days with a check-in since a day."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "SELECT DISTINCT ON (transmitter_id) transmitter_id, day, last_heard_s FROM devices_checkinday "
                "WHERE transmitter_id = ANY(%s) AND day >= %s AND last_heard_s IS NOT NULL ORDER BY transmitter_id, day DESC",
                [list(ids), since],
            )
            return list(cursor.fetchall())
        cursor.execute(
            "SELECT d.transmitter_id, MAX(d.day), d.last_heard_s FROM json_each(%s) k CROSS JOIN devices_checkinday d "
            "WHERE d.transmitter_id = k.value AND d.day >= %s AND d.last_heard_s IS NOT NULL GROUP BY d.transmitter_id",
            [json.dumps(list(ids)), day_number(since)],
        )
        return [(pk, day_of(day), seconds) for pk, day, seconds in cursor.fetchall()]


def _heard_ever(ids: Sequence[int]) -> list[tuple[int, date, int]]:
    """The last day with a check-in of each, however long ago."""
    if not ids:
        return []
    newest = "d.last_heard_s IS NOT NULL ORDER BY d.day DESC LIMIT 1"
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "SELECT k.t, h.day, h.last_heard_s FROM unnest(%s::int[]) AS k(t) CROSS JOIN LATERAL "
                f"(SELECT d.day, d.last_heard_s FROM devices_checkinday d WHERE d.transmitter_id = k.t AND {newest}) h",
                [list(ids)],
            )
            return list(cursor.fetchall())
        cursor.execute(
            "SELECT d.transmitter_id, d.day, d.last_heard_s FROM json_each(%s) k JOIN devices_checkinday d "
            "ON d.transmitter_id = k.value AND d.day = (SELECT MAX(n.day) FROM devices_checkinday n "
            "WHERE n.transmitter_id = k.value AND n.last_heard_s IS NOT NULL)",
            [json.dumps(list(ids))],
        )
        return [(pk, day_of(day), seconds) for pk, day, seconds in cursor.fetchall()]
