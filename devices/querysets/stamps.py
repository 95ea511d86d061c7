"""What a slot map stands on, in one small read: enough to know whether a kept copy of the page is still true.

The receiver's version moves with every change of its slots, outputs, cells, absences and faults. Beside it the page shows
things that come without touching the receiver: due dates and findings of a night, a renamed site or type. All of them
are in the stamp, so a copy under the stamp can be kept for as long as there is room.
"""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from operator import itemgetter
from typing import Any

from django.apps import apps
from django.db import connections
from django.db.models import DateTimeField, F, IntegerField, TextField
from django.db.models.expressions import RawSQL

from devices.rules.findings_facts import Finding, KeptFindings

# Sums of pairs would be shorter, but two dates that change places must not look like no change.
_LISTED = {
    "sqlite": "(SELECT group_concat({item}, ',') FROM {rows})",
    "postgresql": "(SELECT string_agg({item}, ',' ORDER BY {by}) FROM {rows})",
}

_FINDING = ("code", "what", "where", "why", "do", "since_on", "slot", "output", "duty")
"""Fields of a `Finding`, in its order."""
_FINDINGS = {
    "sqlite": "(SELECT json_group_array(json_array({items})) {rows})",
    "postgresql": "(SELECT CAST(json_agg(json_build_array({items}) ORDER BY n.id) AS text) {rows})",
}


def _tables() -> dict[str, str]:
    # Some are tables of the apps above; a look-up by name keeps imports pointing one way.
    names = {
        "receiver": "devices.Receiver", "registration": "devices.Registration", "fault": "devices.Fault",
        "away": "devices.Away", "checkin": "devices.CheckInDay", "due": "maintenance.DueItem", "entry": "maintenance.Entry",
        "visit": "maintenance.Visit", "change": "company.ChangeRow", "finding": "maintenance.FindingRecord",
        "firm": "company.Firm", "transmitter": "devices.Transmitter", "type": "devices.TransmitterType",
        "battery": "devices.BatteryType",
    }  # fmt: skip
    return {short: apps.get_model(name)._meta.db_table for short, name in names.items()}


def map_stamps(using: str) -> dict[str, RawSQL]:
    """Annotations of receivers: `stamp_…` texts that differ as soon as the slot map does, and the findings kept."""
    vendor = connections[using].vendor
    tables = _tables()
    receiver = f'"{tables["receiver"]}"."id"'
    customer = f'"{tables["receiver"]}"."customer_id"'
    text = "CAST({} AS text)".format

    def listed(item: str, by: str, rows: str) -> str:
        return _LISTED[vendor].format(item=item, by=by, rows=rows.format(**tables, r=receiver, c=customer))

    def one(query: str) -> str:
        return f"({query.format(**tables, r=receiver, c=customer)})"

    due = listed(
        f"{text('d.id')} || ':' || COALESCE({text('d.due_on')}, '') || d.reason", "d.id",
        "{due} d JOIN {registration} g ON g.transmitter_id = d.transmitter_id "
        "WHERE g.receiver_id = {r} AND g.removed_at IS NULL AND NOT d.is_closed",
    )  # fmt: skip
    faults = listed(
        f"{text('f.id')} || CASE WHEN f.cleared_at IS NULL THEN 'o' ELSE 'l' END || {text('f.raised_at')}", "f.id",
        "{fault} f WHERE f.receiver_id = {r} AND (f.cleared_at IS NULL OR (f.is_latched AND f.latch_cleared_at IS NULL))",
    )  # fmt: skip
    heard = listed(
        f"{text('h.transmitter_id')} || ':' || {text('h.day')} || ':' || COALESCE({text('h.last_heard_s')}, '')",
        "h.transmitter_id, h.day",
        "{checkin} h WHERE h.transmitter_id IN (SELECT g.transmitter_id FROM {registration} g WHERE g.receiver_id = {r} "
        "AND g.removed_at IS NULL) AND h.day = (SELECT MAX(n.day) FROM {checkin} n "
        "WHERE n.transmitter_id = h.transmitter_id AND n.last_heard_s IS NOT NULL)",
    )  # fmt: skip
    # A type may be corrected by a data migration or by hand, which no log of changes tells of.
    types = listed(
        f"{text('t.id')} || t.label || ':' || t.kind || t.power || {text('t.cells_series * t.cells_parallel')} || "
        "COALESCE(b.iec_code, '')", "t.id",
        "{type} t LEFT JOIN {battery} b ON b.id = t.battery_type_id WHERE t.id IN (SELECT x.type_id FROM {transmitter} x "
        "JOIN {registration} g ON g.transmitter_id = x.id WHERE g.receiver_id = {r})",
    )  # fmt: skip
    # Whole and not as a stamp: a finding keeps its row while its words, its weight and its rest change.
    findings = _FINDINGS[vendor].format(
        items=", ".join(f'n."{name}"' for name in ("id", "harm", "snoozed_until", *_FINDING)),
        rows="FROM {finding} n WHERE n.receiver_id = {r} AND n.gone_at IS NULL".format(**tables, r=receiver),
    )
    last_visit = (
        "FROM {visit} v JOIN {entry} e ON e.visit_id = v.id WHERE e.receiver_id = {r} AND v.state = 'finished' "
        "ORDER BY v.finished_at DESC LIMIT 1"
    )
    return {
        "stamp_due": RawSQL(due, [], TextField()),
        # Key, day and duty: the page says when the receiver's own battery is due.
        "standby_due": RawSQL(
            one(
                f"SELECT {text('d.id')} || ':' || COALESCE({text('d.due_on')}, '') || ':' || d.duty FROM {{due}} d "
                "WHERE d.receiver_id = {r} AND d.kind = 'standby' AND NOT d.is_closed"
            ),
            [], TextField(),
        ),
        "stamp_faults": RawSQL(faults, [], TextField()),
        "stamp_types": RawSQL(types, [], TextField()),
        "found": RawSQL(findings, [], TextField()),
        # How the firm writes, and its name in the frame of the page.
        "stamp_firm": RawSQL(
            one("SELECT f.date_style || ':' || f.units || ':' || f.language || ':' || f.name FROM {firm} f"), [], TextField()
        ),
        # Whatever a person changed at this customer or for the whole company: sites, types, letterhead, undo.
        "stamp_own": RawSQL(one("SELECT MAX(w.id) FROM {change} w WHERE w.customer_id = {c}"), [], IntegerField()),
        "stamp_company": RawSQL(one("SELECT MAX(w.id) FROM {change} w WHERE w.customer_id IS NULL"), [], IntegerField()),
        "stamp_work": RawSQL(
            one(
                f"SELECT {text('COUNT(*)')} || ':' || {text('COALESCE(MAX(e.id), 0)')} || ':' || "
                f"{text('COALESCE(SUM(CASE WHEN e.is_withdrawn THEN 1 ELSE 0 END), 0)')} "
                "FROM {entry} e WHERE e.receiver_id = {r}"
            ),
            [], TextField(),
        ),
        "visit_id": RawSQL(one(f"SELECT v.id {last_visit}"), [], IntegerField()),
        "visited_at": RawSQL(one(f"SELECT v.finished_at {last_visit}"), [], DateTimeField()),
        "stamp_heard": RawSQL(
            f"CASE WHEN \"{tables['receiver']}\".\"evidence\" = 'every' THEN {heard} ELSE '' END", [], TextField()
        ),
    }  # fmt: skip


