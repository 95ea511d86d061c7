"""Recording on a visit: once per key, with its effect, gated, correctable."""

import threading
import uuid
from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection

from devices.actions.fitting_ends import NotAnEnd
from devices.models import Fault, Fitting, FittingEnd
from maintenance.actions.entries import (
    EntryOver,
    KeyUsed,
    NotHere,
    NotYet,
    Saying,
    VisitNotOpen,
    correct_entry,
    record_entry,
    withdraw_entry,
)
from maintenance.models import Entry, WalkTest
from tests import factories

AT = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)


@pytest.fixture
def visit(world):
    factories.battery_type()
    round = factories.make_round(world.technician)
    return factories.make_visit(world.own_site, round, state="open", arrived_at=AT)


def record(visit, kind, facts=None, *, by, key=None, minutes=0, **about):
    return record_entry(
        visit=visit, saying=Saying(kind, facts or {}, **about), key=key or uuid.uuid4(), by=by,
        at=AT + timedelta(minutes=minutes),
    )  # fmt: skip


def battery(world, visit, **over):
    facts = {"cells": "cr2450", "n_cells": 1, "old_why": "preventive"} | over.pop("facts", {})
    return record(visit, "battery", facts, by=world.technician, registration=world.own_registration, **over)


def test_a_battery_entry_ends_the_old_fitting_and_begins_a_new_one(world, visit):
    entry = battery(world, visit, facts={"lot": "L7", "old_why": "dead", "old_v": 2.1})
    old = Fitting.objects.get(pk=world.own_fitting.pk)
    new = Fitting.objects.get(pk=entry.facts["fitting"])
    assert (old.removed_at, old.removed_why, old.removed_v) == (AT, "dead", 2.1)
    assert (new.fitted_at, new.lot, new.removed_at) == (AT, "L7", None)


def test_the_same_key_with_the_same_content_records_once(world, visit):
    key = uuid.uuid4()
    first, second = battery(world, visit, key=key), battery(world, visit, key=key, minutes=1)
    assert first.pk == second.pk
    assert Fitting.objects.filter(transmitter=world.own_registration.transmitter).count() == 2


def test_the_same_key_with_other_content_is_refused_and_writes_nothing(world, visit):
    key = uuid.uuid4()
    battery(world, visit, key=key)
    with pytest.raises(KeyUsed):
        battery(world, visit, key=key, facts={"n_cells": 2})
    assert Entry.objects.count() == 1


def test_the_same_key_from_another_person_is_refused(world, visit):
    key = uuid.uuid4()
    record(visit, "note", {"text": "a"}, by=world.technician, key=key)
    with pytest.raises(KeyUsed):
        record(visit, "note", {"text": "a"}, by=world.office, key=key)


@pytest.mark.parametrize("state", ["planned", "finished", "cancelled"])
def test_only_a_visit_under_way_takes_entries(world, visit, state):
    visit.state, visit.finished_at = state, AT
    visit.save()
    with pytest.raises(VisitNotOpen):
        record(visit, "note", {"text": "a"}, by=world.technician)


def test_a_slot_of_another_site_is_refused(world, visit):
    with pytest.raises(NotHere):
        record(visit, "note", {"text": "a"}, by=world.technician, registration=world.other_registration)


def test_cells_that_no_catalogue_knows_are_refused_and_nothing_is_written(world, visit):
    with pytest.raises(NotHere):
        battery(world, visit, facts={"cells": "nope"})
    assert Fitting.objects.open().get(transmitter=world.own_registration.transmitter) == world.own_fitting
    assert not Entry.objects.exists()


def test_a_walk_test_keeps_its_result_in_a_row_of_its_own(world, visit):
    facts = {"heard": False, "margin_db": 9}
    record(visit, "walk_test", facts, by=world.technician, registration=world.own_registration)
    test = WalkTest.objects.get()
    assert (test.heard, test.margin_db, test.registration) == (False, 9, world.own_registration)


def test_registered_again_clears_the_mark_on_the_slot(world, visit):
    row = world.own_registration
    row.register_again_since = AT - timedelta(days=3)
    row.save()
    record(visit, "registered", by=world.technician, registration=row)
    row.refresh_from_db()
    assert row.register_again_since is None


def test_measured_volts_go_to_the_receiver_and_come_back_when_withdrawn(world, visit):
    receiver = world.own_receiver
    entry = record(visit, "volts", {"volts": 12.4}, by=world.technician, receiver=receiver)
    receiver.refresh_from_db()
    assert receiver.measured_v == 12.4
    withdraw_entry(entry=entry, reason="wrong terminals", key=uuid.uuid4(), by=world.technician, at=AT)
    receiver.refresh_from_db()
    assert receiver.measured_v is None


