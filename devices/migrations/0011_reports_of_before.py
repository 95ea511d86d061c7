"""Reports out of the faults that were reported before reports were kept, and out of the turns kept beside them.

Until now turns that a late report might need stood among the faults, without length, under a cause that begins with a dot.
"""

from django.db import migrations

AGAIN, OVER = "·again", "·over"
NOT_REPORTED = (
    "cells changed", "no longer registered here", "the receiver was taken down", "away, as agreed",
    "the receiver was swapped", "the transmitter was swapped", "the swap was taken back",
)  # fmt: skip
"""Causes of ends that no report told of."""
CHUNK = 2000


def keep_reports(apps, schema_editor):
    """Every beginning and end that was reported, and every turn kept; then the turns go. The words stay with the faults."""
    fault, report = apps.get_model("devices", "Fault"), apps.get_model("devices", "FaultReport")
    found = []

    def keep(row, at, is_raised):
        found.append(
            report(
                customer_id=row.customer_id, site_id=row.site_id, receiver_id=row.receiver_id,
                registration_id=row.registration_id, transmitter_id=row.transmitter_id, kind=row.kind, at=at,
                is_raised=is_raised, source=row.source, received_at=row.recorded_at,
            )
        )  # fmt: skip

    def write():
        report.objects.bulk_create(found, batch_size=500, ignore_conflicts=True)
        found.clear()

    for row in fault.objects.filter(found_by="signal").order_by("pk").iterator(chunk_size=CHUNK):
        if row.cause in (AGAIN, OVER):
            keep(row, row.raised_at, row.cause == AGAIN)
        else:
            keep(row, row.raised_at, True)
            if row.cleared_at is not None and not row.cause.endswith(NOT_REPORTED):
                keep(row, row.cleared_at, False)
        if len(found) >= CHUNK:
            write()
    write()
    fault.objects.filter(cause__in=(AGAIN, OVER)).delete()


def keep_turns(apps, schema_editor):
    """Reports that are no beginning and no end of a fault, as turns among the faults again."""
    fault, report = apps.get_model("devices", "Fault"), apps.get_model("devices", "FaultReport")
    shown = set()
    rows = fault.objects.filter(found_by="signal").values_list(
        "receiver_id", "transmitter_id", "kind", "raised_at", "cleared_at"
    )
    for *key, raised, cleared in rows.iterator(chunk_size=CHUNK):
        shown |= {(*key, raised, True), (*key, cleared, False)}
    turns = [
        fault(
            customer_id=row.customer_id, site_id=row.site_id, receiver_id=row.receiver_id, kind=row.kind,
            registration_id=row.registration_id, transmitter_id=row.transmitter_id, raised_at=row.at, cleared_at=row.at,
            cause=AGAIN if row.is_raised else OVER, source=row.source, found_by="signal", recorded_at=row.received_at,
        )
        for row in report.objects.order_by("pk").iterator(chunk_size=CHUNK)
        if (row.receiver_id, row.transmitter_id, row.kind, row.at, row.is_raised) not in shown
    ]  # fmt: skip
    fault.objects.bulk_create(turns, batch_size=500)


class Migration(migrations.Migration):
    dependencies = [("devices", "0010_fault_reports")]

    operations = [migrations.RunPython(keep_reports, keep_turns)]
