"""Stamps of transmitters: a number that is another one whenever where it stands, its cells, its serial, its customer or its
retirement changed.

Intake keeps in memory what every batch needs to know of each transmitter, and asks under its lock only whether that still
holds (`devices.actions.intake_memory`). So the stamp must change with every change, by whomever and by whatever way: the
database's own triggers see to it, and change the row of the transmitter, so that whoever holds its lock sees no change
under way. A stamp is drawn at random: one that a transaction took back never stands for anything else later.

Made after every migration: SQLite loses triggers whenever Django remakes a table. Where one was missing, all stamps are
drawn anew. They have 53 bits, so that a sum of many is exact.
"""

from __future__ import annotations

import hashlib
from typing import Any

from django.db import connections, transaction

OF_PLACE = (
    "transmitter_id", "customer_id", "site_id", "receiver_id", "slot", "registered_at", "removed_at", "interval_s",
)  # fmt: skip
OF_CELLS = ("transmitter_id", "customer_id", "fitted_at", "entered_at", "removed_at")
OF_PERIOD = ("fitting_id", "from_on")
OF_UNIT = ("customer_id", "serial", "retired_at")
"""What intake keeps of a registration, of a set of cells, of its setting-period and of the transmitter itself."""

UNIT, PLACE, CELLS, PERIOD = (
    "devices_transmitter", "devices_registration", "devices_fitting", "devices_fittingtotals",
)  # fmt: skip
_DRAWN = {"postgresql": "(random() * 9007199254740992)::bigint", "sqlite": "(random() & 9007199254740991)"}


def ensure_stamps(using: str = "default", **unknown: Any) -> None:
    """Make the triggers that are missing or not as they should be, and then draw all stamps. Otherwise nothing changes."""
    connection = connections[using]
    with connection.cursor() as cursor:
        columns = {
            column.name
            for column in connection.introspection.get_table_description(cursor, UNIT)
        } if UNIT in connection.introspection.table_names(cursor) else set()  # fmt: skip
    # Going back to an older migration also ends here.
    if "stamp" not in columns:
        return
    with transaction.atomic(using=using), connection.cursor() as cursor:
        (_ensure_postgresql if connection.vendor == "postgresql" else _ensure_sqlite)(cursor)


def lift_stamps(using: str = "default", plan: Any = None, **unknown: Any) -> None:
    """Take the triggers of SQLite away before this app's migrations run; `ensure_stamps` makes them again afterwards.

    Where Django remakes a table, a trigger elsewhere that writes it would fail while the table has another name. Meanwhile,
    and where a migration fails, nothing is remembered: see `do_stand`. Those of PostgreSQL stand all the time.
    """
    connection = connections[using]
    if connection.vendor != "sqlite" or not any(migration.app_label == "devices" for migration, _ in plan or ()):
        return
    with connection.cursor() as cursor:
        cursor.execute("SELECT name FROM sqlite_master WHERE type = 'trigger' AND name LIKE 'stamp!_%' ESCAPE '!'")
        for (name,) in cursor.fetchall():
            cursor.execute(f'DROP TRIGGER "{name}"')


# --- SQLite -------------------------------------------------------------------------------------------------------------


def _sqlite_triggers() -> dict[str, str]:
    """SQL of each trigger, by name."""
    found = {
        "stamp_unit": f"AFTER UPDATE {_of(OF_UNIT, UNIT)} BEGIN {_draw('NEW.id')} END",
    }
    for word, table, columns in (("place", PLACE, OF_PLACE), ("cells", CELLS, OF_CELLS)):
        found[f"stamp_{word}_new"] = f"AFTER INSERT ON {table} BEGIN {_draw('NEW.transmitter_id')} END"
        found[f"stamp_{word}_old"] = f"AFTER DELETE ON {table} BEGIN {_draw('OLD.transmitter_id')} END"
        both = _draw("OLD.transmitter_id, NEW.transmitter_id")
        found[f"stamp_{word}"] = f"AFTER UPDATE {_of(columns, table)} BEGIN {both} END"
    fitting = f"SELECT transmitter_id FROM {CELLS} WHERE id IN ({{0}})"
    found["stamp_period_new"] = f"AFTER INSERT ON {PERIOD} BEGIN {_draw(fitting.format('NEW.fitting_id'))} END"
    found["stamp_period_old"] = f"AFTER DELETE ON {PERIOD} BEGIN {_draw(fitting.format('OLD.fitting_id'))} END"
    both = _draw(fitting.format("OLD.fitting_id, NEW.fitting_id"))
    found["stamp_period"] = f"AFTER UPDATE {_of(OF_PERIOD, PERIOD)} BEGIN {both} END"
    return {name: f"CREATE TRIGGER {name} {body}" for name, body in found.items()}


def _of(columns: tuple[str, ...], table: str) -> str:
    differs = " OR ".join(f"OLD.{name} IS NOT NEW.{name}" for name in columns)
    return f"OF {', '.join(columns)} ON {table} WHEN {differs}"


def _draw(ids: str) -> str:
    return f"UPDATE {UNIT} SET stamp = {_DRAWN['sqlite']} WHERE id IN ({ids});"


def do_stand(cursor: Any) -> bool:
    """Whether SQLite has all triggers, as they should be."""
    return _standing(cursor) == _sqlite_triggers()


def _standing(cursor: Any) -> dict[str, str]:
    cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND name LIKE 'stamp!_%' ESCAPE '!'")
    return dict(cursor.fetchall())


