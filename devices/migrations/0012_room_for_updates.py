"""Room beside rows that are written with every batch of check-ins, and an index of the few serials that are not plain.

A row that is updated stays on its page, and in none of its indexes anything changes, where there is room for the new
version: measured, four in a hundred updates of totals found room before, nearly all do with pages half full. Pages that are
full already empty as their rows are written again.
"""

from django.db import migrations

ROOM = {"devices_fittingtotals": 50, "devices_receiver": 70}
# Hyphens and blanks of other alphabets are folded by us, not by the database (`devices.actions.intake_sql`).
WIDE = {
    "postgresql": "octet_length(serial) <> length(serial)",
    "sqlite": "length(CAST(serial AS BLOB)) <> length(serial)",
}


def make(apps, schema_editor):
    vendor = schema_editor.connection.vendor
    schema_editor.execute(
        f"CREATE INDEX transmitter_serial_wide ON devices_transmitter (customer_id) WHERE {WIDE[vendor]}"
    )
    if vendor == "postgresql":
        for table, percent in ROOM.items():
            schema_editor.execute(f"ALTER TABLE {table} SET (fillfactor = {percent})")


def drop(apps, schema_editor):
    schema_editor.execute("DROP INDEX transmitter_serial_wide")
    if schema_editor.connection.vendor == "postgresql":
        for table in ROOM:
            schema_editor.execute(f"ALTER TABLE {table} RESET (fillfactor)")


class Migration(migrations.Migration):
    dependencies = [("devices", "0011_reports_of_before")]

    operations = [migrations.RunPython(make, drop)]
