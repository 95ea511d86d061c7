"""One change for many slots: previewed, all or nothing, taken back whole."""

from __future__ import annotations

import uuid
from datetime import timedelta

import pytest
import time_machine

from company.models import ChangeRow
from company.undo import CannotUndo, undo
from devices.actions.bulk import SomeSlotsRefused, change_slots, preview
from devices.actions.bulk_turn import with_settings
from devices.actions.bulk_undo import undo_bulk
from devices.actions.ledger import ReasonMissing, StaleSlotMap
from devices.actions.slot_settings import NoLongerThere, NothingChanged
from devices.actions.slots import mark_registered, remove_transmitter
from devices.models import Away, Registration
from devices.rules.bulk import Wish
from devices.rules.slot_life import never_stood
from maintenance.models import Entry
from tests.factories import NOW, TODAY, make_output, make_receiver, make_registration, make_user, make_visit

pytestmark = pytest.mark.django_db
LATER = NOW + timedelta(hours=1)
DAYS_LATER = NOW + timedelta(days=5)


@pytest.fixture
def office():
    return make_user("office")


@pytest.fixture
def receiver():
    row = make_receiver()
    for number in (1, 2):
        make_output(row, number)
    for slot in (1, 2, 3):
        make_registration(row, slot, outputs=[(row.outputs.get(number=1), "latching", None)])
    return row


def rows_of(receiver):
    return with_settings(Registration.objects.open().filter(receiver=receiver))


def change(receiver, office, wish, **over):
    fields = {"registrations": rows_of(receiver), "wish": wish, "by": office, "at": NOW, "reason": "agreed"}
    return change_slots(**(fields | over))


def test_a_preview_says_what_becomes_of_each_slot_and_writes_nothing(receiver) -> None:
    seen = preview(rows_of(receiver), Wish(interval_s=1800))
    assert [(one.before.interval_s, one.after.interval_s, one.again) for one in seen] == [(3600, 1800, True)] * 3
    assert ChangeRow.objects.count() == 0


def test_a_setting_begins_new_registrations_that_point_at_the_old_ones(receiver, office) -> None:
    old = rows_of(receiver)
    change(receiver, office, Wish(window_s=86400))
    new = rows_of(receiver)
    assert [(one.window_s, one.replaces_id, one.register_again_since) for one in new] == [
        (86400, before.pk, None) for before in old
    ]
    assert [one.outputs.get().behaviour for one in new] == ["latching"] * 3


def test_a_setting_on_the_transmitter_asks_for_registering_again(receiver, office) -> None:
    change(receiver, office, Wish(interval_s=1800))
    assert {one.register_again_since for one in rows_of(receiver)} == {NOW}


def test_words_are_corrected_in_place(receiver, office) -> None:
    old = [one.pk for one in rows_of(receiver)]
    change(receiver, office, Wish(pattern="Flat {slot}", area="East wing"))
    assert [(one.pk, one.label, one.area) for one in rows_of(receiver)] == [
        (pk, f"Flat {slot}", "East wing") for slot, pk in enumerate(old, start=1)
    ]


def test_an_output_is_driven_or_not_driven_any_more(receiver, office) -> None:
    change(receiver, office, Wish(output=2, behaviour="momentary", seconds=5))
    assert {tuple((o.output.number, o.behaviour) for o in one.outputs.all()) for one in rows_of(receiver)} == {
        ((1, "latching"), (2, "momentary"))
    }
    change(receiver, office, Wish(output=1), at=LATER)
    assert {tuple(o.output.number for o in one.outputs.all()) for one in rows_of(receiver)} == {(2,)}


def test_one_slot_that_cannot_be_set_keeps_all_as_they_are(receiver, office) -> None:
    Registration.objects.filter(receiver=receiver, slot=2).update(interval_s=7200)
    with pytest.raises(SomeSlotsRefused, match=r"1 of 3.*slot 2"):
        change(receiver, office, Wish(window_s=3600))
    assert {one.window_s for one in rows_of(receiver)} == {14400}
    assert ChangeRow.objects.count() == 0


