"""Events set aside, counted after all: batch by batch, as if what they name had been known when they came."""

from datetime import timedelta

import pytest

from devices.actions.adoption import NothingToAdopt, adopt, place_again
from devices.actions.slot_settings import OtherCustomer
from devices.models import CheckInDay, IntakeSource, SetAside
from devices.rules.day_acts import read_acts
from devices.rules.events import Event
from tests.devices.intake.test_take_batch import clock, day_of, event, make_source, send
from tests.factories import NOW, make_customer, make_receiver, make_registration, make_transmitter

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

PRESSED = [(6, 5), (6, 6), (7, 31), (9, 2)]


def log_of(serial, pressed=PRESSED):
    """What a file says: activations at these times."""
    return [event(serial, clock(*at), "activation", row) for row, at in enumerate(pressed, start=1)]


def send_overlapping(serial, customer, *, kinds=("file", "file")):
    """Two exports of overlapping hours, the second without the first press and with one more."""
    known = {}
    for n, kind in enumerate(kinds):
        source = known.setdefault(kind, None) or make_source(customer, kind=kind)
        known[kind] = source
        pressed = PRESSED if n == 0 else [*PRESSED[1:], (10, 40)]
        send(source, *log_of(serial, pressed), batch=f"b{n}", at=NOW + timedelta(minutes=n))


def counts_of(day):
    """What each source counted by quarter hour, the first one first."""
    said = read_acts(bytes(day.acted), day.acts_source)
    return [said.pop(day.acts_source), *sorted(said.values(), key=str)]


@pytest.mark.parametrize(
    "kinds", [("file", "file"), ("api", "file"), ("file", "api"), ("api", "api"), ("file", "api", "file")]
)
def test_overlapping_batches_count_for_an_unknown_unit_as_for_a_known_one(receiver, office, kinds):
    known = make_registration(receiver, 1, transmitter=make_transmitter(receiver.customer, serial="SK-1")).transmitter
    send_overlapping(known.serial, receiver.customer, kinds=kinds)
    send_overlapping("ZZ-1", receiver.customer, kinds=kinds)
    unit = adopt(serial="ZZ-1", customer=receiver.customer, by=office, at=NOW).transmitter
    mine, its = day_of(unit), day_of(known)
    assert mine.activations == its.activations
    assert bytes(mine.presence) == bytes(its.presence)
    assert counts_of(mine) == counts_of(its)
    assert mine.last_heard_s == its.last_heard_s


def test_two_files_that_say_the_same_count_it_once(receiver, office):
    source = make_source(receiver.customer, kind="file")
    send(source, *log_of("ZZ-1"))
    send(source, *log_of("ZZ-1"), batch="b2")
    done = adopt(serial="ZZ-1", customer=receiver.customer, by=office, at=NOW)
    assert (done.n_events, day_of(done.transmitter).activations) == (8, 4)


def test_the_batch_that_came_first_is_the_first_whatever_its_source_is_called(receiver, office):
    late, early = make_source(receiver.customer), make_source(receiver.customer)
    send(early, *log_of("ZZ-1"))
    send(late, *log_of("ZZ-1"), batch="b2")
    done = adopt(serial="ZZ-1", customer=receiver.customer, by=office, at=NOW)
    day = day_of(done.transmitter)
    assert (day.acts_source, day.activations) == (early.pk, 4)


def test_presses_within_one_quarter_hour_at_two_receivers_in_one_file_all_count(receiver, office):
    other = make_receiver(receiver.site)
    known = make_transmitter(receiver.customer, serial="SK-1")
    source = make_source(receiver.customer, kind="file")
    for serial, batch in ((known.serial, "b1"), ("ZZ-1", "b2")):
        send(
            source, event(serial, clock(6, 1), "activation", receiver=receiver.code),
            event(serial, clock(6, 2), "activation", 2, receiver=other.code), batch=batch,
        )  # fmt: skip
    unit = adopt(serial="ZZ-1", customer=receiver.customer, by=office, at=NOW).transmitter
    assert day_of(unit).activations == day_of(known).activations == 2


def test_a_slot_that_the_receiver_does_not_have_says_so(receiver):
    source = make_source(receiver.customer)
    answer = send(source, Event(1, "check_in", clock(6), slot=receiver.n_slots + 1), receiver=receiver).answer
    assert answer["set_aside"][0]["why"].startswith(f"The receiver has only {receiver.n_slots} slots.")
    assert answer["set_aside"][0]["why"].endswith("Look from which number on the sender counts its slots.")


# --- receivers that nobody knew by their name -------------------------------------------------------------------------


@pytest.fixture
def by_account(receiver):
    """Rows of an account that nobody knows: a slot that is taken, and one that is spare."""
    unit = make_registration(receiver, 4).transmitter
    source = make_source(kind="file")
    send(
        source, Event(1, "check_in", clock(6), receiver="9999", slot=4),
        Event(2, "activation", clock(7), receiver="9999", slot=5),
    )  # fmt: skip
    return unit


def test_rows_of_an_unknown_receiver_wait_under_its_name(by_account):
    make = make_source(kind="file")
    send(make, Event(1, "check_in", clock(6), receiver="8888", slot=4))
    assert sorted(SetAside.objects.values_list("unit", flat=True)) == [" name 8888", " name 9999", " name 9999"]


def test_a_person_says_which_receiver_is_meant_and_its_taken_slots_count(by_account, receiver, office):
    done = place_again(rows=SetAside.objects.all(), receiver=receiver, by=office, at=NOW)
    assert (done.n_events, done.n_left) == (1, 1)
    assert day_of(by_account).heard == 1
    left = SetAside.objects.open().get()
    assert (left.receiver, left.slot, left.unit) == (receiver, 5, f" slot {receiver.pk} 5")
    assert "spare" in left.why


def test_a_receiver_that_has_the_name_by_now_needs_no_person(by_account, receiver, office):
    with pytest.raises(NothingToAdopt, match="Put the ledger right"):
        place_again(rows=SetAside.objects.all(), by=office, at=NOW)
    receiver.serial = "9999"
    receiver.save()
    assert place_again(rows=SetAside.objects.all(), by=office, at=NOW).n_events == 1


def test_a_receiver_of_somebody_else_is_not_meant(receiver, office):
    send(make_source(make_customer(), kind="file"), Event(1, "check_in", clock(6), receiver="9999", slot=4))
    with pytest.raises(OtherCustomer):
        place_again(rows=SetAside.objects.all(), receiver=receiver, by=office, at=NOW)
    assert not CheckInDay.objects.exists()


def test_the_second_of_two_people_hears_that_it_is_done(by_account, receiver, office):
    place_again(rows=SetAside.objects.filter(slot=4), receiver=receiver, by=office, at=NOW)
    with pytest.raises(NothingToAdopt, match="counted or dismissed meanwhile"):
        place_again(rows=SetAside.objects.filter(slot=4), receiver=receiver, by=office, at=NOW)


def test_thousands_of_batches_take_no_more_queries_than_two(receiver, office, django_assert_max_num_queries):
    source = make_source(receiver.customer, kind="file")
    for n in range(40):
        send(source, event("ZZ-1", clock(1) + timedelta(minutes=30 * n)), batch=f"b{n}")
    with django_assert_max_num_queries(30):
        done = adopt(serial="ZZ-1", customer=receiver.customer, by=office, at=NOW)
    assert done.n_events == 40
    assert IntakeSource.objects.count() == 1
