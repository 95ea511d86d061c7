"""A changed standby battery ends what its receiver said of the old one, as changed cells end a low battery."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from company.models import ChangeRow, User
from company.undo import undo
from devices.actions.fault_events import Signal, record_signals
from devices.actions.fault_life import settle_life_cycle
from devices.actions.receivers import add_receiver, edit_receiver
from devices.models import Fault, Receiver
from devices.querysets import end_of_day
from tests.factories import NOW, make_manager, make_receiver

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

RAISED = NOW - timedelta(days=3)
TODAY = NOW.date()
HOUR = timedelta(hours=1)


@pytest.fixture
def office() -> User:
    return make_manager()


@pytest.fixture
def receiver() -> Receiver:
    return make_receiver()


def plant(receiver: Receiver, **over: Any) -> Fault:
    facts: dict[str, Any] = {"kind": "receiver_standby", "raised_at": RAISED, "recorded_at": RAISED}
    return Fault.objects.create(
        receiver=receiver, customer=receiver.customer, site=receiver.site, **(facts | over)
    )  # fmt: skip


def change(receiver: Receiver, on: date | None, by: User, at: datetime = NOW) -> None:
    receiver.refresh_from_db()
    receiver.standby_fitted_on = on
    edit_receiver(receiver=receiver, by=by, at=at, reason="standby battery")


def end_of(fault: Fault, at: datetime = NOW) -> tuple[Any, str]:
    settle_life_cycle(at=at)
    fault.refresh_from_db()
    return fault.cleared_at, fault.cause


def test_a_changed_standby_battery_ends_the_fault_and_the_latch_waits_for_a_person(
    receiver: Receiver, office: User
) -> None:
    fault = plant(receiver, is_latched=True, cause="cold cellar")
    change(receiver, TODAY, office, NOW - HOUR)
    assert end_of(fault) == (NOW - HOUR, "cold cellar · standby battery changed")
    assert fault.latch_cleared_at is None
    assert settle_life_cycle(at=NOW) == []


def test_the_page_of_the_receiver_settles_it_at_once(
    receiver: Receiver, office: User, django_capture_on_commit_callbacks: Any
) -> None:
    fault = plant(receiver)
    with django_capture_on_commit_callbacks(execute=True):
        change(receiver, TODAY, office)
    fault.refresh_from_db()
    assert (fault.cleared_at, fault.cause) == (NOW, "standby battery changed")


def test_other_faults_of_the_receiver_go_on(receiver: Receiver, office: User) -> None:
    mains = plant(receiver, kind="receiver_power")
    change(receiver, TODAY, office)
    assert end_of(mains) == (None, "")


def test_a_battery_changed_before_the_fault_ends_nothing(receiver: Receiver, office: User) -> None:
    fault = plant(receiver)
    change(receiver, RAISED.date() - timedelta(days=1), office)
    assert end_of(fault) == (None, "")


def test_changed_this_morning_and_low_again_this_noon_it_stands(receiver: Receiver, office: User) -> None:
    change(receiver, TODAY, office, NOW - 2 * HOUR)
    fault = plant(receiver, raised_at=NOW - HOUR)
    assert end_of(fault) == (None, "")
    # Another fact of the receiver, written down later, does not make it a change of this moment.
    receiver.note = "key at the desk"
    edit_receiver(receiver=receiver, by=office, at=NOW, reason="key")
    assert end_of(fault) == (None, "")


def test_a_day_that_is_written_down_later_counts_to_its_end_by_the_clock_of_the_site(
    receiver: Receiver, office: User
) -> None:
    receiver.site.time_zone = "America/New_York"
    receiver.site.save()
    fault = plant(receiver)
    change(receiver, RAISED.date(), office)
    assert end_of(fault)[0] == datetime(2026, 11, 23, 5, tzinfo=UTC) - timedelta(microseconds=1)


def test_a_day_nobody_wrote_down_counts_once_it_is_over(receiver: Receiver) -> None:
    fault = plant(receiver)
    Receiver.objects.filter(pk=receiver.pk).update(standby_fitted_on=TODAY)
    assert end_of(fault) == (None, "")
    assert end_of(fault, NOW + timedelta(days=1))[0] == end_of_day(TODAY, receiver.site.zone)


def test_taking_the_change_back_lets_the_fault_stand_again(receiver: Receiver, office: User) -> None:
    fault = plant(receiver, cause="cold cellar")
    change(receiver, TODAY, office)
    assert end_of(fault)[0] == NOW
    undo(change=ChangeRow.objects.get(verb="edit_receiver"), by=office, at=NOW + HOUR)
    assert end_of(fault, NOW + HOUR) == (None, "cold cellar")


def test_wiping_the_day_out_by_hand_lets_the_fault_stand_again(receiver: Receiver, office: User) -> None:
    fault = plant(receiver)
    change(receiver, TODAY, office)
    assert end_of(fault)[0] == NOW
    change(receiver, None, office, NOW + HOUR)
    assert end_of(fault, NOW + HOUR) == (None, "")


def test_a_further_change_leaves_what_the_first_one_ended(receiver: Receiver, office: User) -> None:
    fault = plant(receiver)
    change(receiver, TODAY, office)
    assert end_of(fault)[0] == NOW
    later = NOW + timedelta(days=30)
    change(receiver, later.date(), office, later)
    assert end_of(fault, later)[0] == NOW


def test_a_day_that_is_corrected_moves_the_end_with_it(receiver: Receiver, office: User) -> None:
    fault = plant(receiver)
    change(receiver, TODAY, office)
    assert end_of(fault)[0] == NOW
    yesterday = TODAY - timedelta(days=1)
    change(receiver, yesterday, office, NOW + HOUR)
    assert end_of(fault, NOW + HOUR) == (end_of_day(yesterday, receiver.site.zone), "standby battery changed")


def test_a_new_receiver_with_an_old_battery_has_ended_nothing(office: User) -> None:
    old = make_receiver()
    new = add_receiver(
        receiver=Receiver(site=old.site, n_slots=8, label="R9", standby_fitted_on=RAISED.date() - timedelta(days=9)),
        by=office, at=NOW - 2 * HOUR, reason="new wing",
    )  # fmt: skip
    assert end_of(plant(new, raised_at=NOW - HOUR)) == (None, "")


# --- reports that come late ---------------------------------------------------------------------------------------------


def report(receiver: Receiver, kind: str, moment: datetime) -> None:
    signal = Signal(kind, moment, receiver.customer_id, receiver.site_id, receiver.pk)
    record_signals(signals=[signal], source="panel", at=NOW)


def spans(receiver: Receiver) -> list[tuple[datetime, datetime | None, str]]:
    rows = Fault.objects.filter(receiver=receiver, kind="receiver_standby").order_by("raised_at")
    return list(rows.values_list("raised_at", "cleared_at", "cause"))


def test_a_report_of_before_the_change_that_comes_late_is_ended_by_it(receiver: Receiver, office: User) -> None:
    change(receiver, TODAY, office, NOW - HOUR)
    report(receiver, "standby_low", RAISED)
    assert spans(receiver) == [(RAISED, NOW - HOUR, "standby battery changed")]


def test_a_report_of_after_the_change_is_a_fault_of_its_own(receiver: Receiver, office: User) -> None:
    report(receiver, "standby_low", RAISED)
    change(receiver, TODAY, office, NOW - HOUR)
    settle_life_cycle(at=NOW)
    report(receiver, "standby_low", NOW - HOUR / 2)
    assert spans(receiver) == [(RAISED, NOW - HOUR, "standby battery changed"), (NOW - HOUR / 2, None, "")]


def test_a_restore_of_before_the_change_that_comes_late_is_the_end(receiver: Receiver, office: User) -> None:
    report(receiver, "standby_low", RAISED)
    change(receiver, TODAY, office, NOW - HOUR)
    settle_life_cycle(at=NOW)
    report(receiver, "standby_restored", RAISED + HOUR)
    settle_life_cycle(at=NOW)
    assert spans(receiver) == [(RAISED, RAISED + HOUR, "")]
