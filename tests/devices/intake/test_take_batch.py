"""Batches taken in: exactly once, in any order, within what the source speaks for, and nothing is lost on the way."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import transaction

from devices.actions import intake
from devices.actions.intake import OtherContent, OutsideItsScope, take_batch
from devices.actions.rollups import differences
from devices.models import CheckInDay, Fault, FittingTotals, IntakeBatch, IntakeSource, Receiver, SetAside
from devices.rules.day_acts import read_acts
from devices.rules.events import Event, RowProblem
from devices.rules.presence import quarters_in
from tests.factories import (
    NOW,
    TODAY,
    make_customer,
    make_receiver,
    make_registration,
    make_site,
    make_transmitter,
    make_unit,
)

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def make_source(customer=None, **over):
    fields = {"name": f"Source {IntakeSource.objects.count()}", "kind": "api", "customer": customer}
    return IntakeSource.objects.create(**(fields | over))


@pytest.fixture
def unit(receiver):
    return make_unit(receiver, 3)


def clock(hour, minute=0, day=TODAY):
    return datetime(day.year, day.month, day.day, hour, minute, tzinfo=UTC)


def event(unit, at, kind="check_in", row=1, **over):
    return Event(row, kind, at, unit if isinstance(unit, str) else unit.serial, **over)


def send(source, *events, batch="b1", sha="a" * 64, **over):
    return take_batch(source=source, batch_id=batch, sha256=sha, events=events, **({"at": NOW} | over))


def day_of(unit, day=TODAY):
    return CheckInDay.objects.get(transmitter_id=unit.pk, day=day)


def test_a_batch_becomes_a_day_with_its_totals(source, unit):
    taken = send(
        source, event(unit, clock(6, 5)), event(unit, clock(7, 5), "activation", 2, margin_db=6.4),
        event(unit, clock(7, 6), "activation", 3), event(unit, clock(8, 5), "low_battery", 4, margin_db=9.0),
    )  # fmt: skip
    day = day_of(unit)
    assert list(quarters_in(bytes(day.presence))) == [24, 28, 32]
    assert read_acts(bytes(day.acted), day.acts_source) == {source.pk: {28: 2}}
    assert (day.heard, day.expected, day.activations, day.loss_runs) == (3, 8, 2, 1)
    assert (day.lowest_margin_db, day.flags, day.last_heard_s) == (6, CheckInDay.LOW_BATTERY, 8 * 3600 + 300)
    assert (day.customer_id, day.acts_source) == (source.customer_id, source.pk)
    totals = FittingTotals.objects.get()
    assert (totals.days_measured, totals.checkins, totals.activations) == (1, 3, 2)
    assert taken.answer == {
        "batch": "b1", "received_at": "2026-11-25T10:00:00Z", "repeated": False, "rows": 4, "taken": 4, "refused": [],
        "set_aside": [], "clamped": 0,
    }  # fmt: skip
    assert differences(transmitter_ids=[unit.pk]) == []


def test_the_same_batch_again_gets_the_same_answer_and_counts_once(source, unit):
    first = send(source, event(unit, clock(6), "activation"), event("no-such", clock(7), row=2))
    again = send(source, event(unit, clock(6), "activation"), event("no-such", clock(7), row=2))
    assert again.is_repeat
    assert again.answer == first.answer | {"repeated": True}
    batch = IntakeBatch.objects.get()
    assert (batch.n_repeats, batch.n_conflicts, batch.n_taken, batch.n_set_aside) == (1, 0, 1, 1)
    assert (batch.from_at, batch.until_at) == (clock(6), clock(7))
    assert day_of(unit).activations == 1
    assert SetAside.objects.count() == 1


def test_another_content_under_the_same_id_is_refused_and_counted(source, unit):
    send(source, event(unit, clock(6), "activation"))
    with pytest.raises(OtherContent, match="new id"):
        send(source, event(unit, clock(7), "activation"), sha="b" * 64)
    assert IntakeBatch.objects.get().n_conflicts == 1
    assert day_of(unit).activations == 1


@pytest.mark.django_db(transaction=True)
def test_the_count_of_a_conflict_outlives_the_refusal(source, unit):
    send(source, event(unit, clock(6)))
    for _ in range(2):
        with pytest.raises(OtherContent):
            send(source, sha="b" * 64)
    assert IntakeBatch.objects.get().n_conflicts == 2


def test_two_sources_may_use_one_batch_id(source, unit):
    other = make_source(source.customer)
    send(source, event(unit, clock(6)))
    assert not send(other, event(unit, clock(7)), sha="b" * 64).is_repeat
    assert day_of(unit).heard == 2


def test_a_failure_leaves_nothing(source, unit, monkeypatch):
    monkeypatch.setattr(intake, "_tell", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError), transaction.atomic():
        send(source, event(unit, clock(6)), event("no-such", clock(6), row=2))
    assert [model.objects.count() for model in (CheckInDay, IntakeBatch, FittingTotals, SetAside)] == [0, 0, 0, 0]


def test_rows_that_cannot_be_taken_come_back_and_hold_up_no_other(source, unit):
    bad = RowProblem(1, "time", "Give a time.")
    taken = send(source, event(unit, clock(6), row=2), problems=[bad], n_clamped=1)
    assert (taken.answer["rows"], taken.answer["taken"], taken.answer["clamped"]) == (2, 1, 1)
    assert taken.answer["refused"] == [{"row": 1, "field": "time", "why": "Give a time."}]
    source.refresh_from_db()
    assert (source.n_clamped, source.watermark_at, source.last_used_at) == (1, clock(6), NOW)


# --- whose ------------------------------------------------------------------------------------------------------------


def test_a_serial_of_another_customer_is_as_unknown_as_one_of_nobody(source, receiver, unit):
    foreign = make_registration().transmitter
    taken = send(source, event(foreign, clock(6)), event("no-such", clock(6), row=2), event(unit, clock(6), row=3))
    one, two = taken.answer["set_aside"]
    assert (one["serial"], two["serial"]) == (foreign.serial, "no-such")
    assert one["why"] == two["why"]
    assert taken.answer["taken"] == 1
    assert not CheckInDay.objects.filter(transmitter_id=foreign.pk).exists()
    rows = SetAside.objects.order_by("row")
    assert [(row.serial, row.customer_id, row.kind, row.at, row.transmitter_id) for row in rows] == [
        (foreign.serial, receiver.customer_id, "check_in", clock(6), None),
        ("no-such", receiver.customer_id, "check_in", clock(6), None),
    ]
    assert rows[0].why == rows[1].why


@pytest.mark.parametrize("spelt", ["sk 7 x", "SK–7–X", "Sk-7x"])
def test_a_serial_counts_however_it_is_spelt(source, receiver, spelt):
    unit = make_registration(receiver, 9, transmitter=make_transmitter(receiver.customer, serial="SK-7-X")).transmitter
    assert send(source, event(spelt, clock(6))).answer["taken"] == 1
    assert day_of(unit).heard == 1


def test_a_serial_on_record_with_a_long_hyphen_is_found(source, receiver):
    unit = make_registration(receiver, 9, transmitter=make_transmitter(receiver.customer, serial="SK–7")).transmitter
    send(source, event("sk7", clock(6)))
    assert day_of(unit).heard == 1


def test_a_serial_that_could_mean_several_is_set_aside(source, receiver):
    for serial in ("SK-71", "SK7-1"):
        make_transmitter(receiver.customer, serial=serial)
    assert "spelt as on record" in send(source, event("SK71", clock(6))).answer["set_aside"][0]["why"]


def test_a_source_of_a_site_hears_nothing_of_the_customers_other_sites(receiver, unit):
    away = make_registration(make_receiver(make_site(receiver.customer)), 1).transmitter
    source = make_source(receiver.customer, site=receiver.site)
    taken = send(source, event(away, clock(6)), event("no-such", clock(6), row=2), event(unit, clock(6), row=3))
    assert len({one["why"] for one in taken.answer["set_aside"]}) == 1
    assert taken.answer["taken"] == 1


def test_receivers_and_sites_of_others_are_refused_whole(source, receiver, unit):
    other = make_receiver()
    for named in (
        {"receiver": other},
        {"site": other.site},
        {"receiver": receiver, "site": make_site(receiver.customer)},
    ):
        with pytest.raises(OutsideItsScope):
            send(source, event(unit, clock(6)), **named)
    assert not IntakeBatch.objects.exists()


def test_a_source_of_the_firm_speaks_for_the_customer_of_the_site_that_is_named(receiver, unit):
    source = make_source(kind="file")
    foreign = make_registration().transmitter
    taken = send(source, event(unit, clock(6)), event(foreign, clock(6), row=2), site=receiver.site)
    assert [one["serial"] for one in taken.answer["set_aside"]] == [foreign.serial]
    assert send(source, event(foreign, clock(6)), batch="b2").answer["taken"] == 1


# --- slots and receivers ----------------------------------------------------------------------------------------------


def test_a_slot_names_what_stood_in_it_at_that_moment(source, receiver, unit):
    old = receiver.registrations.get()
    old.removed_at = clock(7)
    old.save()
    new = make_registration(receiver, 3, registered_at=clock(8)).transmitter
    said = [Event(n, "check_in", clock(5 + n), slot=3) for n in (1, 2, 3)]
    taken = send(source, *said, receiver=receiver)
    assert [one["row"] for one in taken.answer["set_aside"]] == [2]
    assert "spare" in taken.answer["set_aside"][0]["why"]
    assert (day_of(unit).heard, day_of(new).heard) == (1, 1)
    assert SetAside.objects.get().receiver == receiver


@pytest.mark.parametrize("name", ["code", "label", "serial"])
def test_a_row_names_its_receiver_by_code_label_or_serial(source, receiver, unit, name):
    Receiver.objects.filter(pk=receiver.pk).update(serial="RX 1-1")
    receiver.refresh_from_db()
    word = str(getattr(receiver, name)).lower()
    assert send(source, Event(1, "check_in", clock(6), receiver=word, slot=3)).answer["taken"] == 1
    assert day_of(unit).heard == 1


def test_a_receiver_of_others_is_as_unknown_as_none(source):
    other = make_registration(slot=1).receiver
    said = [Event(n, "power_fault", clock(6), receiver=word) for n, word in enumerate([other.code, "nowhere"], 1)]
    taken = send(source, *said)
    assert len(taken.answer["set_aside"]) == 2
    assert len({one["why"] for one in taken.answer["set_aside"]}) == 1


def test_a_link_test_is_noted_and_never_goes_back(source, receiver):
    send(source, Event(1, "link_test", clock(6)), Event(2, "link_test", clock(5)), site=receiver.site)
    send(source, Event(1, "link_test", clock(4)), receiver=receiver, batch="b2")
    receiver.refresh_from_db()
    assert receiver.link_tested_at == clock(6)


def test_signals_reach_the_faults_with_their_place(source, receiver, unit, monkeypatch):
    told = []
    monkeypatch.setattr(intake, "record_signals", lambda signals, source, at: told.extend(signals))
    registration = receiver.registrations.get()
    send(
        source, event(unit, clock(6), "low_battery", note="cell 1"), event(unit, clock(7), row=2),
        Event(3, "power_fault", clock(8)), event(unit, clock(8), "missing", 4), receiver=receiver,
    )  # fmt: skip
    assert [(one.kind, one.registration_id, one.transmitter_id, one.receiver_id) for one in told] == [
        ("low_battery", registration.pk, unit.pk, receiver.pk), ("power_fault", None, None, receiver.pk),
        ("missing", registration.pk, unit.pk, receiver.pk),
    ]  # fmt: skip
    assert (told[0].note, told[0].site_id, told[0].customer_id) == ("cell 1", receiver.site_id, receiver.customer_id)
    assert day_of(unit).heard == 2


def test_a_unit_that_stands_nowhere_is_counted_but_raises_nothing(source, receiver):
    spare = make_transmitter(receiver.customer)
    assert send(source, event(spare, clock(6), "low_battery")).answer["taken"] == 1
    assert (day_of(spare).heard, day_of(spare).expected) == (1, 0)
    assert not Fault.objects.exists()


def test_what_the_receiver_has_no_slot_for_is_set_aside(source, receiver, unit):
    taken = send(
        source, event(unit, clock(6), "unregistered"), event("new-1", clock(6), "unregistered", 2), receiver=receiver
    )
    assert len({one["why"] for one in taken.answer["set_aside"]}) == 1
    assert not CheckInDay.objects.exists()


# --- marks ------------------------------------------------------------------------------------------------------------


def heard_until(receiver):
    receiver.refresh_from_db()
    return receiver.heard_until


def test_the_watermark_is_event_time_or_what_the_sender_says_and_never_goes_back(source, receiver, unit):
    send(source, event(unit, clock(6)), receiver=receiver)
    assert heard_until(receiver) == clock(6)
    send(source, event(unit, clock(5)), receiver=receiver, batch="b2")
    assert heard_until(receiver) == clock(6)
    send(source, receiver=receiver, batch="b3", until=clock(9))
    assert heard_until(receiver) == clock(9)
    assert receiver.fed_by == source
    send(source, receiver=receiver, batch="b4", until=NOW + timedelta(hours=3))
    assert heard_until(receiver) == NOW
    source.refresh_from_db()
    assert source.watermark_at == NOW


def test_a_batch_of_a_site_moves_the_receivers_that_its_source_feeds_there(source, receiver, unit):
    quiet = make_receiver(receiver.site, fed_by=source)
    elsewhere = make_receiver(make_site(receiver.customer), fed_by=source)
    others = make_receiver(receiver.site, fed_by=make_source(receiver.customer))
    send(source, event(unit, clock(6)), site=receiver.site)
    assert [heard_until(row) for row in (receiver, quiet, elsewhere, others)] == [clock(6), clock(6), None, None]


def test_an_alarm_that_a_gateway_hands_over_at_once_does_not_say_that_its_check_ins_came(source, receiver, unit):
    send(source, event(unit, clock(3)), receiver=receiver)
    send(source, event(unit, clock(6), "tamper"), batch="b2", receiver=receiver)
    send(source, event("", clock(7), "power_fault"), batch="b3", receiver=receiver)
    assert heard_until(receiver) == clock(3)
    send(source, event(unit, clock(7), "tamper"), batch="b4", receiver=receiver, until=clock(8))
    assert heard_until(receiver) == clock(8)


def test_of_a_file_the_last_event_counts_whatever_it_is(receiver, unit):
    send(make_source(receiver.customer, kind="file"), event(unit, clock(6), "tamper"), receiver=receiver)
    assert heard_until(receiver) == clock(6)


def test_a_unit_that_nobody_knows_moves_the_watermark_and_a_receiver_that_nobody_knows_does_not(source, receiver, unit):
    send(source, event(unit, clock(3)), event("ZZ-9", clock(6), row=2), site=receiver.site)
    assert heard_until(receiver) == clock(6)
    send(source, event("ZZ-9", clock(7), receiver="R-OF-SOMEBODY"), batch="b2", site=receiver.site)
    assert heard_until(receiver) == clock(6)


def test_a_time_that_was_cut_moves_no_watermark_while_another_one_does(source, receiver, unit):
    send(source, event(unit, clock(3)), event(unit, NOW, row=2), n_clamped=1, receiver=receiver)
    assert heard_until(receiver) == clock(3)
    send(source, event(unit, NOW), batch="b2", n_clamped=1, receiver=receiver)
    assert heard_until(receiver) == NOW


def test_hearing_a_transmitter_of_a_receiver_that_another_gateway_feeds_moves_no_watermark(source, receiver, unit):
    other = make_source(receiver.customer)
    Receiver.objects.update(fed_by=other)
    send(source, event(unit, clock(6)))
    assert heard_until(receiver) is None
    assert day_of(unit).heard == 1
    IntakeSource.objects.filter(pk=other.pk).update(is_active=False)
    send(source, event(unit, clock(7)), batch="b2")
    assert heard_until(receiver) == clock(7)
    assert receiver.fed_by == source


def test_a_gateway_takes_a_receiver_over_from_files_but_no_file_from_a_gateway(source, receiver, unit):
    file = make_source(kind="file")
    send(file, event(unit, clock(6)))
    assert heard_until(receiver) == clock(6)
    assert receiver.fed_by == file
    send(source, event(unit, clock(7)))
    assert heard_until(receiver) == clock(7)
    assert receiver.fed_by == source
    send(file, event(unit, clock(8)), batch="b2")
    assert heard_until(receiver) == clock(7)
    assert receiver.fed_by == source


# --- days -------------------------------------------------------------------------------------------------------------


def test_a_day_that_is_closed_expects_its_whole_length_however_late_it_is_heard(source, receiver, unit):
    before = TODAY - timedelta(days=1)
    Receiver.objects.update(days_closed_until=TODAY)
    send(source, event(unit, clock(2, day=before)), event(unit, clock(3), row=2))
    assert (day_of(unit, before).expected, day_of(unit, before).loss_runs) == (24, 2)
    assert (day_of(unit).expected, day_of(unit).loss_runs) == (3, 1)


def test_events_spread_over_days_of_utc(source, unit):
    send(source, event(unit, clock(23, 59, TODAY - timedelta(days=1))), event(unit, clock(0), row=2))
    assert [row.day for row in CheckInDay.objects.order_by("day")] == [date(2026, 11, 24), date(2026, 11, 25)]


def test_days_that_are_no_longer_kept_are_refused_row_by_row(source, unit):
    from company.actions import ensure_firm

    firm = ensure_firm()
    type(firm).objects.update(checkins_from=TODAY)
    taken = send(source, event(unit, clock(2, day=TODAY - timedelta(days=1))), event(unit, clock(3), row=2))
    assert [(one["row"], one["field"]) for one in taken.answer["refused"]] == [(1, "time")]
    assert CheckInDay.objects.get().day == TODAY


def test_a_file_adds_nothing_to_what_the_gateway_has_counted(source, receiver, unit):
    file = make_source(kind="file")
    acts = [event(unit, clock(6, n), "activation", n) for n in (1, 2, 3)]
    send(source, *acts[:2])
    send(file, *acts)
    send(source, acts[2], batch="b2")
    send(file, event(unit, clock(9), "activation"), batch="b2")
    assert day_of(unit).activations == 4
    assert FittingTotals.objects.get().activations == 4


def test_a_changed_customer_takes_no_event_of_before_along(source, receiver, unit):
    new = make_customer()
    registration = receiver.registrations.get()
    registration.removed_at = clock(5)
    registration.save()
    type(unit).objects.filter(pk=unit.pk).update(customer=new)
    other = make_source(new)
    taken = send(other, event(unit, clock(4)), event(unit, clock(6), row=2))
    assert [one["row"] for one in taken.answer["set_aside"]] == [1]
