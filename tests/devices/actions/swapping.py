"""What the tests of exchanged units share: a receiver with one registered slot, and what hangs on that slot."""

from __future__ import annotations

from datetime import timedelta

from company.models import ChangeRow
from devices.models import Away, Fault, PlanPin
from sites.models import FloorPlan
from tests.factories import (
    NOW,
    TODAY,
    make_output,
    make_receiver,
    make_registration,
)

LATER = NOW + timedelta(hours=3)
BACK_AT = NOW + timedelta(hours=5)


def make_place():
    """A receiver with a latching output in use and one that drives nothing."""
    row = make_receiver(area="Cellar", fed_from="panel 2", code="ABCDEFGH23")
    make_output(row, 1, end_effect_seen_by="Anna", end_effect_seen_on=TODAY)
    make_output(row, 2, drives="")
    return row


def make_slot(receiver):
    """Its slot 4, by the bed."""
    output = receiver.outputs.get(number=1)
    return make_registration(receiver, 4, outputs=[(output, "latching", None)], note="by the bed")


def raise_fault(row, kind="low_battery", **over):
    fields = {"transmitter": row.transmitter, "registration": row, "raised_at": NOW - timedelta(days=1)}
    return Fault.objects.create(
        customer=row.customer, site=row.site, receiver=row.receiver, kind=kind, **(fields | over)
    )


def send_away(row):
    return Away.objects.create(
        customer=row.customer, site=row.site, registration=row, from_on=TODAY, agreed_with="matron", reason="hospital"
    )


def pin(receiver, slot):
    plan = FloorPlan.objects.create(
        customer=receiver.customer, site=receiver.site, name="Ground floor", picture=b"x", media_type="image/png",
        width_px=1, height_px=1,
    )  # fmt: skip
    return PlanPin.objects.create(
        customer=receiver.customer,
        site=receiver.site,
        plan=plan,
        receiver=receiver,
        slot=slot,
        x_permille=1,
        y_permille=2,
    )


def last_change(verb):
    return ChangeRow.objects.filter(verb=verb).latest("pk")