def test_slots_that_are_set_like_that_already_are_left_alone(receiver, office) -> None:
    Registration.objects.filter(receiver=receiver, slot=2).update(window_s=86400)
    assert len(change(receiver, office, Wish(window_s=86400))) == 2
    with pytest.raises(NothingChanged):
        change(receiver, office, Wish(window_s=86400), at=LATER)


def test_all_rows_of_the_log_are_one_batch(receiver, office) -> None:
    log = change(receiver, office, Wish(duty="convenience"))
    assert len({row.batch for row in log}) == 1
    assert {row.after["duty"] for row in ChangeRow.objects.all()} == {"convenience"}


def test_somebody_elses_change_meanwhile_refuses_all(receiver, office) -> None:
    with pytest.raises(StaleSlotMap):
        change(receiver, office, Wish(window_s=86400), seen_versions={receiver.pk: 0})
    rows = rows_of(receiver)
    remove_transmitter(registration=rows[0], by=office, at=NOW, reason="sold")
    with pytest.raises(NoLongerThere):
        change(receiver, office, Wish(window_s=86400), registrations=rows, at=LATER)


def test_it_asks_why(receiver, office) -> None:
    with pytest.raises(ReasonMissing):
        change(receiver, office, Wish(window_s=86400), reason="")


def test_an_absence_goes_on(receiver, office) -> None:
    row = rows_of(receiver)[0]
    Away.objects.create(
        customer=row.customer, site=row.site, registration=row, from_on=TODAY, agreed_with="matron", reason="holiday"
    )
    change(receiver, office, Wish(window_s=86400))
    assert Away.objects.open().get().registration == rows_of(receiver)[0]


@pytest.mark.parametrize(
    "wish", [Wish(window_s=86400), Wish(pattern="Flat {slot}"), Wish(interval_s=1800, area="East")]
)
def test_one_press_takes_the_whole_change_back(receiver, office, wish) -> None:
    def shown():
        return [
            (one.slot, one.label, one.area, one.window_s, one.interval_s, one.register_again_since, one.removed_at)
            for one in rows_of(receiver)
        ]

    before = shown()
    log = change(receiver, office, wish)
    assert shown() != before
    undo(change=log[0], by=office, at=LATER)
    assert shown() == before
    assert not ChangeRow.objects.filter(verb="bulk_change_slot", undone_by=None).exists()


def test_a_change_taken_back_on_its_day_never_was(receiver, office) -> None:
    old = rows_of(receiver)
    log = change(receiver, office, Wish(interval_s=1800))
    begun = [row.subject_id for row in log]
    undo(change=log[0], by=office, at=LATER)
    assert [row.pk for row in rows_of(receiver)] == [row.pk for row in old]
    assert all(never_stood(row.registered_at, row.removed_at) for row in Registration.objects.filter(pk__in=begun))
    back = ChangeRow.objects.filter(verb="take_back")
    assert {(row.before["interval_s"], row.after["interval_s"], row.after["receiver"]) for row in back} == {
        (1800, 3600, receiver.pk)
    }
    receiver.refresh_from_db()
    assert {row.after["version"] for row in back} == {receiver.version}


def test_a_change_of_an_earlier_day_is_turned_round_and_its_days_keep_what_they_showed(receiver, office) -> None:
    log = change(receiver, office, Wish(interval_s=1800))
    undo(change=log[0], by=office, at=DAYS_LATER)
    assert {(row.interval_s, row.registered_at) for row in rows_of(receiver)} == {(3600, DAYS_LATER)}
    then = Registration.objects.as_of(NOW + timedelta(days=1)).filter(receiver=receiver)
    assert {row.interval_s for row in then} == {1800}