MAP_FIELDS = (
    "pk", "customer_id", "site_id", "type_id", "code", "n_slots", "label", "area", "serial", "evidence", "supply_v",
    "fed_from", "link_tested_at", "heard_until", "version", "removed_at", "replaces_id", "cable_m",
    "standby_fitted_on",
)  # fmt: skip


_prepared: dict[tuple[str, tuple[str, ...]], tuple[str, list[str]]] = {}


def map_heads(receivers: Any, **wanted: Any) -> list[dict[str, Any]]:
    """Read receivers with all that heads their slot maps, and the stamps of these, as plain values.

    Building this query costs more than the database needs to answer it, and most pages need nothing else. So it is built
    once for staff, who see every receiver; any narrower scope builds its own.
    """
    shape = (connections[receivers.db].vendor, tuple(wanted))
    if receivers.query.where:
        return list(_query(receivers.filter(**wanted)))
    if shape not in _prepared:
        query = _query(receivers.filter(**wanted)).query
        _prepared[shape] = (query.sql_with_params()[0], list(query.selected))
    sql, names = _prepared[shape]
    for value in wanted.values():
        if value is not None:
            # Keys only, as numbers: looking for places of parameters in so long a text costs more than the answer.
            sql = sql.replace("%s", str(int(value)), 1)
    with connections[receivers.db].cursor() as cursor:
        cursor.execute(sql)
        found = [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]
    return found


def kept_findings(text: str | None, today: date) -> KeptFindings:
    """Findings of one receiver as they were read with it, worst first; a snooze ends with the morning of its day."""
    awake, n_resting = [], 0
    for pk, harm, until, code, what, where, why, do, since, slot, output, duty in json.loads(text or "[]"):
        if until and until > today.isoformat():
            n_resting += 1
            continue
        since_on = date.fromisoformat(since) if since else None
        finding = Finding(code, what, where, why, do, since_on, slot=slot, output=output, duty=duty)
        awake.append(((harm, since or "9", slot or 0, pk), finding))
    awake.sort(key=itemgetter(0))
    return KeptFindings(tuple(finding for _place, finding in awake), n_resting)


def moment(value: Any) -> datetime | None:
    """A moment as either database hands it over."""
    if isinstance(value, str):
        value = datetime.fromisoformat(value)
    return value.replace(tzinfo=UTC) if value is not None and value.tzinfo is None else value


def _query(receivers: Any) -> Any:
    named = {"site_name": F("site__name"), "zone": F("site__time_zone"), "type_label": F("type__label")}
    named |= {"type_has_standby": F("type__has_standby_battery")}
    named |= {"customer_name": F("customer__name")}
    stamps = map_stamps(receivers.db)
    return receivers.order_by("label", "pk").annotate(**stamps).values(*MAP_FIELDS, *stamps, **named)
