"""The slot map as read from the database: two queries, any day, dates in the site's zone."""

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.utils import timezone

from devices.models import Away, Registration
from devices.querysets import end_of_day
from devices.rules.slot_map import OutputUse
from maintenance.models import DueItem
from tests.factories import (
    NOW,
    TODAY,
    make_fitting,
    make_output,
    make_receiver,
    make_registration,
    make_user,
    make_visit,
)

pytestmark = pytest.mark.django_db
ZONE = ZoneInfo("Europe/London")


def rows_of(receiver, at=NOW):
    return Registration.objects.filter(receiver=receiver).slot_rows(at, ZONE)


def due(fitting, registration, **over):
    fields = {"kind": "cells", "due_on": TODAY + timedelta(days=9), "reason": "rated_life"}
    return DueItem.objects.create(
        customer=registration.customer, site=registration.site, fitting=fitting, receiver=registration.receiver,
        registration=registration, transmitter=registration.transmitter, duty=registration.duty, harm=0,
        model_version="1", as_of=TODAY, **(fields | over),
    )  # fmt: skip


@pytest.mark.parametrize("n_slots", [1, 23])
def test_a_slot_map_takes_two_queries_however_many_slots(n_slots, django_assert_num_queries):
    receiver = make_receiver()
    output = make_output(receiver)
    for slot in range(1, n_slots + 1):
        registration = make_registration(receiver, slot, outputs=[(output, "latching", None)])
        due(make_fitting(registration.transmitter), registration)
    with time_machine.travel(NOW, tick=False), django_assert_num_queries(2):
        rows = rows_of(receiver)
    # A past moment asks the log besides how the places were worded then.
    with time_machine.travel(NOW + timedelta(days=1), tick=False), django_assert_num_queries(3):
        rows_of(receiver)
    assert [row.slot for row in rows] == list(range(1, n_slots + 1))
    assert {row.due_on for row in rows} == {TODAY + timedelta(days=9)}
    assert {row.outputs for row in rows} == {(OutputUse(1, "latching"),)}


def test_a_row_carries_the_facts_of_its_slot():
    registration = make_registration(is_portable=True, contact="nc", area="Ground floor")
    make_fitting(registration.transmitter, lot="A1; B2", n_cells=2)
    (row,) = rows_of(registration.receiver)
    assert (row.serial, row.kind, row.n_cells, row.n_lots) == (registration.transmitter.serial, "pendant", 2, 2)
    assert (row.battery_code, row.contact, row.is_portable, row.area) == ("CR2450", "nc", True, "Ground floor")
    assert (row.window_s, row.interval_s) == (14400, 3600)
    assert row.due_on is None
    assert row.urgency(TODAY) == "none"


def test_supervision_off_and_unknown_stay_apart():
    receiver = make_receiver()
    make_registration(receiver, 1, supervision="off", window_s=None)
    make_registration(receiver, 2, supervision="unknown", window_s=None)
    assert [row.window_s for row in rows_of(receiver)] == [0, None]


def test_a_slot_with_nobody_knows_what_is_read_too():
    receiver = make_receiver()
    registration = make_registration(receiver, 1)
    Registration.objects.filter(pk=registration.pk).update(transmitter=None)
    (row,) = rows_of(receiver)
    assert row.nothing_answers
    assert row.n_cells == 0


def test_the_slot_map_of_a_past_day_shows_what_stood_there_then():
    receiver = make_receiver()
    change_at = datetime(2026, 5, 3, 9, 0, tzinfo=ZONE)
    old = make_registration(receiver, 1, label="Room 1", registered_at=datetime(2025, 1, 1, tzinfo=ZONE))
    first = make_fitting(old.transmitter, fitted_at=datetime(2025, 1, 1, tzinfo=ZONE), lot="old")
    old.removed_at = first.removed_at = change_at
    old.save()
    first.save()
    make_fitting(old.transmitter, fitted_at=change_at, lot="new")
    make_registration(receiver, 1, label="Room 2", registered_at=change_at, transmitter=old.transmitter)
    on = lambda *day: [(row.label, row.lot) for row in rows_of(receiver, end_of_day(date(*day), ZONE))]  # noqa: E731
    assert on(2024, 12, 31) == []
    assert on(2026, 5, 2) == [("Room 1", "old")]
    assert on(2026, 5, 3) == [("Room 2", "new")]


def test_a_day_ends_at_midnight_of_the_site_and_not_of_utc():
    kiritimati = ZoneInfo("Pacific/Kiritimati")
    end = end_of_day(date(2026, 5, 3), kiritimati)
    assert end.astimezone(ZoneInfo("UTC")).isoformat() == "2026-05-03T09:59:59.999999+00:00"


