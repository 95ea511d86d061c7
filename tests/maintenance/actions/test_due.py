"""Due dates in the database: one receiver at once, the night's run exactly once, whatever is killed on the way."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from company.actions import ensure_policies
from company.models import RiskPolicy
from devices.models import Fault, Fitting, FittingTotals, Receiver, Registration
from maintenance.actions import due
from maintenance.models import DueChange, DueItem
from tests import factories
from tests.factories import NOW, TODAY

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def slot(receiver: Receiver, number: int = 1, **over: Any) -> tuple[Registration, Fitting]:
    fitting = {key.removeprefix("fitting_"): over.pop(key) for key in list(over) if key.startswith("fitting_")}
    if "transmitter" not in over:
        # Draws enough for the risk limit to come before every calendar rule.
        kind = factories.transmitter_type("test-busy", sleep_ua=10.0)
        over["transmitter"] = factories.make_transmitter(receiver.customer, type=kind)
    registration = factories.make_registration(receiver, number, **over)
    return registration, factories.make_fitting(registration.transmitter, **fitting)


@pytest.fixture
def receiver(db: Any) -> Receiver:
    return factories.make_receiver()


def refresh(*receivers: Receiver, today: date = TODAY) -> due.Refreshed:
    return due.refresh_receivers(receiver_ids=[row.pk for row in receivers], at=NOW, today=today)


def item_of(fitting: Fitting) -> DueItem:
    return DueItem.objects.get(fitting=fitting)


# --- one receiver -----------------------------------------------------------------------------------------------------


def test_cells_get_a_date_a_reason_and_their_working(receiver: Receiver) -> None:
    registration, fitting = slot(receiver)
    refresh(receiver)
    item = item_of(fitting)
    assert item.due_on is not None
    assert item.reason == "risk_limit"
    assert item.registration == registration
    assert (item.duty, item.harm) == ("life_safety", 0)
    assert item.flags == ["prior_only", "fallback_rate"]
    assert {o["code"] for o in item.opinions} == {"risk_limit", "calendar_cap", "shelf_life"}
    assert item.opinions[0]["why"].startswith("Change by ")
    assert item.planning_q == pytest.approx(RiskPolicy.objects.get(duty="life_safety").p_dead)
    assert item.figures["why"] == item.opinions[0]["why"]
    assert len(item.figures["notes"]) == 2


def test_refreshing_twice_writes_nothing(receiver: Receiver) -> None:
    slot(receiver)
    slot(receiver, 2, fitting_fitted_at=None)
    assert refresh(receiver).n_written == 2
    assert refresh(receiver).n_written == 0
    assert refresh(receiver, today=TODAY + timedelta(days=1)).n_written == 0


def test_a_low_battery_signal_brings_the_date_forward_and_is_logged(receiver: Receiver) -> None:
    _, fitting = slot(receiver)
    refresh(receiver)
    before = item_of(fitting)
    Fitting.objects.filter(pk=fitting.pk).update(first_low_at=NOW - timedelta(days=2))
    assert refresh(receiver).n_moved == 1
    item = item_of(fitting)
    grace = RiskPolicy.objects.get(duty="life_safety").grace_days
    assert (item.reason, item.due_on) == ("low_battery", TODAY - timedelta(days=2) + timedelta(days=grace))
    change = DueChange.objects.get(due_item=item)
    assert (change.from_on, change.from_reason, change.to_on) == (before.due_on, "risk_limit", item.due_on)


def test_an_open_low_battery_fault_counts_and_one_of_the_cells_before_does_not(receiver: Receiver) -> None:
    registration, fitting = slot(receiver)
    fault = Fault.objects.create(
        customer=receiver.customer, site=receiver.site, receiver=receiver, registration=registration,
        transmitter=registration.transmitter, kind="low_battery", raised_at=NOW - timedelta(days=500),
    )  # fmt: skip
    refresh(receiver)
    assert item_of(fitting).reason == "risk_limit"
    Fault.objects.filter(pk=fault.pk).update(raised_at=NOW - timedelta(days=1))
    refresh(receiver)
    assert item_of(fitting).reason == "low_battery"


def test_changed_cells_close_the_old_item_and_open_a_new_one(receiver: Receiver) -> None:
    _, old = slot(receiver, fitting_fitted_at=NOW - timedelta(days=3000))
    refresh(receiver)
    assert item_of(old).due_on < TODAY
    Fitting.objects.filter(pk=old.pk).update(removed_at=NOW, removed_why="preventive")
    new = factories.make_fitting(old.transmitter, fitted_at=NOW)
    refresh(receiver)
    assert item_of(old).is_closed
    assert not item_of(new).is_closed
    assert item_of(new).due_on > TODAY


def test_a_transmitter_taken_out_of_its_slot_is_due_no_more(receiver: Receiver) -> None:
    registration, fitting = slot(receiver)
    refresh(receiver)
    Registration.objects.filter(pk=registration.pk).update(removed_at=NOW)
    refresh(receiver)
    assert item_of(fitting).is_closed
    other = factories.make_receiver(receiver.site)
    factories.make_registration(other, 3, transmitter=registration.transmitter)
    refresh(other)
    assert not item_of(fitting).is_closed
    assert item_of(fitting).receiver == other


def test_a_transmitter_in_two_slots_is_one_thing_of_the_most_harmful_duty(receiver: Receiver) -> None:
    first, fitting = slot(receiver, duty="convenience", is_shared=True)
    second = factories.make_registration(
        factories.make_receiver(receiver.site), 9, transmitter=first.transmitter, duty="life_safety", is_shared=True
    )
    refresh(receiver)
    assert DueItem.objects.count() == 1
    assert item_of(fitting).registration == second
    assert item_of(fitting).harm == 0


def test_cells_of_unknown_age_are_due_half_a_cap_after_our_records_begin(receiver: Receiver) -> None:
    _, fitting = slot(receiver, fitting_fitted_at=None, fitting_entered_at=NOW - timedelta(days=10))
    refresh(receiver)
    item = item_of(fitting)
    cap = RiskPolicy.objects.get(duty="life_safety").calendar_cap_days
    assert item.reason == "unknown_age"
    assert item.due_on == TODAY - timedelta(days=10) + timedelta(days=round(cap / 2))
    assert "unknown_age" in item.flags


def test_cells_of_an_unknown_type_are_due_by_the_calendar(receiver: Receiver) -> None:
    _, fitting = slot(receiver, fitting_battery_type=None)
    refresh(receiver)
    assert item_of(fitting).reason == "calendar_cap"
    assert item_of(fitting).exposure is None


def test_a_standby_battery_and_a_whole_unit_are_due_by_their_years() -> None:
    kind = factories.receiver_type("test-standby", has_standby_battery=True, standby_life_years=4)
    receiver = factories.make_receiver(type=kind, standby_fitted_on=date(2023, 1, 1))
    smoke = factories.transmitter_type("test-smoke", unit_life_years=10)
    transmitter = factories.make_transmitter(receiver.customer, type=smoke, made_on=date(2017, 5, 1))
    slot(receiver, transmitter=transmitter)
    refresh(receiver)
    standby = DueItem.objects.get(kind="standby")
    assert standby.due_on == date(2023, 1, 1) + timedelta(days=1461)
    assert "a standby battery of this kind serves 4 years" in standby.opinions[0]["why"]
    assert standby.harm == 0
    unit = DueItem.objects.get(kind="unit")
    assert unit.due_on == date(2017, 5, 1) + timedelta(days=3652)
    assert "the whole unit serves 10 years from the day it was made" in unit.opinions[0]["why"]
    assert DueItem.objects.filter(kind="cells").count() == 1
    assert refresh(receiver).n_written == 0


def test_a_welded_cell_is_due_with_its_unit(receiver: Receiver) -> None:
    sealed = factories.transmitter_type("test-sealed", unit_life_years=10, welded_cell=True, sleep_ua=12.0)
    transmitter = factories.make_transmitter(receiver.customer, type=sealed)
    slot(receiver, transmitter=transmitter)
    refresh(receiver)
    item = DueItem.objects.get()
    assert item.kind == "unit"
    assert item.reason == "risk_limit"
    assert {o["code"] for o in item.opinions} == {"risk_limit", "unit_life"}


def test_counted_activations_and_earlier_settings_enter_the_exposure(receiver: Receiver) -> None:
    _, quiet = slot(receiver)
    _, busy = slot(receiver, 2)
    for interval_s, from_on, activations in ((600, date(2025, 10, 1), 9000), (3600, date(2026, 6, 1), 9000)):
        FittingTotals.objects.create(
            fitting=busy, customer=busy.customer, from_on=from_on, interval_s=interval_s, days_measured=1000,
            activations=activations,
        )  # fmt: skip
    refresh(receiver)
    assert item_of(busy).exposure > 1.5 * item_of(quiet).exposure
    assert item_of(busy).due_on < item_of(quiet).due_on
    assert "fallback_rate" not in item_of(busy).flags


def test_a_changed_policy_moves_dates(receiver: Receiver) -> None:
    _, fitting = slot(receiver)
    refresh(receiver)
    before = item_of(fitting).due_on
    RiskPolicy.objects.filter(duty="life_safety").update(p_dead=0.05, p_call=0.2)
    refresh(receiver)
    assert item_of(fitting).due_on > before


# --- the command ------------------------------------------------------------------------------------------------------


def test_a_refresh_of_a_receiver_makes_the_same_number_of_queries_for_3_and_23_slots(
    receiver: Receiver,
) -> None:
    ensure_policies()
    counts = []
    for numbers in (range(1, 4), range(4, 24)):
        for number in numbers:
            slot(receiver, number)
        with CaptureQueriesContext(
            connection,
        ) as queries:
            refresh(receiver)
        counts.append(len(queries))
    assert counts[0] == counts[1]