def _ensure_sqlite(cursor: Any) -> None:
    wanted, stand = _sqlite_triggers(), _standing(cursor)
    if stand == wanted:
        return
    for name in stand:
        cursor.execute(f'DROP TRIGGER "{name}"')
    for statement in wanted.values():
        cursor.execute(statement)
    cursor.execute(f"UPDATE {UNIT} SET stamp = {_DRAWN['sqlite']}")


# --- PostgreSQL ---------------------------------------------------------------------------------------------------------

_FUNCTION = f"""
CREATE OR REPLACE FUNCTION devices_stamp() RETURNS trigger LANGUAGE plpgsql AS $body$
DECLARE
    ids int[];
BEGIN
    IF TG_TABLE_NAME = '{UNIT}' THEN
        NEW.stamp := {_DRAWN["postgresql"]};
        RETURN NEW;
    ELSIF TG_TABLE_NAME = '{PERIOD}' AND TG_LEVEL = 'ROW' THEN
        SELECT array_agg(f.transmitter_id) INTO ids FROM {CELLS} f WHERE f.id IN (OLD.fitting_id, NEW.fitting_id);
    ELSIF TG_TABLE_NAME = '{PERIOD}' THEN
        SELECT array_agg(f.transmitter_id) INTO ids FROM changed c JOIN {CELLS} f ON f.id = c.fitting_id;
    ELSIF TG_TABLE_NAME = '{PLACE}' AND TG_OP = 'UPDATE' THEN
        SELECT array_agg(u.id) INTO ids FROM changed n JOIN replaced o ON o.id = n.id
            CROSS JOIN LATERAL (VALUES (o.transmitter_id), (n.transmitter_id)) AS u(id)
            WHERE ({", ".join(f"o.{name}" for name in OF_PLACE)}) IS DISTINCT FROM ({", ".join(f"n.{name}" for name in OF_PLACE)});
    ELSIF TG_TABLE_NAME = '{CELLS}' AND TG_OP = 'UPDATE' THEN
        SELECT array_agg(u.id) INTO ids FROM changed n JOIN replaced o ON o.id = n.id
            CROSS JOIN LATERAL (VALUES (o.transmitter_id), (n.transmitter_id)) AS u(id)
            WHERE ({", ".join(f"o.{name}" for name in OF_CELLS)}) IS DISTINCT FROM ({", ".join(f"n.{name}" for name in OF_CELLS)});
    ELSE
        SELECT array_agg(c.transmitter_id) INTO ids FROM changed c;
    END IF;
    IF ids IS NOT NULL THEN
        -- In the order in which everybody locks them.
        PERFORM 1 FROM {UNIT} WHERE id = ANY(ids) ORDER BY id FOR NO KEY UPDATE;
        UPDATE {UNIT} SET stamp = {_DRAWN["postgresql"]} WHERE id = ANY(ids);
    END IF;
    RETURN NULL;
END
$body$
"""


def _postgresql_triggers() -> dict[str, tuple[str, str]]:
    """Table and body of each trigger, by name."""
    run = "EXECUTE FUNCTION devices_stamp()"
    differs = " OR ".join(f"OLD.{name} IS DISTINCT FROM NEW.{name}" for name in OF_UNIT)
    found = {
        "stamp_unit": (UNIT, f"BEFORE UPDATE OF {', '.join(OF_UNIT)} ON {UNIT} FOR EACH ROW WHEN ({differs}) {run}"),
        # What batches add to a period all the time changes no stamp.
        "stamp_period": (PERIOD, f"AFTER UPDATE OF {', '.join(OF_PERIOD)} ON {PERIOD} FOR EACH ROW {run}"),
    }
    for word, table in (("place", PLACE), ("cells", CELLS), ("period", PERIOD)):
        new, old = "NEW TABLE AS changed", "OLD TABLE AS changed"
        found[f"stamp_{word}_new"] = (table, f"AFTER INSERT ON {table} REFERENCING {new} FOR EACH STATEMENT {run}")
        found[f"stamp_{word}_old"] = (table, f"AFTER DELETE ON {table} REFERENCING {old} FOR EACH STATEMENT {run}")
        if table != PERIOD:
            both = f"{new} OLD TABLE AS replaced"
            found[f"stamp_{word}"] = (table, f"AFTER UPDATE ON {table} REFERENCING {both} FOR EACH STATEMENT {run}")
    return found


def _ensure_postgresql(cursor: Any) -> None:
    wanted = _postgresql_triggers()
    # The digest of what the triggers are made by stands in the function, so that a look at its text tells all.
    digest = hashlib.sha256(repr(wanted).encode()).hexdigest()
    function = _FUNCTION.replace("BEGIN", f"BEGIN -- {digest}", 1)
    tables = [PLACE, CELLS, PERIOD, UNIT]
    cursor.execute(
        "SELECT t.tgname, p.prosrc FROM pg_trigger t JOIN pg_proc p ON p.oid = t.tgfoid WHERE p.proname = 'devices_stamp' "
        "AND t.tgenabled = 'O' AND t.tgrelid = ANY(SELECT to_regclass(name) FROM unnest(%s::text[]) AS name)",
        [tables],
    )
    stand = dict(cursor.fetchall())
    if set(stand) == set(wanted) and set(stand.values()) == {function.split("$body$")[1]}:
        return
    cursor.execute("DROP FUNCTION IF EXISTS devices_stamp() CASCADE")
    cursor.execute(function)
    for name, (_, statement) in wanted.items():
        cursor.execute(f"CREATE TRIGGER {name} {statement}")
    cursor.execute(f"UPDATE {UNIT} SET stamp = {_DRAWN['postgresql']}")
