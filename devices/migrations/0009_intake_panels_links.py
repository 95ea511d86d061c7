"""Intake in full: sources with tokens, what is set aside, panels, links, acknowledged faults, days that are closed."""

import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models


def add_columns(apps, schema_editor):
    """The table of check-in days is made by hand, so its columns are too (Django would remake it on SQLite)."""
    kinds = ("BLOB", "INTEGER") if schema_editor.connection.vendor == "sqlite" else ("bytea", "smallint")
    schema_editor.execute(f"ALTER TABLE devices_checkinday ADD COLUMN acted {kinds[0]}")
    schema_editor.execute(f"ALTER TABLE devices_checkinday ADD COLUMN acts_source {kinds[1]} NOT NULL DEFAULT 0")


def drop_columns(apps, schema_editor):
    schema_editor.execute("ALTER TABLE devices_checkinday DROP COLUMN acts_source")
    schema_editor.execute("ALTER TABLE devices_checkinday DROP COLUMN acted")


def recorded_when_raised(apps, schema_editor):
    """Faults of before were recorded when they were raised, as far as anybody knows; nobody is to get a mail about them."""
    apps.get_model("devices", "Fault").objects.update(recorded_at=models.F("raised_at"))


class Migration(migrations.Migration):
    dependencies = [
        ("company", "0006_checkin_retention"),
        ("devices", "0008_find_greek_and_present"),
        ("sites", "0002_access_note_log"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="LinkDay",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("day", models.DateField(unique=True)),
                ("sum_z2", models.FloatField(default=0)),
                ("n", models.PositiveIntegerField(default=0)),
            ],
        ),
        migrations.CreateModel(
            name="LinkWatch",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("judged_on", models.DateField(null=True)),
                ("score", models.FloatField(default=0)),
                ("base_heard", models.FloatField(default=0)),
                ("base_expected", models.FloatField(default=0)),
                ("onset_on", models.DateField(null=True)),
                ("amber_since", models.DateField(null=True)),
                ("red_since", models.DateField(null=True)),
                ("share_before", models.FloatField(null=True)),
                ("share_now", models.FloatField(null=True)),
            ],
        ),
        migrations.CreateModel(
            name="ListenerState",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("bind", models.CharField(max_length=60, unique=True)),
                ("started_at", models.DateTimeField()),
                ("beat_at", models.DateTimeField()),
                ("stopped_at", models.DateTimeField(blank=True, null=True)),
                ("counts", models.JSONField(default=dict, help_text="Name of a count → number.")),
            ],
        ),
        migrations.CreateModel(
            name="OutageDay",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("day", models.DateField()),
                ("median", models.FloatField()),
            ],
        ),
        migrations.CreateModel(
            name="PanelAccount",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "number",
                    models.CharField(
                        help_text="3 to 16 digits 0–9 and A–F.", max_length=16, verbose_name="account number"
                    ),
                ),
                (
                    "slot_offset",
                    models.SmallIntegerField(
                        default=0,
                        help_text="0 where zone 1 is slot 1; 100 where zone 101 is slot 1.",
                        verbose_name="zone of slot 1, less 1",
                    ),
                ),
                (
                    "key_cipher",
                    models.BinaryField(
                        blank=True, help_text="Key of encrypted frames, sealed. Empty: in clear.", null=True
                    ),
                ),
                (
                    "supervised_s",
                    models.PositiveIntegerField(
                        blank=True,
                        help_text="Empty: the link is not supervised.",
                        null=True,
                        verbose_name="a message at least every [s]",
                    ),
                ),
                ("last_message_at", models.DateTimeField(blank=True, null=True)),
                ("last_peer", models.CharField(blank=True, max_length=60)),
                ("n_frames", models.PositiveIntegerField(default=0)),
                (
                    "n_warned",
                    models.PositiveIntegerField(
                        default=0, help_text="Taken although something about the frame was wrong."
                    ),
                ),
                (
                    "n_refused",
                    models.PositiveIntegerField(default=0, help_text="Not understood, or out of the time window."),
                ),
                ("note", models.CharField(blank=True, max_length=200)),
                ("created_at", models.DateTimeField(default=django.utils.timezone.now)),
                ("closed_at", models.DateTimeField(blank=True, null=True)),
            ],
        ),
        migrations.CreateModel(
            name="PanelStranger",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("number", models.CharField(max_length=16, unique=True)),
                ("first_at", models.DateTimeField()),
                ("last_at", models.DateTimeField()),
                ("n_frames", models.PositiveIntegerField(default=1)),
                ("last_peer", models.CharField(blank=True, max_length=60)),
                (
                    "example",
                    models.CharField(blank=True, help_text="Its last frame, in clear ones only.", max_length=200),
                ),
                ("dismissed_at", models.DateTimeField(blank=True, null=True)),
            ],
        ),
        migrations.AddField(
            model_name="fault",
            name="acknowledged_at",
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="fault",
            name="acknowledged_by",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField(
            model_name="fault",
            name="acknowledged_note",
            field=models.CharField(blank=True, max_length=200),
        ),
        migrations.AddField(
            model_name="fault",
            name="found_by",
            field=models.CharField(
                choices=[("signal", "reported"), ("watch", "seen by us")],
                default="signal",
                help_text="A reported fault ends with its restore; what we saw ourselves ends when we see it is over.",
                max_length=6,
            ),
        ),
        migrations.AddField(
            model_name="fault",
            name="recorded_at",
            field=models.DateTimeField(
                default=django.utils.timezone.now, help_text="When it reached us; raised may be earlier."
            ),
        ),
        migrations.AddField(
            model_name="fittingtotals",
            name="dropped_activations",
            field=models.PositiveIntegerField(db_default=0, default=0),
        ),
        migrations.AddField(
            model_name="fittingtotals",
            name="dropped_checkins",
            field=models.PositiveIntegerField(db_default=0, default=0),
        ),
        migrations.AddField(
            model_name="fittingtotals",
            name="dropped_days",
            field=models.PositiveIntegerField(db_default=0, default=0),
        ),
        migrations.AddField(
            model_name="intakebatch",
            name="by",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField(
            model_name="intakebatch",
            name="file_name",
            field=models.CharField(blank=True, max_length=120),
        ),
        migrations.AddField(
            model_name="intakebatch",
            name="from_at",
            field=models.DateTimeField(blank=True, help_text="First event in it.", null=True),
        ),
        migrations.AddField(
            model_name="intakebatch",
            name="n_clamped",
            field=models.PositiveIntegerField(default=0),
        ),
        migrations.AddField(
            model_name="intakebatch",
            name="n_conflicts",
            field=models.PositiveIntegerField(
                default=0, help_text="Times another content came under this id: refused."
            ),
        ),
        migrations.AddField(
            model_name="intakebatch",
            name="n_repeats",
            field=models.PositiveIntegerField(default=0, help_text="Times it came again, unchanged, and was answered."),
        ),
        migrations.AddField(
            model_name="intakebatch",
            name="n_set_aside",
            field=models.PositiveIntegerField(default=0),
        ),
        migrations.AddField(
            model_name="intakebatch",
            name="until_at",
            field=models.DateTimeField(blank=True, help_text="Last event in it.", null=True),
        ),
        migrations.AddField(
            model_name="intakesource",
            name="column_map",
            field=models.JSONField(blank=True, default=dict, help_text="What was chosen for the last file."),
        ),
        migrations.AddField(
            model_name="intakesource",
            name="created_at",
            field=models.DateTimeField(default=django.utils.timezone.now),
        ),
        migrations.AddField(
            model_name="intakesource",
            name="kind",
            field=models.CharField(
                choices=[
                    ("api", "gateway, by the intake address"),
                    ("file", "event log, by file"),
                    ("panel", "panels, by DC-09 frames"),
                ],
                default="api",
                max_length=6,
            ),
        ),
        migrations.AddField(
            model_name="intakesource",
            name="last_used_at",
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="intakesource",
            name="late_after_s",
            field=models.PositiveIntegerField(
                blank=True,
                help_text="Then the link counts as lost. Empty: never.",
                null=True,
                verbose_name="silent for too long after [s]",
            ),
        ),
        migrations.AddField(
            model_name="intakesource",
            name="n_clamped",
            field=models.PositiveIntegerField(default=0, help_text="Times that a wrong clock gave and that were cut."),
        ),
        migrations.AddField(
            model_name="intakesource",
            name="note",
            field=models.CharField(blank=True, max_length=200),
        ),
        migrations.AddField(
            model_name="intakesource",
            name="per_minute",
            field=models.PositiveIntegerField(default=240, verbose_name="batches a minute, at most"),
        ),
        migrations.AddField(
            model_name="intakesource",
            name="previous_sha256",
            field=models.CharField(blank=True, help_text="Still taken for a while after a new one.", max_length=64),
        ),
        migrations.AddField(
            model_name="intakesource",
            name="previous_until",
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="intakesource",
            name="retired_at",
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="intakesource",
            name="site",
            field=models.ForeignKey(
                blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name="+", to="sites.site"
            ),
        ),
        migrations.AddField(
            model_name="intakesource",
            name="token_hint",
            field=models.CharField(blank=True, help_text="Last characters of the token.", max_length=4),
        ),
        migrations.AddField(
            model_name="intakesource",
            name="token_made_at",
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="receiver",
            name="days_closed_until",
            field=models.DateField(
                blank=True, help_text="Days of UTC before it have a row for every transmitter.", null=True
            ),
        ),
        migrations.AddField(
            model_name="receiver",
            name="fed_by",
            field=models.ForeignKey(
                blank=True,
                help_text="Who hands over its check-ins.",
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="receivers",
                to="devices.intakesource",
            ),
        ),
        migrations.AddField(
            model_name="receiver",
            name="judged_until",
            field=models.DateTimeField(blank=True, help_text="Silence was looked for up to then.", null=True),
        ),
        migrations.AddField(
            model_name="receivertype",
            name="latched_faults",
            field=models.JSONField(
                default=list, help_text="Kinds of fault that keep showing until a person clears the receiver."
            ),
        ),
        migrations.AddField(
            model_name="setaside",
            name="adopted_at",
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="setaside",
            name="adopted_by",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField(
            model_name="setaside",
            name="at",
            field=models.DateTimeField(blank=True, help_text="When the event happened.", null=True),
        ),
        migrations.AddField(
            model_name="setaside",
            name="customer",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="company.customer",
            ),
        ),
        migrations.AddField(
            model_name="setaside",
            name="dismissed_at",
            field=models.DateTimeField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="setaside",
            name="dismissed_by",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField(
            model_name="setaside",
            name="dismissed_why",
            field=models.CharField(blank=True, max_length=200),
        ),
        migrations.AddField(
            model_name="setaside",
            name="kind",
            field=models.CharField(blank=True, max_length=20),
        ),
        migrations.AddField(
            model_name="setaside",
            name="receiver",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="devices.receiver",
            ),
        ),
        migrations.AddField(
            model_name="setaside",
            name="row",
            field=models.PositiveIntegerField(default=0, help_text="Its place in the batch."),
        ),
        migrations.AddField(
            model_name="setaside",
            name="slot",
            field=models.PositiveSmallIntegerField(blank=True, null=True),
        ),
        migrations.AddField(
            model_name="setaside",
            name="transmitter",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="devices.transmitter",
            ),
        ),
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
                    ("receiver_tamper", "receiver tamper"),
                    ("receiver_fault", "receiver fault"),
                    ("outage", "receiver hears little or nothing"),
                    ("link_lost", "link lost"),
                ],
                max_length=16,
            ),
        ),
        migrations.AlterField(
            model_name="intakesource",
            name="name",
            field=models.CharField(
                error_messages={"unique": "Another source has this name."}, max_length=80, unique=True
            ),
        ),
        migrations.AlterField(
            model_name="setaside",
            name="serial",
            field=models.CharField(blank=True, max_length=40),
        ),
        migrations.AddIndex(
            model_name="fault",
            index=models.Index(fields=["recorded_at"], name="fault_by_record"),
        ),
        migrations.AddIndex(
            model_name="intakebatch",
            index=models.Index(fields=["received_at"], name="batch_by_time"),
        ),
        migrations.AddIndex(
            model_name="intakesource",
            index=models.Index(fields=["token_sha256"], name="source_by_token"),
        ),
        migrations.AddIndex(
            model_name="setaside",
            index=models.Index(
                condition=models.Q(("adopted_at", None), ("dismissed_at", None)),
                fields=["serial"],
                name="set_aside_open",
            ),
        ),
        migrations.AddConstraint(
            model_name="fault",
            constraint=models.UniqueConstraint(
                condition=models.Q(("cleared_at", None), ("transmitter", None)),
                fields=("receiver", "kind"),
                name="one_open_receiver_fault",
            ),
        ),
        migrations.AddConstraint(
            model_name="intakesource",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("kind", "api"), _negated=True), ("customer__isnull", False), _connector="OR"
                ),
                name="gateway_speaks_for_a_customer",
            ),
        ),
        migrations.AddConstraint(
            model_name="intakesource",
            constraint=models.CheckConstraint(
                condition=models.Q(("site", None), ("customer__isnull", False), _connector="OR"),
                name="source_site_with_customer",
            ),
        ),
        migrations.AddConstraint(
            model_name="intakesource",
            constraint=models.CheckConstraint(condition=models.Q(("per_minute__gte", 1)), name="source_rate_from_one"),
        ),
        migrations.AddConstraint(
            model_name="setaside",
            constraint=models.CheckConstraint(
                condition=models.Q(("adopted_at", None), ("dismissed_at", None), _connector="OR"),
                name="set_aside_one_fate",
            ),
        ),
        migrations.AddField(
            model_name="linkwatch",
            name="customer",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT, related_name="+", to="company.customer"
            ),
        ),
        migrations.AddField(
            model_name="linkwatch",
            name="registration",
            field=models.ForeignKey(
                null=True, on_delete=django.db.models.deletion.SET_NULL, related_name="+", to="devices.registration"
            ),
        ),
        migrations.AddField(
            model_name="linkwatch",
            name="transmitter",
            field=models.OneToOneField(
                on_delete=django.db.models.deletion.CASCADE, related_name="link", to="devices.transmitter"
            ),
        ),
        migrations.AddField(
            model_name="outageday",
            name="customer",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT, related_name="+", to="company.customer"
            ),
        ),
        migrations.AddField(
            model_name="outageday",
            name="receiver",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.CASCADE, related_name="outage_days", to="devices.receiver"
            ),
        ),
        migrations.AddField(
            model_name="panelaccount",
            name="customer",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT, related_name="+", to="company.customer"
            ),
        ),
        migrations.AddField(
            model_name="panelaccount",
            name="receiver",
            field=models.ForeignKey(
                blank=True,
                help_text="Empty: the only receiver at the site.",
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="panel_accounts",
                to="devices.receiver",
            ),
        ),
        migrations.AddField(
            model_name="panelaccount",
            name="site",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT, related_name="panel_accounts", to="sites.site"
            ),
        ),
        migrations.AddField(
            model_name="panelaccount",
            name="source",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT, related_name="panel_accounts", to="devices.intakesource"
            ),
        ),
        migrations.AddConstraint(
            model_name="outageday",
            constraint=models.UniqueConstraint(fields=("receiver", "day"), name="outage_day_once"),
        ),
        migrations.AddConstraint(
            model_name="panelaccount",
            constraint=models.UniqueConstraint(
                condition=models.Q(("closed_at", None)),
                fields=("number",),
                name="one_open_account_a_number",
                violation_error_message="Another panel reports under this account number.",
            ),
        ),
        migrations.SeparateDatabaseAndState(
            database_operations=[migrations.RunPython(add_columns, drop_columns)],
            state_operations=[
                migrations.AddField(
                    model_name="checkinday",
                    name="acted",
                    field=models.BinaryField(
                        help_text="96 bits, one a quarter hour in which an activation was counted, and counts beside them.",
                        null=True,
                    ),
                ),
                migrations.AddField(
                    model_name="checkinday",
                    name="acts_source",
                    field=models.SmallIntegerField(
                        default=0,
                        help_text="Source that counted the first activation, to which the bits belong. 0 = files.",
                    ),
                ),
                migrations.AlterField(
                    model_name="checkinday",
                    name="presence",
                    field=models.BinaryField(
                        help_text="96 bits, one a quarter hour in which anything was heard; merged by OR. Empty: sealed.",
                        null=True,
                    ),
                ),
            ],
        ),
        migrations.RunPython(recorded_when_raised, migrations.RunPython.noop),
    ]
