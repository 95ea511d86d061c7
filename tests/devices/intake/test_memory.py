"""What a process remembers of transmitters never shows: each batch comes out as if it had just been read."""

import threading
from datetime import UTC, datetime, timedelta

import pytest
from django.db import connection, connections, transaction
from django.db.models.functions import Sign

from devices.actions import intake, intake_memory
from devices.actions import intake_sql as isql
from devices.actions.intake import take_batch
from devices.actions.intake_memory import memory
from devices.actions.rollups import differences, rebuild_totals
from devices.models import (
    CheckInDay,
    FaultReport,
    Fitting,
    FittingTotals,
    Receiver,
    Registration,
    SetAside,
    Transmitter,
)
from devices.rules.events import Event
from devices.unit_stamps import ensure_stamps
from tests.factories import (
    NOW,
    TODAY,
    make_customer,
    make_fitting,
    make_gateway,
    make_receiver,
    make_registration,
    make_transmitter,
    make_unit,
)
from tests.tools.crossing import Beside, needs_postgresql

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]
MIDNIGHT = datetime(TODAY.year, TODAY.month, TODAY.day, tzinfo=UTC)
SERIALS = ("MEM-1", "MEM-2", "MEM-3")


@pytest.fixture(autouse=True)
def nothing_remembered():
    memory.clear()
    yield
    memory.clear()


@pytest.fixture
def units(receiver):
    own = receiver.customer
    return [
        make_unit(receiver, slot, transmitter=make_transmitter(own, serial=serial))
        for slot, serial in enumerate(SERIALS, 1)
    ]


def take(source, batch, hour, kinds=("check_in",) * 3, serials=SERIALS):
    at = MIDNIGHT - timedelta(days=1) + timedelta(hours=hour)
    events = [Event(n, kind, at, serial) for n, (serial, kind) in enumerate(zip(serials, kinds, strict=True), 1)]
    return take_batch(source=source, batch_id=batch, sha256="a" * 64, events=events, at=NOW).answer


def taken(source, units):
    """All that a batch makes, and nothing is left of it."""
    with transaction.atomic():
        answer = take(source, "after", 9, ("check_in", "activation", "low_battery"))
        names = [one.name for one in CheckInDay._meta.concrete_fields]
        names[names.index("acts_source")] = Sign("acts_source")
        found = (
            answer, list(CheckInDay.objects.order_by("transmitter_id", "day").values_list(*names)),
            sorted(FittingTotals.objects.values_list("fitting_id", "from_on", "days_measured", "checkins", "activations")),
            sorted(SetAside.objects.values_list("serial", "why")),
            sorted(FaultReport.objects.values_list("receiver_id", "registration_id", "transmitter_id")),
            sorted(Receiver.objects.values_list("pk", "heard_until")),
        )  # fmt: skip
        assert differences(transmitter_ids=[unit.pk for unit in units]) == []
        transaction.set_rollback(True)
    return found


def swapped(receiver, unit):
    Registration.objects.filter(transmitter=unit).update(removed_at=MIDNIGHT - timedelta(days=2))
    make_registration(make_receiver(receiver.site), 7, transmitter=unit, registered_at=MIDNIGHT - timedelta(days=2))


def fresh_cells(receiver, unit):
    Fitting.objects.filter(transmitter=unit).update(removed_at=MIDNIGHT - timedelta(days=3), removed_why="low")
    make_fitting(unit, fitted_at=MIDNIGHT - timedelta(days=3))
    rebuild_totals(transmitter_ids=[unit.pk])


def moved_to_others(receiver, unit):
    other = make_customer()
    FittingTotals.objects.filter(fitting__transmitter=unit).delete()
    CheckInDay.objects.filter(transmitter_id=unit.pk).delete()
    Fitting.objects.filter(transmitter=unit).delete()
    Registration.objects.filter(transmitter=unit).delete()
    Transmitter.objects.filter(pk=unit.pk).update(customer=other)


def serial_given_on(receiver, unit):
    Transmitter.objects.filter(pk=unit.pk).update(serial="FORMER")
    make_registration(receiver, 9, transmitter=make_transmitter(receiver.customer, serial=SERIALS[0]))


def another_interval(receiver, unit):
    Registration.objects.filter(transmitter=unit).update(interval_s=900)
    rebuild_totals(transmitter_ids=[unit.pk])


CHANGES = {
    "nothing": lambda receiver, unit: None,
    "another receiver": swapped,
    "fresh cells": fresh_cells,
    "another customer's": moved_to_others,
    "serial of another": serial_given_on,
    "serial corrected": lambda receiver, unit: Transmitter.objects.filter(pk=unit.pk).update(serial="RIGHT"),
    "slot emptied": lambda receiver, unit: Registration.objects.filter(transmitter=unit).update(
        removed_at=MIDNIGHT - timedelta(days=2)
    ),
    "another interval": another_interval,
    "day closed": lambda receiver, unit: Receiver.objects.update(days_closed_until=TODAY),
}


@pytest.mark.parametrize("change", CHANGES)
def test_after_a_change_a_batch_comes_out_as_if_nothing_were_remembered(receiver, units, source, change):
    for hour in (3, 5):
        take(source, f"before {hour}", hour)
    assert {one.unit.serial for one in memory.of(SERIALS, receiver.customer_id)} == set(SERIALS)
    CHANGES[change](receiver, units[0])
    remembering = taken(source, units)
    memory.clear()
    assert taken(source, units) == remembering


def test_what_is_remembered_is_not_read_again(receiver, units, source, monkeypatch):
    take(source, "one", 3)
    take(source, "two", 4)
    monkeypatch.setattr(isql, "_units_ask", None)
    assert take(source, "three", 5)["taken"] == 3
    assert CheckInDay.objects.filter(heard=3).count() == 3