# --- clearing is the gated last step ---


def latched(world):
    return Fault.objects.create(
        customer=world.own, site=world.own_site, receiver=world.own_receiver, kind="tamper", is_latched=True,
        raised_at=AT - timedelta(hours=1), cleared_at=AT - timedelta(minutes=50),
    )  # fmt: skip


def test_clearing_before_the_covers_are_on_is_refused(world, visit):
    fault = latched(world)
    battery(world, visit)
    with pytest.raises(NotYet, match="cover"):
        record(visit, "cleared", {"cause": "work"}, by=world.technician, receiver=world.own_receiver, minutes=1)
    fault.refresh_from_db()
    assert fault.latch_cleared_at is None


def test_clearing_with_a_slot_at_register_again_is_refused(world, visit):
    world.own_registration.register_again_since = AT
    world.own_registration.save()
    record(visit, "covers", by=world.technician, receiver=world.own_receiver)
    with pytest.raises(NotYet, match="Slot 1"):
        record(visit, "cleared", {"cause": "work"}, by=world.technician, receiver=world.own_receiver, minutes=1)


def test_clearing_writes_the_cause_to_every_latched_fault_of_that_receiver(world, visit):
    fault = latched(world)
    elsewhere = Fault.objects.create(
        customer=world.other, site=world.other_site, receiver=world.other_receiver, kind="tamper", is_latched=True,
        raised_at=AT,
    )  # fmt: skip
    record(visit, "covers", by=world.technician, receiver=world.own_receiver)
    entry = record(
        visit, "cleared", {"cause": "cover open"}, by=world.technician, receiver=world.own_receiver, minutes=1
    )
    fault.refresh_from_db()
    elsewhere.refresh_from_db()
    assert (fault.latch_cleared_at, fault.cause) == (AT + timedelta(minutes=1), "cover open")
    assert entry.facts["faults"] == [fault.pk]
    assert elsewhere.latch_cleared_at is None


def test_withdrawing_a_clearing_latches_its_faults_again(world, visit):
    fault = latched(world)
    record(visit, "covers", by=world.technician, receiver=world.own_receiver)
    entry = record(visit, "cleared", {"cause": "x"}, by=world.technician, receiver=world.own_receiver, minutes=1)
    withdraw_entry(entry=entry, reason="other receiver", key=uuid.uuid4(), by=world.technician, at=AT)
    fault.refresh_from_db()
    assert fault.latch_cleared_at is None


def test_on_test_and_off_test_keep_times_and_who_was_told(world, visit):
    record(visit, "on_test", {"told": "Ina at the desk"}, by=world.technician)
    with pytest.raises(NotYet):
        record(visit, "on_test", {"told": "again"}, by=world.technician, minutes=1)
    record(visit, "off_test", {"told": "Ina again"}, by=world.technician, minutes=30)
    with pytest.raises(NotYet):
        record(visit, "off_test", {}, by=world.technician, minutes=31)
    visit.refresh_from_db()
    assert (visit.on_test_at, visit.off_test_at) == (AT, AT + timedelta(minutes=30))
    assert (visit.told_before, visit.told_after) == ("Ina at the desk", "Ina again")


# --- corrections are new entries that point at the old ---


def test_a_corrected_battery_entry_keeps_the_old_one_and_swaps_the_cells(world, visit):
    entry = battery(world, visit)
    saying = Saying(
        "battery", {"cells": "cr2450", "n_cells": 2, "old_why": "dead"}, registration=world.own_registration
    )
    new = correct_entry(entry=entry, saying=saying, key=uuid.uuid4(), by=world.technician, at=AT + timedelta(hours=1))
    entry.refresh_from_db()
    assert entry.is_withdrawn
    assert (new.corrects, new.made_at, new.recorded_at) == (entry, AT, AT + timedelta(hours=1))
    fittings = list(Fitting.objects.filter(transmitter=world.own_registration.transmitter).order_by("fitted_at"))
    assert [(row.n_cells, row.removed_why) for row in fittings] == [(1, "dead"), (2, "")]
    first, second = FittingEnd.objects.filter(fitting=world.own_fitting).order_by("pk")
    assert (first.why, first.taken_back_at is None, second.why, second.corrects) == ("preventive", False, "dead", first)


def test_how_the_old_cells_ended_is_recorded_with_load_and_last_day(world, visit):
    facts = {"old_why": "dead", "old_v": 1.8, "old_under_load": True, "last_known_on": "2026-11-02"}
    entry = battery(world, visit, facts=facts)
    end = FittingEnd.objects.get()
    assert (end.fitting, end.why, end.volts, end.is_under_load) == (world.own_fitting, "dead", 1.8, True)
    assert end.last_alive_at.astimezone(visit.site.zone).date() == date(2026, 11, 2)
    assert entry.facts["last_known_words"] == "2 Nov 2026"


