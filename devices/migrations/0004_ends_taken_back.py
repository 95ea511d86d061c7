"""Ends that were taken back, and a statement for every set of cells that ended before statements were kept."""

from django.db import migrations, models


BACKFILL = """
INSERT INTO devices_fittingend (
    customer_id, fitting_id, why, volts, is_under_load, low_seen_at, low_before_at, last_alive_at, note, recorded_at
)
SELECT customer_id, id, CASE WHEN removed_why = '' THEN 'unknown' ELSE removed_why END, removed_v, removed_v_under_load,
    first_low_at, first_low_at, last_alive_at, '', removed_at
FROM devices_fitting f
WHERE removed_at IS NOT NULL AND NOT EXISTS (SELECT 1 FROM devices_fittingend e WHERE e.fitting_id = f.id)
"""


class Migration(migrations.Migration):
    dependencies = [
        ("devices", "0003_fitting_ends"),
    ]

    operations = [
        migrations.AddField(
            model_name="fittingend",
            name="low_before_at",
            field=models.DateTimeField(
                blank=True,
                help_text="Low-battery signal known before the cells came out; holds again if they go back.",
                null=True,
            ),
        ),
        migrations.AddField(
            model_name="fittingend",
            name="taken_back_at",
            field=models.DateTimeField(
                blank=True, help_text="The change of cells never happened: they are in service again.", null=True
            ),
        ),
        migrations.RunSQL(BACKFILL, migrations.RunSQL.noop),
    ]