def test_a_day_of_summer_time_change_is_whole():
    end = end_of_day(date(2026, 10, 25), ZONE)
    start = datetime(2026, 10, 25, tzinfo=ZONE)
    assert end.timestamp() - start.timestamp() == pytest.approx(25 * 3600, abs=1)


def test_register_again_does_not_reach_back_before_the_set_up_was_changed():
    registration = make_registration(register_again_since=NOW - timedelta(days=3))
    assert [row.needs_registering for row in rows_of(registration.receiver)] == [True]
    assert [row.needs_registering for row in rows_of(registration.receiver, NOW - timedelta(days=4))] == [False]


def test_an_age_nobody_knows_shows_as_no_date():
    registration = make_registration()
    make_fitting(registration.transmitter, fitted_at=None, entered_at=NOW - timedelta(days=3))
    (row,) = rows_of(registration.receiver)
    assert row.has_cells
    assert row.fitted_on is None


def test_a_whole_unit_that_is_due_sooner_than_its_cells_shows_first():
    registration = make_registration()
    due(make_fitting(registration.transmitter), registration)
    due(None, registration, kind="unit", due_on=TODAY + timedelta(days=2), reason="unit_life")
    (row,) = rows_of(registration.receiver)
    assert (row.due_on, row.due_code) == (TODAY + timedelta(days=2), "unit_life")


def test_a_walk_test_counts_for_the_slot_across_changed_settings_unless_it_was_withdrawn():
    import uuid

    from maintenance.models import Entry, WalkTest

    old = make_registration(registered_at=NOW - timedelta(days=30), removed_at=NOW - timedelta(days=10))
    make_registration(old.receiver, 1, transmitter=old.transmitter, registered_at=NOW - timedelta(days=10))
    visit = make_visit(old.site)
    entries = []
    for days, heard in ((20, True), (15, True), (5, False)):
        at = NOW - timedelta(days=days)
        entry = Entry.objects.create(
            key=uuid.uuid4(), customer=old.customer, visit=visit, receiver=old.receiver, registration=old,
            kind="walk_test", made_at=at, by=make_user("technician"), sha256="",
        )  # fmt: skip
        WalkTest.objects.create(customer=old.customer, entry=entry, visit=visit, registration=old, at=at, heard=heard)
        entries.append(entry)
    (row,) = rows_of(old.receiver)
    assert row.walk_tested_at == NOW - timedelta(days=15)
    entries[1].is_withdrawn = True
    entries[1].save()
    (row,) = rows_of(old.receiver)
    assert row.walk_tested_at == NOW - timedelta(days=20)


def test_an_absence_is_shown_until_the_day_it_ended():
    registration = make_registration()
    away = Away.objects.create(
        customer=registration.customer, site=registration.site, registration=registration, reason="hospital",
        from_on=TODAY - timedelta(days=3), agreed_until_on=TODAY + timedelta(days=4), agreed_with="ward",
    )  # fmt: skip
    (row,) = rows_of(registration.receiver)
    assert (row.is_away, row.away_until) == (True, TODAY + timedelta(days=4))
    away.ended_on = TODAY
    away.save()
    (row,) = rows_of(registration.receiver)
    assert row.is_away is False


def test_the_last_check_in_comes_with_its_seconds():
    from devices.models import CheckInDay

    registration = make_registration()
    make_registration(registration.receiver, 2)
    for back, seconds in ((3, 100), (1, 36000), (0, None)):
        CheckInDay.objects.create(
            transmitter_id=registration.transmitter_id, day=TODAY - timedelta(days=back), last_heard_s=seconds,
            customer_id=registration.customer_id, heard=1, expected=24,
        )  # fmt: skip
    found = list(
        Registration.objects.filter(receiver=registration.receiver)
        .order_by("slot")
        .with_last_check_in()
        .values_list("heard_day", "heard_s")
    )
    assert found == [(TODAY - timedelta(days=1), 36000), (None, None)]


def test_a_receiver_list_counts_what_is_late():
    from devices.models import Receiver

    registration = make_registration()
    due(make_fitting(registration.transmitter), registration, due_on=TODAY - timedelta(days=1))
    other = make_receiver(registration.site)
    found = {
        row.pk: (row.n_used, row.n_late, row.n_grave, row.first_due_on)
        for row in Receiver.objects.for_list().with_due().late_on(TODAY)
    }
    assert found[registration.receiver_id] == (1, 1, 1, TODAY - timedelta(days=1))
    assert found[other.pk] == (0, 0, 0, None)
    assert timezone.is_aware(NOW)
