"""No index of its own for the source of a batch, which the key (source, batch id) begins with, nor for who handed one in.

By hand: Django would remake the table on SQLite for it.
"""

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

TABLE = "devices_intakebatch"
GONE = {"devices_intakebatch_source_id_34b13c39": "source_id", "devices_intakebatch_by_id_85d767ea": "by_id"}


class Migration(migrations.Migration):
    dependencies = [("devices", "0014_unit_stamps")]

    operations = [
        migrations.SeparateDatabaseAndState(
            database_operations=[
                migrations.RunSQL(f"DROP INDEX IF EXISTS {name}", f"CREATE INDEX {name} ON {TABLE} ({column})")
                for name, column in GONE.items()
            ],
            state_operations=[
                migrations.AlterField(
                    model_name="intakebatch",
                    name="source",
                    field=models.ForeignKey(
                        db_index=False, on_delete=django.db.models.deletion.PROTECT, related_name="batches",
                        to="devices.intakesource",
                    ),
                ),
                migrations.AlterField(
                    model_name="intakebatch",
                    name="by",
                    field=models.ForeignKey(
                        blank=True, db_index=False, null=True, on_delete=django.db.models.deletion.PROTECT,
                        related_name="+", to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
        )
    ]
