"""Search on PostgreSQL: both small sigmas are one letter, and what stands in a slot now is found without what stood there.

SQLite gets its tables of parts after every migration (`devices/search_tables.py`).
"""

from django.db import migrations

SERIAL = "LOWER(REPLACE(REPLACE(serial, '-', ''), ' ', ''))"
PLACE = "LOWER(REPLACE(REPLACE(label || ' ' || area, '-', ''), ' ', ''))"

# Name, table, text, where.
INDEXES = (
    ("transmitter_serial_begin", "devices_transmitter", SERIAL, ""),
    ("registration_place_begin", "devices_registration", PLACE, ""),
    ("transmitter_serial_part", "devices_transmitter", SERIAL, ""),
    ("registration_place_part", "devices_registration", PLACE, ""),
    ("registration_present_part", "devices_registration", PLACE, " WHERE removed_at IS NULL"),
)


def make(schema_editor, new, skip=()):
    if schema_editor.connection.vendor != "postgresql":
        return
    with schema_editor.connection.cursor() as cursor:
        cursor.execute("SELECT 1 FROM pg_extension WHERE extname = 'pg_trgm'")
        has_trigrams = cursor.fetchone() is not None
    for name, table, text, where in INDEXES:
        schema_editor.execute(f"DROP INDEX IF EXISTS {name}")
        is_part = name.endswith("_part")
        if name in skip or (is_part and not has_trigrams):
            continue
        expression = f"(REPLACE({text}, 'ς', 'σ') COLLATE \"C\")" if new else f'({text} COLLATE "C")'
        how = f"USING gin ({expression} gin_trgm_ops)" if is_part else f"({expression})"
        schema_editor.execute(f"CREATE INDEX {name} ON {table} {how}{where}")


def forward(apps, schema_editor):
    make(schema_editor, new=True)


def back(apps, schema_editor):
    make(schema_editor, new=False, skip=("registration_present_part",))


class Migration(migrations.Migration):
    dependencies = [("devices", "0007_find_by_part")]

    operations = [migrations.RunPython(forward, back)]
