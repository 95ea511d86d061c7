"""Search on PostgreSQL: the text that is looked through is kept in the row, folded by the database itself.

Folding a hundred thousand labels at every search took longer than all else. A generated column cannot go stale, and Django
need not know it. Both small sigmas are one letter; what stands in a slot now is found without what stood there.
SQLite gets its tables of parts after every migration (`devices/search_tables.py`).
"""

import logging

from django.db import migrations

log = logging.getLogger(__name__)

OLD = {
    "devices_transmitter": "LOWER(REPLACE(REPLACE(serial, '-', ''), ' ', ''))",
    "devices_registration": "LOWER(REPLACE(REPLACE(label || ' ' || area, '-', ''), ' ', ''))",
}
# Name, table, where.
INDEXES = (
    ("transmitter_serial_begin", "devices_transmitter", ""),
    ("registration_place_begin", "devices_registration", ""),
    ("transmitter_serial_part", "devices_transmitter", ""),
    ("registration_place_part", "devices_registration", ""),
    ("registration_present_part", "devices_registration", " WHERE removed_at IS NULL"),
)


def drop(schema_editor):
    for name, _, _ in INDEXES:
        schema_editor.execute(f"DROP INDEX IF EXISTS {name}")


def make(schema_editor, texts, indexes):
    with schema_editor.connection.cursor() as cursor:
        cursor.execute("SELECT 1 FROM pg_extension WHERE extname = 'pg_trgm'")
        has_trigrams = cursor.fetchone() is not None
    for name, table, where in indexes:
        text = texts[table]
        if not name.endswith("_part"):
            schema_editor.execute(f"CREATE INDEX {name} ON {table} ({text})")
            continue
        statement = f"CREATE INDEX {name} ON {table} USING gin ({text} gin_trgm_ops){where}"
        if has_trigrams:
            schema_editor.execute(statement)
        else:
            log.warning("Without the extension pg_trgm left out, to be made once it is there: %s", statement)


def forward(apps, schema_editor):
    if schema_editor.connection.vendor != "postgresql":
        return
    drop(schema_editor)
    for table, text in OLD.items():
        schema_editor.execute(
            f'ALTER TABLE {table} ADD COLUMN search_text text COLLATE "C" '
            f"GENERATED ALWAYS AS (REPLACE({text}, 'ς', 'σ')) STORED"
        )
    make(schema_editor, dict.fromkeys(OLD, "search_text"), INDEXES)


def back(apps, schema_editor):
    if schema_editor.connection.vendor != "postgresql":
        return
    drop(schema_editor)
    for table in OLD:
        schema_editor.execute(f"ALTER TABLE {table} DROP COLUMN search_text")
    make(schema_editor, {table: f'({text} COLLATE "C")' for table, text in OLD.items()}, INDEXES[:4])


class Migration(migrations.Migration):
    dependencies = [("devices", "0007_find_by_part")]

    operations = [migrations.RunPython(forward, back)]
