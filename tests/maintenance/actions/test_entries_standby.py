"""A standby battery changed on a visit ends what its receiver said of the old one; withdrawn, it stands again."""

from __future__ import annotations

import uuid
from datetime import timedelta

import pytest

from devices.models import Fault
from maintenance.actions.entries import Saying, record_entry, withdraw_entry
from tests import factories
from tests.factories import NOW

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def test_changed_on_a_visit_it_ends_the_fault_at_that_moment_until_the_entry_is_withdrawn(
    world, django_capture_on_commit_callbacks
):
    receiver, arrived = world.own_receiver, NOW - timedelta(hours=1)
    visit = factories.make_visit(
        world.own_site, factories.make_round(world.technician), state="open", arrived_at=arrived
    )  # fmt: skip
    fault = Fault.objects.create(
        customer=world.own, site=world.own_site, receiver=receiver, kind="receiver_standby",
        raised_at=NOW - timedelta(days=2),
    )  # fmt: skip
    with django_capture_on_commit_callbacks(execute=True):
        entry = record_entry(
            visit=visit, saying=Saying("battery", {"standby": True}, receiver=receiver), key=uuid.uuid4(),
            by=world.technician, at=NOW, made_at=arrived,
        )  # fmt: skip
    fault.refresh_from_db()
    assert (fault.cleared_at, fault.cause) == (arrived, "standby battery changed")
    with django_capture_on_commit_callbacks(execute=True):
        withdraw_entry(entry=entry, reason="wrong receiver", key=uuid.uuid4(), by=world.technician, at=NOW)
    fault.refresh_from_db()
    assert (fault.cleared_at, fault.cause) == (None, "")