def test_a_correction_of_the_end_alone_leaves_the_new_cells_and_points_back(world, visit):
    entry = battery(world, visit)
    kept = entry.facts["fitting"]
    battery(world, visit, minutes=30)  # changed once more since: only taking back would be refused now
    saying = Saying(
        "battery", {"cells": "cr2450", "n_cells": 1, "old_why": "low_battery", "old_v": 2.3, "old_under_load": True},
        registration=world.own_registration,
    )  # fmt: skip
    facts = {
        "entry": entry,
        "saying": saying,
        "key": uuid.uuid4(),
        "by": world.technician,
        "at": AT + timedelta(hours=1),
    }
    new = correct_entry(**facts)
    assert correct_entry(**facts).pk == new.pk
    assert (new.corrects, new.facts["fitting"]) == (entry, kept)
    assert new.facts["cells_label"] == entry.facts["cells_label"]
    first, second = FittingEnd.objects.filter(fitting=world.own_fitting).order_by("pk")
    assert (first.why, second.why, second.volts, second.is_under_load) == ("preventive", "low_battery", 2.3, True)
    assert second.corrects == first
    world.own_fitting.refresh_from_db()
    assert (world.own_fitting.removed_why, world.own_fitting.removed_at) == ("low_battery", AT)
    assert Fitting.objects.filter(transmitter=world.own_registration.transmitter).count() == 3


def test_an_impossible_reading_records_nothing(world, visit):
    with pytest.raises(NotAnEnd, match="at most about"):
        battery(world, visit, facts={"old_v": 29.0})
    assert not Entry.objects.exists()
    assert not FittingEnd.objects.exists()


def test_a_withdrawn_battery_entry_puts_the_old_cells_back_in_service(world, visit):
    entry = battery(world, visit)
    key = uuid.uuid4()
    gone = withdraw_entry(entry=entry, reason="wrong slot", key=key, by=world.technician, at=AT)
    again = withdraw_entry(entry=entry, reason="wrong slot", key=key, by=world.technician, at=AT)
    old = Fitting.objects.get(transmitter=world.own_registration.transmitter)
    assert old == world.own_fitting
    assert old.removed_at is None
    assert gone.pk == again.pk
    assert gone.corrects == entry
    assert not Entry.objects.standing().exists()
    assert Entry.objects.count() == 2


def test_an_entry_is_corrected_once_only(world, visit):
    entry = record(visit, "note", {"text": "a"}, by=world.technician)
    correct_entry(entry=entry, saying=Saying("note", {"text": "b"}), key=uuid.uuid4(), by=world.technician, at=AT)
    with pytest.raises(EntryOver):
        correct_entry(entry=entry, saying=Saying("note", {"text": "c"}), key=uuid.uuid4(), by=world.technician, at=AT)


def test_a_withdrawal_needs_a_reason(world, visit):
    entry = record(visit, "note", {"text": "a"}, by=world.technician)
    with pytest.raises(EntryOver, match="few words"):
        withdraw_entry(entry=entry, reason=" ", key=uuid.uuid4(), by=world.technician, at=AT)
    entry.refresh_from_db()
    assert not entry.is_withdrawn


def test_after_the_end_only_the_office_corrects(world, visit):
    entry = record(visit, "note", {"text": "a"}, by=world.technician)
    visit.state, visit.finished_at = "finished", AT
    visit.save()
    with pytest.raises(EntryOver):
        withdraw_entry(entry=entry, reason="x", key=uuid.uuid4(), by=world.technician, at=AT)
    withdraw_entry(entry=entry, reason="x", key=uuid.uuid4(), by=world.office, at=AT)
    entry.refresh_from_db()
    assert entry.is_withdrawn


def test_a_change_that_was_followed_by_another_cannot_be_taken_back(world, visit):
    first = battery(world, visit)
    battery(world, visit, minutes=5)
    with pytest.raises(Exception, match="taken out since"):
        withdraw_entry(entry=first, reason="x", key=uuid.uuid4(), by=world.technician, at=AT)
    first.refresh_from_db()
    assert not first.is_withdrawn


@pytest.mark.django_db(transaction=True)
def test_two_phones_sending_one_key_at_the_same_moment_record_once(world, visit):
    key, start, results = uuid.uuid4(), threading.Barrier(4), []

    def send():
        try:
            start.wait(timeout=20)
            results.append(battery(world, visit, key=key).pk)
        finally:
            connection.close()

    threads = [threading.Thread(target=send) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert len(results) == 4
    assert len(set(results)) == 1
    assert Fitting.objects.filter(transmitter=world.own_registration.transmitter).count() == 2
