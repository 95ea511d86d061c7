"""Indexes for the search box: a serial by its beginning on both databases, any part of a serial or place on PostgreSQL.

They stand on expressions that `maintenance/querysets/search.py` repeats word for word; nothing has to be kept true beside
the tables. A part of a word needs the extension pg_trgm, which the owner of a database may create since PostgreSQL 13.
Without it every answer is the same, only slower.
"""

import logging

from django.db import DatabaseError, migrations, transaction

log = logging.getLogger(__name__)

SERIAL = "LOWER(REPLACE(REPLACE(serial, '-', ''), ' ', ''))"
PLACE = "LOWER(REPLACE(REPLACE(label || ' ' || area, '-', ''), ' ', ''))"

BEGINNINGS = (
    ("transmitter_serial_begin", "devices_transmitter", SERIAL),
    ("registration_place_begin", "devices_registration", PLACE),
)
BY_PART = (
    f'CREATE INDEX transmitter_serial_part ON devices_transmitter USING gin (({SERIAL} COLLATE "C") gin_trgm_ops)',
    f'CREATE INDEX registration_place_part ON devices_registration USING gin (({PLACE} COLLATE "C") gin_trgm_ops)',
)


def has_trigrams(connection):
    """Create the extension, or say in the log why parts of words will be found more slowly."""
    try:
        # A savepoint: a refusal must not take the rest of the migration along.
        with transaction.atomic(using=connection.alias), connection.cursor() as cursor:
            cursor.execute("CREATE EXTENSION IF NOT EXISTS pg_trgm")
    except DatabaseError as refusal:
        log.warning(
            "The search stays slow on large fleets: PostgreSQL's extension pg_trgm could not be created (%s). "
            "Let the database's administrator run CREATE EXTENSION pg_trgm, then: %s",
            str(refusal).strip().splitlines()[0], "; ".join(BY_PART),
        )
        return False
    return True


def make(apps, schema_editor):
    connection = schema_editor.connection
    is_postgresql = connection.vendor == "postgresql"
    for name, table, text in BEGINNINGS:
        expression = f'({text} COLLATE "C")' if is_postgresql else text
        schema_editor.execute(f"CREATE INDEX {name} ON {table} ({expression})")
    if is_postgresql and has_trigrams(connection):
        for statement in BY_PART:
            schema_editor.execute(statement)


def drop(apps, schema_editor):
    for name in (
        "transmitter_serial_begin", "registration_place_begin", "transmitter_serial_part", "registration_place_part",
    ):
        schema_editor.execute(f"DROP INDEX IF EXISTS {name}")


class Migration(migrations.Migration):
    dependencies = [("devices", "0006_pins_of_places")]

    operations = [migrations.RunPython(make, drop)]
