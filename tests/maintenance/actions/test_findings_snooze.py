"""Findings at rest: with a reason, until a day, awake when they get worse, taken back once."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from company.errors import Refused
from company.models import ChangeRow
from company.undo import undo_batch
from devices.models import Receiver, Registration
from maintenance.actions.findings_snooze import NotSnoozed, snooze_findings, wake_findings
from maintenance.models import FindingRecord
from tests.conftest import World
from tests.factories import NOW, TODAY
from tests.maintenance.actions.test_findings import in_order, refreshed

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def receiver(world: World) -> Receiver:
    return in_order(world)


@pytest.fixture
def row(receiver: Receiver, world: World) -> FindingRecord:
    Registration.objects.filter(pk=world.own_registration.pk).update(
        register_again_since=NOW - timedelta(days=2), duty="security"
    )
    refreshed(receiver)
    return FindingRecord.objects.get()


def snooze(row: FindingRecord, world: World, *, days: int = 30, reason: str = "room is being painted") -> Any:
    return snooze_findings(
        pks=[row.pk], until=TODAY + timedelta(days=days), reason=reason, by=world.office, at=NOW, today=TODAY
    )


def test_a_snoozed_finding_rests_until_the_morning_of_its_day(row: FindingRecord, world: World) -> None:
    snooze(row, world)
    until = TODAY + timedelta(days=30)
    assert not FindingRecord.objects.awake(until - timedelta(days=1)).exists()
    assert FindingRecord.objects.snoozed(until - timedelta(days=1)).exists()
    assert FindingRecord.objects.awake(until).exists()
    assert not FindingRecord.objects.snoozed(until).exists()
    change = ChangeRow.objects.get(verb="snooze_finding")
    assert change.reason == "room is being painted"
    assert change.after["snoozed_until"] == until.isoformat()


@pytest.mark.parametrize(
    ("duty", "days", "reason", "words"),
    [
        ("security", 91, "later", "90 days at most"),
        ("life_safety", 15, "later", "14 days at most"),
        ("security", 0, "later", "a day after today"),
        ("security", 5, "  ", "why this can wait"),
    ],
)
def test_a_snooze_is_refused_with_what_to_do(
    row: FindingRecord, world: World, duty: str, days: int, reason: str, words: str
) -> None:
    FindingRecord.objects.update(duty=duty)
    with pytest.raises(NotSnoozed, match=words):
        snooze(row, world, days=days, reason=reason)
    assert not FindingRecord.objects.snoozed(TODAY).exists()
    assert not ChangeRow.objects.exists()


@pytest.mark.parametrize(("duty", "days"), [("security", 90), ("life_safety", 14)])
def test_the_longest_rest_is_allowed(row: FindingRecord, world: World, duty: str, days: int) -> None:
    FindingRecord.objects.update(duty=duty)
    snooze(row, world, days=days)
    assert FindingRecord.objects.snoozed(TODAY).exists()


def test_a_finding_that_gets_worse_wakes(row: FindingRecord, world: World, receiver: Receiver) -> None:
    snooze(row, world)
    refreshed(receiver)
    row.refresh_from_db()
    assert row.snoozed_until is not None
    Registration.objects.filter(pk=world.own_registration.pk).update(duty="life_safety")
    refreshed(receiver)
    row.refresh_from_db()
    assert row.gone_at is None
    assert row.snoozed_until is None


def test_a_finding_that_is_less_bad_goes_on_resting(row: FindingRecord, world: World, receiver: Receiver) -> None:
    snooze(row, world)
    Registration.objects.filter(pk=world.own_registration.pk).update(duty="convenience")
    refreshed(receiver)
    row.refresh_from_db()
    assert row.duty == "convenience"
    assert row.snoozed_until is not None


def test_a_snooze_and_a_waking_can_be_taken_back_once(row: FindingRecord, world: World) -> None:
    deed = snooze(row, world)
    assert undo_batch(batch=deed, by=world.office, at=NOW) == 1
    row.refresh_from_db()
    assert (row.snoozed_until, row.snooze_reason) == (None, "")
    with pytest.raises(Refused):
        undo_batch(batch=deed, by=world.office, at=NOW)
    snooze(row, world)
    woken = wake_findings(pks=[row.pk], by=world.office, at=NOW)
    assert FindingRecord.objects.awake(TODAY).exists()
    undo_batch(batch=woken, by=world.office, at=NOW)
    assert FindingRecord.objects.snoozed(TODAY).get().snooze_reason == "room is being painted"


def test_a_snooze_that_somebody_has_changed_since_is_not_taken_back(row: FindingRecord, world: World) -> None:
    deed = snooze(row, world)
    snooze(row, world, days=60, reason="painter is ill")
    with pytest.raises(Refused, match="no longer be taken back"):
        undo_batch(batch=deed, by=world.office, at=NOW)
    row.refresh_from_db()
    assert row.snooze_reason == "painter is ill"


@pytest.mark.parametrize(
    ("since", "words"), [({"gone_at": NOW}, "no longer found"), ({"snoozed_until": None}, "got worse")]
)
def test_what_has_gone_or_woken_since_is_left_as_it_is(
    row: FindingRecord, world: World, since: dict[str, Any], words: str
) -> None:
    deed = snooze(row, world)
    FindingRecord.objects.update(**since)
    with pytest.raises(Refused, match=words):
        undo_batch(batch=deed, by=world.office, at=NOW)


def test_findings_that_have_gone_cannot_be_snoozed(row: FindingRecord, world: World) -> None:
    FindingRecord.objects.update(gone_at=NOW)
    with pytest.raises(NotSnoozed, match="Go back to the list"):
        snooze(row, world)
