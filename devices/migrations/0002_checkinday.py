"""The table of check-in days, made by hand: Django writes neither partitions nor STRICT, WITHOUT ROWID tables."""

import datetime

import django.db.models
from django.db import migrations, models

import devices.fields

SQLITE = """
CREATE TABLE devices_checkinday (
    transmitter_id INTEGER NOT NULL,
    day INTEGER NOT NULL,
    customer_id INTEGER NOT NULL,
    last_heard_s INTEGER,
    heard INTEGER NOT NULL CHECK (heard BETWEEN 0 AND 32767),
    expected INTEGER NOT NULL CHECK (expected BETWEEN 0 AND 32767),
    activations INTEGER NOT NULL CHECK (activations BETWEEN 0 AND 32767),
    loss_runs INTEGER NOT NULL,
    lowest_margin_db INTEGER,
    flags INTEGER NOT NULL,
    presence BLOB,
    PRIMARY KEY (transmitter_id, day)
) STRICT, WITHOUT ROWID
"""

# Widest columns first: PostgreSQL aligns, and 40 million rows pay for every padding byte.
POSTGRESQL = """
CREATE TABLE devices_checkinday (
    transmitter_id integer NOT NULL,
    day date NOT NULL,
    customer_id integer NOT NULL,
    last_heard_s integer,
    heard smallint NOT NULL CHECK (heard >= 0),
    expected smallint NOT NULL CHECK (expected >= 0),
    activations smallint NOT NULL CHECK (activations >= 0),
    loss_runs smallint NOT NULL,
    lowest_margin_db smallint,
    flags smallint NOT NULL,
    presence bytea,
    PRIMARY KEY (transmitter_id, day)
) PARTITION BY RANGE (day)
"""


def month_after(day):
    return (day.replace(day=1) + datetime.timedelta(days=32)).replace(day=1)


def make(apps, schema_editor):
    """Months from three years back to two ahead; the clocked job makes later ones, a default partition catches strays."""
    if schema_editor.connection.vendor == "sqlite":
        schema_editor.execute(SQLITE)
        return
    schema_editor.execute(POSTGRESQL)
    schema_editor.execute(
        "CREATE TABLE devices_checkinday_other PARTITION OF devices_checkinday DEFAULT"
    )
    today = datetime.date.today()
    month, last = (
        today.replace(year=today.year - 3, day=1),
        month_after(month_after(today)),
    )
    while month <= last:
        after = month_after(month)
        schema_editor.execute(
            f"CREATE TABLE devices_checkinday_{month:%Y%m} PARTITION OF devices_checkinday "
            f"FOR VALUES FROM ('{month}') TO ('{after}') WITH (fillfactor=50)"
        )
        month = after


def drop(apps, schema_editor):
    schema_editor.execute("DROP TABLE devices_checkinday")


class Migration(migrations.Migration):
    dependencies = [("devices", "0001_initial")]

    operations = [
        migrations.SeparateDatabaseAndState(
            database_operations=[migrations.RunPython(make, drop)],
            state_operations=[
                migrations.CreateModel(
                    name="CheckInDay",
                    fields=[
                        (
                            "pk",
                            models.CompositePrimaryKey(
                                "transmitter_id",
                                "day",
                                blank=True,
                                editable=False,
                                primary_key=True,
                                serialize=False,
                            ),
                        ),
                        ("transmitter_id", models.IntegerField()),
                        ("day", devices.fields.DayField()),
                        ("customer_id", models.IntegerField()),
                        ("heard", models.SmallIntegerField(default=0)),
                        ("expected", models.SmallIntegerField(default=0)),
                        ("activations", models.SmallIntegerField(default=0)),
                        (
                            "loss_runs",
                            models.SmallIntegerField(
                                default=0, help_text="Number of runs of lost check-ins."
                            ),
                        ),
                        ("lowest_margin_db", models.SmallIntegerField(null=True)),
                        (
                            "flags",
                            models.SmallIntegerField(
                                default=0,
                                help_text="1 low battery seen, 2 tamper seen, 4 counter capped.",
                            ),
                        ),
                        (
                            "last_heard_s",
                            models.IntegerField(
                                help_text="Seconds since midnight UTC of the last check-in.",
                                null=True,
                            ),
                        ),
                        (
                            "presence",
                            models.BinaryField(
                                help_text="96 bits, one a quarter hour; merged by OR.",
                                null=True,
                            ),
                        ),
                    ],
                    options={
                        "db_table": "devices_checkinday",
                    },
                ),
            ],
        ),
    ]