def test_a_source_learns_nothing_of_what_was_remembered_for_another(receiver, units, source):
    take(source, "one", 3)
    take(source, "two", 4)
    stranger = make_gateway(make_customer())
    answer = take(stranger, "one", 5)
    assert (answer["taken"], len(answer["set_aside"])) == (0, 3)


def test_a_day_that_is_no_longer_kept_is_refused_though_the_border_was_remembered(receiver, units, source):
    from company.models import Firm

    take(source, "one", 3)
    take(source, "two", 4)
    Firm.objects.update_or_create(pk=1, defaults={"checkins_from": TODAY})
    answer = take(source, "three", 5)
    assert (answer["taken"], len(answer["refused"])) == (0, 3)


@pytest.mark.skipif("connection.vendor != 'sqlite'", reason="PostgreSQL keeps its triggers while tables change")
def test_while_triggers_are_missing_nothing_is_remembered(receiver, units, source):
    """As between the migrations of an upgrade and what follows them, and after one that failed."""
    take(source, "one", 3)
    take(source, "two", 4)
    with connection.cursor() as cursor:
        cursor.execute("DROP TRIGGER stamp_place")
    swapped(receiver, units[0])
    take(source, "three", 5)
    assert Receiver.objects.exclude(pk=receiver.pk).get().heard_until == MIDNIGHT - timedelta(days=1) + timedelta(
        hours=5
    )
    assert memory.of(SERIALS, None) == []
    ensure_stamps()
    take(source, "four", 6)
    assert len(memory.of(SERIALS, None)) == 3


def test_a_turn_that_was_overtaken_is_rolled_back_and_begun_anew(receiver, units, source, monkeypatch):
    lock, is_moved = isql.lock_receivers_ask, []

    def move_first(*args):
        if not is_moved:
            is_moved.append(True)
            swapped(receiver, units[0])
        return lock(*args)

    take(source, "one", 3)
    memory.clear()
    monkeypatch.setattr(isql, "lock_receivers_ask", move_first)
    take(source, "two", 5)
    # The first turn was rolled back, here with what moved the unit.
    assert is_moved
    assert Receiver.objects.count() == 1
    assert CheckInDay.objects.filter(heard=2).count() == 3


@needs_postgresql
@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("is_remembered", [True, False])
def test_what_changes_between_reading_and_locking_is_read_again(receiver, units, source, monkeypatch, is_remembered):
    """The batch has read where the units stand; another connection moves one and commits; then the batch locks them."""
    take(source, "one", 3)
    take(source, "two", 4)
    if not is_remembered:
        memory.clear()
    lock, turns, has_read, is_moved = isql.lock_receivers_ask, [], threading.Event(), threading.Event()

    def once_moved(*args):
        turns.append(args)
        has_read.set()
        assert is_moved.wait(20)
        return lock(*args)

    monkeypatch.setattr(isql, "lock_receivers_ask", once_moved)
    handing = Beside(lambda: take(source, "three", 5), keeps=True)
    handing.start()
    assert has_read.wait(20)
    swapped(receiver, units[0])
    is_moved.set()
    assert handing.until_done() == []
    new_place = Receiver.objects.exclude(pk=receiver.pk).get()
    assert [args[0] for args in turns] == [{receiver.pk}, {receiver.pk, new_place.pk}]
    assert new_place.heard_until == MIDNIGHT - timedelta(days=1) + timedelta(hours=5)
    assert CheckInDay.objects.filter(heard=3).count() == 3
    assert differences(transmitter_ids=[unit.pk for unit in units]) == []


def test_it_begins_anew_rather_than_grow_without_end(receiver, units, source, monkeypatch):
    monkeypatch.setattr(intake_memory, "MOST", 1)
    take(source, "one", 3)
    take(source, "two", 4)
    take(source, "three", 5, serials=("MEM-1", "MEM-2", "MEM-9"))
    assert len(memory.of(SERIALS, None)) <= 3
    assert CheckInDay.objects.filter(heard=3).count() == 2


def test_a_file_of_the_past_is_read_from_what_is_on_record(receiver, units, source, monkeypatch):
    monkeypatch.setattr(intake, "MOST_EVENTS", 2)
    take(source, "one", 3)
    assert memory.of(SERIALS, None) == []


@pytest.mark.django_db(transaction=True)
def test_a_change_under_way_is_waited_for_and_then_gone_by(receiver, units, source):
    """Another connection has moved a unit to another receiver and not yet ended its transaction when the batch comes."""
    take(source, "one", 3)
    take(source, "two", 4)
    is_changed, may_end, answers = threading.Event(), threading.Event(), []

    def change():
        try:
            with transaction.atomic():
                swapped(receiver, units[0])
                is_changed.set()
                may_end.wait(20)
        finally:
            connections.close_all()

    def hand_over():
        try:
            answers.append(take(source, "three", 5))
        finally:
            connections.close_all()

    changing, handing = threading.Thread(target=change), threading.Thread(target=hand_over)
    changing.start()
    assert is_changed.wait(20)
    handing.start()
    handing.join(0.5)
    assert handing.is_alive()
    assert answers == []
    may_end.set()
    changing.join(20)
    handing.join(20)
    assert answers[0]["taken"] == 3
    new_place = Receiver.objects.exclude(pk=receiver.pk).get()
    # It was heard there, so that receiver is delivered up to then.
    assert new_place.heard_until == MIDNIGHT - timedelta(days=1) + timedelta(hours=5)
    assert differences(transmitter_ids=[unit.pk for unit in units]) == []
    assert connection.vendor in ("postgresql", "sqlite")
