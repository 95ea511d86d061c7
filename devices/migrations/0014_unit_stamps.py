"""Stamps of transmitters; their triggers, and the first drawing, follow after the migrations (`devices.unit_stamps`)."""

from django.db import migrations

import devices.fields


class Migration(migrations.Migration):
    dependencies = [("devices", "0013_set_aside_units")]

    operations = [
        migrations.SeparateDatabaseAndState(
            # By hand: Django would remake the table on SQLite, and the indexes made by hand would be lost with the old one.
            database_operations=[
                migrations.RunSQL(
                    "ALTER TABLE devices_transmitter ADD COLUMN stamp bigint NOT NULL DEFAULT 0",
                    "ALTER TABLE devices_transmitter DROP COLUMN stamp",
                )
            ],
            state_operations=[
                migrations.AddField(
                    model_name="transmitter", name="stamp", field=devices.fields.StampField(default=0, editable=False)
                )
            ],
        )
    ]