def test_what_was_set_on_the_transmitters_since_must_be_set_back_on_them(receiver, office) -> None:
    log = change(receiver, office, Wish(interval_s=1800))
    for row in rows_of(receiver):
        mark_registered(registration=row, by=office, at=LATER)
    ChangeRow.objects.filter(verb="mark_registered").delete()
    undo(change=log[0], by=office, at=DAYS_LATER)
    assert {row.register_again_since for row in rows_of(receiver)} == {DAYS_LATER}


def test_the_day_is_the_one_of_the_site(receiver, office) -> None:
    """Entered before midnight and taken back after it: yesterday's slot map was shown with it, so it stays told."""
    evening = NOW.replace(hour=23, minute=59)
    log = change(receiver, office, Wish(window_s=86400), at=evening)
    undo(change=log[0], by=office, at=evening + timedelta(minutes=2))
    assert {row.window_s for row in Registration.objects.as_of(evening).filter(receiver=receiver)} == {86400}


def test_an_absence_under_a_change_taken_back_goes_on_as_it_was(receiver, office) -> None:
    row = rows_of(receiver)[0]
    away = Away.objects.create(
        customer=row.customer, site=row.site, registration=row, from_on=TODAY, agreed_with="matron", reason="holiday"
    )
    undo(change=change(receiver, office, Wish(window_s=86400))[0], by=office, at=LATER)
    assert Away.objects.open().get() == away


def test_work_on_one_slot_since_keeps_a_change_of_today(receiver, office) -> None:
    log = change(receiver, office, Wish(window_s=86400))
    row = rows_of(receiver)[1]
    Entry.objects.create(
        key=uuid.uuid4(), customer=row.customer, visit=make_visit(row.site, state="open"), receiver=receiver,
        registration=row, kind="note", made_at=NOW, by=office, facts={}, sha256="0" * 64,
    )  # fmt: skip
    with pytest.raises(CannotUndo, match="Work was recorded on slot 2"):
        undo(change=log[0], by=office, at=LATER)
    assert {one.window_s for one in rows_of(receiver)} == {86400}


def test_words_taken_back_are_told_as_they_stood_between(receiver, office) -> None:
    undo(change=change(receiver, office, Wish(pattern="Flat {slot}"))[0], by=office, at=DAYS_LATER)
    with time_machine.travel(DAYS_LATER + timedelta(days=1), tick=False):
        rows = Registration.objects.filter(receiver=receiver).slot_rows(NOW + timedelta(days=1), receiver.site.zone)
    assert [row.label for row in rows] == ["Flat 1", "Flat 2", "Flat 3"]
    assert [row.label for row in rows_of(receiver)] == ["Room 1", "Room 2", "Room 3"]


def test_a_slot_changed_since_keeps_the_whole_change(receiver, office) -> None:
    log = change(receiver, office, Wish(window_s=86400))
    Registration.objects.filter(receiver=receiver, slot=3, removed_at=None).update(window_s=3600)
    with pytest.raises(NoLongerThere, match="slot 3"):
        undo(change=log[0], by=office, at=LATER)
    assert [one.window_s for one in rows_of(receiver)] == [86400, 86400, 3600]


def test_the_number_of_queries_does_not_grow_with_the_slots(office, django_assert_max_num_queries) -> None:
    counts, undone = [], []
    for n in (3, 30):
        receiver = make_receiver()
        output = make_output(receiver, 1)
        for slot in range(1, n + 1):
            make_registration(receiver, slot, outputs=[(output, "latching", None)])
        with django_assert_max_num_queries(60) as caught:
            log = change(receiver, office, Wish(interval_s=1800))
        counts.append(len(caught.captured_queries))
        with django_assert_max_num_queries(60) as caught:
            undo_bulk(log[0], by=office, at=LATER)
        undone.append(len(caught.captured_queries))
    assert counts[0] == counts[1]
    assert undone[0] == undone[1]
