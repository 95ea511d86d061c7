"""Faults as they are reported: raised at the first signal, ended by restore, whatever order they come in."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.db import transaction

from company.models import ChangeRow
from devices.actions.batteries import fit_battery
from devices.actions.fault_events import Signal, record_signals
from devices.actions.faults import clear_latched_faults
from devices.models import Fault, Registration
from devices.signals import faults_changed
from tests.factories import NOW, make_fitting, make_manager, make_receiver, make_registration, receiver_type

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def slot() -> Registration:
    return make_registration(make_receiver(type=receiver_type(latched_faults=["tamper"])))


def say(slot: Registration, kind: str, hours: float, **over: Any) -> Signal:
    """A signal of the slot, so many hours after NOW less a week."""
    facts: dict[str, Any] = {
        "customer_id": slot.customer_id, "site_id": slot.site_id, "receiver_id": slot.receiver_id,
        "registration_id": slot.pk, "transmitter_id": slot.transmitter_id,
    }  # fmt: skip
    return Signal(kind=kind, at=NOW - timedelta(days=7) + timedelta(hours=hours), **(facts | over))


def hour(hours: float) -> Any:
    return NOW - timedelta(days=7) + timedelta(hours=hours)


def record(*signals: Signal) -> list[Fault]:
    return record_signals(signals=signals, source="gateway", at=NOW)


def on_record() -> list[tuple[str, Any, Any]]:
    return [(f.kind, f.raised_at, f.cleared_at) for f in Fault.objects.order_by("raised_at", "kind")]


@pytest.fixture
def told() -> Iterator[list[dict[str, Any]]]:
    heard: list[dict[str, Any]] = []

    def listen(sender: Any, **facts: Any) -> None:
        heard.append(facts)

    faults_changed.connect(listen)
    yield heard
    faults_changed.disconnect(listen)


def test_a_fault_is_raised_at_the_first_signal_and_ended_by_its_restore(slot: Registration) -> None:
    record(say(slot, "trouble", 1))
    (fault,) = Fault.objects.all()
    assert (fault.kind, fault.raised_at, fault.cleared_at) == ("trouble", hour(1), None)
    assert (fault.found_by, fault.source, fault.recorded_at, fault.registration_id) == (
        "signal",
        "gateway",
        NOW,
        slot.pk,
    )
    record(say(slot, "trouble_restored", 3))
    assert on_record() == [("trouble", hour(1), hour(3))]


def test_repeats_and_the_same_batch_again_change_nothing(slot: Registration) -> None:
    story = [say(slot, "trouble", 1), say(slot, "trouble", 2), say(slot, "trouble_restored", 3)]
    record(*story)
    assert record(*story) == []
    assert on_record() == [("trouble", hour(1), hour(3))]


def test_a_restore_that_overtook_its_raising_still_ends_it(slot: Registration) -> None:
    assert record(say(slot, "missing_restored", 5)) == []
    assert on_record() == []
    record(say(slot, "missing", 2))
    assert on_record() == [("missing", hour(2), hour(5))]
    assert not Fault.objects.exclude(kind="missing", cleared_at__gt=hour(2)).exists()


def test_raising_again_after_clearing_makes_a_new_row(slot: Registration) -> None:
    record(say(slot, "tamper", 1), say(slot, "tamper_restored", 2), say(slot, "tamper", 4))
    assert on_record() == [("tamper", hour(1), hour(2)), ("tamper", hour(4), None)]


def test_a_late_restore_leaves_a_fault_that_was_reported_again_standing(slot: Registration) -> None:
    record(say(slot, "tamper", 1))
    record(say(slot, "tamper", 4))
    record(say(slot, "tamper_restored", 2))
    assert on_record() == [("tamper", hour(1), hour(2)), ("tamper", hour(4), None)]


def test_the_receiver_itself_has_one_open_fault_a_kind(slot: Registration) -> None:
    receiver = {"transmitter_id": None, "registration_id": None}
    record(say(slot, "power_fault", 1, **receiver), say(slot, "power_fault", 2, **receiver))
    record(say(slot, "tamper", 1))
    assert on_record() == [("receiver_power", hour(1), None), ("tamper", hour(1), None)]


def test_what_its_type_latches_is_latched_and_nothing_else(slot: Registration) -> None:
    record(say(slot, "tamper", 1), say(slot, "trouble", 1), say(slot, "tamper_restored", 2))
    assert dict(Fault.objects.values_list("kind", "is_latched")) == {"tamper": True, "trouble": False}
    assert [fault.kind for fault in Fault.objects.latched()] == ["tamper"]


def test_a_latched_fault_that_reaches_us_after_the_receiver_was_cleared_is_cleared(slot: Registration) -> None:
    clear_latched_faults(receiver=slot.receiver, cause="work", by=make_manager(), at=hour(3))
    record(say(slot, "tamper", 1), say(slot, "tamper_restored", 2), say(slot, "tamper", 5))
    assert [f.latch_cleared_at for f in Fault.objects.order_by("raised_at")] == [hour(3), None]


def test_cells_changed_end_a_low_battery_that_is_only_now_reported(slot: Registration) -> None:
    make_fitting(slot.transmitter, fitted_at=hour(4))
    record(say(slot, "low_battery", 2))
    assert on_record() == [("low_battery", hour(2), hour(4))]


def test_the_first_low_signal_is_noted_on_the_cells_in_service(slot: Registration) -> None:
    cells = make_fitting(slot.transmitter)
    record(say(slot, "low_battery", 6))
    record(say(slot, "low_battery", 2))
    cells.refresh_from_db()
    assert cells.first_low_at == hour(2)


def test_a_low_signal_that_cold_brought_and_that_went_is_taken_off_the_cells_with_a_word(slot: Registration) -> None:
    cells = make_fitting(slot.transmitter)
    record(say(slot, "low_battery", 20))
    record(say(slot, "battery_restored", 23))
    cells.refresh_from_db()
    assert cells.first_low_at is None
    (row,) = ChangeRow.objects.filter(verb="low_signal_settled")
    assert (row.subject_id, row.before["first_low_at"], row.after["first_low_at"]) == (
        cells.pk,
        hour(20).isoformat(),
        None,
    )


def test_a_low_signal_on_two_days_stays_though_it_was_taken_back(slot: Registration) -> None:
    cells = make_fitting(slot.transmitter)
    for day in (0, 1):
        record(say(slot, "low_battery", 20 + 24 * day), say(slot, "battery_restored", 21 + 24 * day))
    cells.refresh_from_db()
    assert cells.first_low_at == hour(20)


def test_a_signal_that_somebody_wrote_down_is_not_taken_off(slot: Registration) -> None:
    cells = make_fitting(slot.transmitter, first_low_at=hour(-100))
    record(say(slot, "low_battery", 20), say(slot, "battery_restored", 21))
    cells.refresh_from_db()
    assert cells.first_low_at == hour(-100)


def test_signals_of_former_cells_are_not_noted_on_the_new_ones(slot: Registration) -> None:
    make_fitting(slot.transmitter)
    new = fit_battery(transmitter=slot.transmitter, battery_type=None, by=make_manager(), at=hour(5))
    record(say(slot, "low_battery", 2))
    new.refresh_from_db()
    assert new.first_low_at is None


def test_who_listens_is_told_once_a_transaction(
    slot: Registration, told: list[dict[str, Any]], django_capture_on_commit_callbacks: Any
) -> None:
    with django_capture_on_commit_callbacks(execute=True), transaction.atomic():
        record(say(slot, "tamper", 1))
        record(say(slot, "trouble", 1))
        record(say(slot, "trouble", 2))
    assert [(facts["receiver_ids"], len(facts["fault_ids"])) for facts in told] == [([slot.receiver_id], 2)]


def test_what_changed_nothing_is_not_told(
    slot: Registration, told: list[dict[str, Any]], django_capture_on_commit_callbacks: Any
) -> None:
    record(say(slot, "tamper", 1))
    with django_capture_on_commit_callbacks(execute=True):
        record(say(slot, "tamper", 1), say(slot, "check_in", 2))
    assert told == []
