"""Latched after a visit: of which visits that may be said, and of which not."""

from __future__ import annotations

import uuid
from datetime import timedelta
from typing import Any

import pytest

from devices.models import Receiver
from maintenance.models import Entry, FindingRecord, Visit
from tests import factories
from tests.conftest import World
from tests.factories import NOW, TODAY
from tests.maintenance.actions.test_findings import in_order, plant_fault, refreshed

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def receiver(world: World) -> Receiver:
    return in_order(world)


def finished(receiver: Receiver, ago: timedelta = timedelta(days=2)) -> Visit:
    return factories.make_visit(receiver.site, state="finished", finished_at=NOW - ago)


def say(visit: Visit, receiver: Receiver | None, kind: str, **facts: str) -> Entry:
    return Entry.objects.create(
        key=uuid.uuid4(), customer=visit.customer, visit=visit, receiver=receiver, kind=kind, made_at=NOW, facts=facts,
        by=factories.make_user("technician"), sha256="0" * 64,
    )  # fmt: skip


def beside(receiver: Receiver, **over: Any) -> Receiver:
    return factories.make_receiver(receiver.site, **over)


@pytest.mark.parametrize(
    ("visit", "is_left"),
    [
        (lambda r: finished(r), True),
        (lambda r: say(finished(r), None, "note"), True),
        (lambda r: (finished(r), beside(r, installed_on=TODAY)), True),
        (lambda r: (finished(r), beside(r, removed_at=NOW - timedelta(days=90))), True),
        (lambda r: factories.make_visit(r.site, state="open", arrived_at=NOW), False),
        (lambda r: factories.make_visit(r.site, state="cancelled", finished_at=NOW - timedelta(hours=1)), False),
        (lambda r: finished(r, timedelta(days=40)), False),
        (lambda r: (beside(r), finished(r)), False),
        (lambda r: say(finished(r), beside(r), "volts"), False),
        (lambda r: say(finished(r), r, "not_done", why="no_access"), False),
        (lambda r: say(finished(r), r, "not_done", why="time"), True),
        (lambda r: finished(beside(factories.make_receiver())), False),
    ],
    ids=[
        "nothing recorded at the only receiver", "a note on the site", "another receiver came later",
        "another one had gone before", "not finished yet", "cancelled", "before the fault", "one of two receivers",
        "recorded at the other receiver", "no access", "ran out of time", "another site",
    ],
)  # fmt: skip
def test_a_visit_that_left_a_fault_latched_is_one_at_which_somebody_stood_there(
    receiver: Receiver, world: World, visit: Any, is_left: bool
) -> None:
    ago = timedelta(days=30)
    plant_fault(receiver, world, kind="tamper", raised_at=NOW - ago, cleared_at=NOW - ago + timedelta(hours=1))
    visit(receiver)
    refreshed(receiver)
    row = FindingRecord.objects.open().get(receiver=receiver, code__in=["latched_after_visit", "standing_fault"])
    assert (row.code == "latched_after_visit") is is_left
    assert ("although we were there on 23 November" in row.what) is is_left
