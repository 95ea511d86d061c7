"""The look every few seconds: each step by itself, one process at a time, and what follows from faults."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from company.jobs import run_ready
from company.models import Job, Leader
from devices.actions.fault_events import Signal, record_signals
from devices.models import Fault, Receiver
from devices.signals import faults_changed
from maintenance.actions import watch as looks
from maintenance.models import DueItem, FindingRecord, NoticedFault, NoticeRule
from tests.factories import NOW, make_fitting, make_manager, make_receiver, make_registration

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def silent() -> Receiver:
    make_manager()
    receiver = make_receiver(evidence="every", heard_until=NOW, days_closed_until=NOW.date())
    make_registration(receiver, registered_at=NOW - timedelta(days=2))
    return receiver


def test_a_look_raises_what_has_fallen_silent(silent: Receiver) -> None:
    assert looks.watch(NOW)
    assert [fault.kind for fault in Fault.objects.open()] == ["missing"]


def test_a_look_closes_days_that_are_over(silent: Receiver) -> None:
    Receiver.objects.update(days_closed_until=NOW.date() - timedelta(days=1))
    looks.watch(NOW)
    silent.refresh_from_db()
    assert silent.days_closed_until == NOW.date()


def test_of_two_looks_at_once_one_is_done() -> None:
    assert looks.watch(NOW)
    assert not looks.watch(NOW + timedelta(seconds=5))
    assert looks.watch(NOW + timedelta(seconds=20))


def test_a_look_whose_process_died_is_followed_after_a_minute() -> None:
    Leader.objects.create(name=looks.NAME, holder="dead", until=NOW + looks.LEASE)
    assert not looks.watch(NOW + timedelta(seconds=30))
    assert looks.watch(NOW + timedelta(seconds=61))


def test_a_step_that_fails_leaves_the_others_done_and_is_tried_again_where_people_see_it(
    silent: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    def burst(at: Any) -> None:
        raise RuntimeError("the disk is full")

    monkeypatch.setattr(looks, "STEPS", (("first", burst), *looks.STEPS))
    for n in range(3):
        assert looks.watch(NOW + timedelta(seconds=20 * n))
    assert Fault.objects.open().exists()
    job = Job.objects.get(key__startswith="watch:")
    for _ in range(3):
        Job.objects.update(not_before=NOW - timedelta(minutes=1))
        run_ready()
    job.refresh_from_db()
    assert (job.state, "the disk is full" in job.error) == ("failed", True)


def test_a_step_that_works_again_leaves_no_failed_job(silent: Receiver, monkeypatch: pytest.MonkeyPatch) -> None:
    steps = looks.STEPS
    monkeypatch.setattr(looks, "STEPS", (("first", lambda at: 1 / 0),))
    looks.watch(NOW)
    monkeypatch.setattr(looks, "STEPS", steps)
    run_ready()
    assert Job.objects.get(key__startswith="watch:").state == "done"


# --- what follows from faults -----------------------------------------------------------------------------------------


def low_battery(receiver: Receiver) -> Signal:
    row = receiver.registrations.get()
    return Signal(
        kind="low_battery", at=NOW - timedelta(days=9), customer_id=row.customer_id, site_id=row.site_id,
        receiver_id=receiver.pk, registration_id=row.pk, transmitter_id=row.transmitter_id,
    )  # fmt: skip


def test_a_reported_fault_is_told_found_and_moves_the_date_at_once(
    silent: Receiver, django_capture_on_commit_callbacks: Any
) -> None:
    cells = make_fitting(silent.registrations.get().transmitter)
    NoticeRule.objects.create(duty="life_safety", recipients="office@example.org", created_at=NOW - timedelta(days=20))
    with django_capture_on_commit_callbacks(execute=True):
        record_signals(signals=[low_battery(silent)], source="gateway", at=NOW)
    assert NoticedFault.objects.count() == 1
    assert "low_battery_ignored" in set(FindingRecord.objects.open().values_list("code", flat=True))
    item = DueItem.objects.get(fitting=cells)
    assert item.reason == "low_battery"


def test_a_listener_that_fails_does_not_hold_up_the_others(silent: Receiver, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("maintenance.listeners.note_faults", lambda **_: 1 / 0)
    record_signals(signals=[low_battery(silent)], source="gateway", at=NOW)
    make_fitting(silent.registrations.get().transmitter, first_low_at=NOW - timedelta(days=9))
    faults_changed.send_robust(sender=Fault, receiver_ids=[silent.pk], fault_ids=[])
    assert "low_battery_ignored" in set(FindingRecord.objects.open().values_list("code", flat=True))
