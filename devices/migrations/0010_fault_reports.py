"""Reports of faults in a table of their own, and the standby battery apart from the mains of a receiver."""

import django.db.models.deletion
import django.db.models.functions.comparison
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("company", "0006_checkin_retention"),
        ("devices", "0009_intake_panels_links"),
        ("sites", "0002_access_note_log"),
    ]

    operations = [
        migrations.AlterField(
            model_name="fault",
            name="kind",
            field=models.CharField(
                choices=[
                    ("missing", "missing"),
                    ("low_battery", "low battery"),
                    ("tamper", "tamper"),
                    ("trouble", "sensor trouble"),
                    ("interference", "interference"),
                    ("receiver_power", "receiver power"),
                    ("receiver_standby", "receiver standby battery"),
                    ("receiver_tamper", "receiver tamper"),
                    ("receiver_fault", "receiver fault"),
                    ("outage", "receiver hears little or nothing"),
                    ("link_lost", "link lost"),
                ],
                max_length=16,
            ),
        ),
        migrations.CreateModel(
            name="FaultReport",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("missing", "missing"),
                            ("low_battery", "low battery"),
                            ("tamper", "tamper"),
                            ("trouble", "sensor trouble"),
                            ("interference", "interference"),
                            ("receiver_power", "receiver power"),
                            ("receiver_standby", "receiver standby battery"),
                            ("receiver_tamper", "receiver tamper"),
                            ("receiver_fault", "receiver fault"),
                            ("outage", "receiver hears little or nothing"),
                            ("link_lost", "link lost"),
                        ],
                        help_text="Of the fault that it raises or ends.",
                        max_length=16,
                    ),
                ),
                ("at", models.DateTimeField()),
                ("is_raised", models.BooleanField(help_text="It began, or is still there; else it is over.")),
                ("note", models.CharField(blank=True, max_length=120)),
                ("source", models.CharField(blank=True, max_length=40)),
                ("received_at", models.DateTimeField()),
                (
                    "customer",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="company.customer",
                    ),
                ),
                (
                    "receiver",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="fault_reports",
                        to="devices.receiver",
                    ),
                ),
                (
                    "registration",
                    models.ForeignKey(
                        blank=True,
                        db_index=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="devices.registration",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        db_index=False, on_delete=django.db.models.deletion.PROTECT, related_name="+", to="sites.site"
                    ),
                ),
                (
                    "transmitter",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="fault_reports",
                        to="devices.transmitter",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        models.F("receiver"),
                        models.F("at"),
                        models.F("kind"),
                        django.db.models.functions.comparison.Coalesce("transmitter", 0),
                        models.F("is_raised"),
                        name="fault_report_once",
                    )
                ],
            },
        ),
    ]
