"""Events set aside get the word under which they wait, so that what is asked together is found together."""

import re
from typing import Any

from django.db import migrations, models
from django.db.models import Q

AT_ONCE = 2000
_PARTING = re.compile("[\\s\u2010-\u2015\u2212-]+")


def _unit(serial: str, receiver_id: int | None, slot: int | None, event: Any) -> str:
    # As `devices.rules.set_aside_units.unit_key` was when this was written.
    if serial:
        return _PARTING.sub("", serial).casefold() or serial.casefold()
    if receiver_id is not None:
        return f" slot {receiver_id} {slot or '-'}"
    named = str(event.get("receiver") or "") if isinstance(event, dict) else ""
    return f" name {' '.join(named.split()).casefold()}"[:160]


def name_units(apps: Any, schema_editor: Any) -> None:
    model = apps.get_model("devices", "SetAside")
    last = 0
    while rows := list(model.objects.filter(pk__gt=last).order_by("pk")[:AT_ONCE]):
        for row in rows:
            row.unit = _unit(row.serial, row.receiver_id, row.slot, row.event)
        model.objects.bulk_update(rows, ["unit"], batch_size=200)
        last = rows[-1].pk


class Migration(migrations.Migration):
    dependencies = [
        ("company", "0006_checkin_retention"),
        ("devices", "0012_room_for_updates"),
    ]

    operations = [
        migrations.RemoveIndex(model_name="setaside", name="set_aside_open"),
        migrations.AddField(
            model_name="setaside",
            name="unit",
            field=models.CharField(
                blank=True,
                default="",
                editable=False,
                help_text="What is asked together, see `unit_key`.",
                max_length=160,
            ),
            preserve_default=False,
        ),
        migrations.RunPython(name_units, migrations.RunPython.noop, elidable=True),
        migrations.AddIndex(
            model_name="setaside",
            index=models.Index(
                condition=Q(adopted_at=None, dismissed_at=None),
                fields=["customer", "unit"],
                name="set_aside_open_units",
            ),
        ),
        migrations.AddIndex(
            model_name="setaside",
            index=models.Index(fields=["unit", "dismissed_at"], name="set_aside_by_unit"),
        ),
    ]
