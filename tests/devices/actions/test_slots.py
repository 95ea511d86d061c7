"""Writes to the ledger of slots: what they keep, what they refuse, and that a double click does a thing once."""

from dataclasses import replace as other
from datetime import timedelta

import pytest

from company.models import ChangeRow
from devices.actions.ledger import OutOfOrder, ReasonMissing, StaleSlotMap, touch
from devices.actions.slot_settings import (
    NoLongerThere,
    NothingChanged,
    NotSettable,
    OtherCustomer,
    OutputChoice,
    Settings,
    SlotTaken,
    problems_with,
    settings_of,
)
from devices.actions.slots import (
    ask_to_register_again,
    change_slot,
    mark_registered,
    put_back,
    register_transmitter,
    remove_transmitter,
)
from devices.models import Registration, Transmitter
from devices.signals import slot_map_changed
from tests.factories import NOW, make_output, make_receiver, make_transmitter, make_user, transmitter_type

pytestmark = pytest.mark.django_db
SETTINGS = Settings(label="Room 3", duty="life_safety", supervision="on", window_s=14400, interval_s=3600, contact="no")


@pytest.fixture
def office():
    return make_user("office")


@pytest.fixture
def receiver():
    return make_receiver()


def register(receiver, office, **over):
    fields = {
        "receiver": receiver, "slot": 3, "transmitter": make_transmitter(receiver.customer), "settings": SETTINGS,
        "by": office, "at": NOW, "reason": "new resident",
    }  # fmt: skip
    return register_transmitter(**(fields | over))


def test_a_registered_transmitter_stands_in_its_slot_with_its_outputs(receiver, office):
    output = make_output(receiver, 2)
    settings = other(SETTINGS, outputs=(OutputChoice(output, "momentary", 5),))
    row = register(receiver, office, settings=settings)
    assert Registration.objects.open().get(receiver=receiver, slot=3) == row
    assert settings_of(row) == settings
    assert (row.customer, row.site) == (receiver.customer, receiver.site)


def test_a_change_bumps_the_version_logs_itself_and_tells_who_listens(
    receiver, office, django_capture_on_commit_callbacks
):
    heard = []
    listener = lambda **told: heard.append(told)  # noqa: E731
    slot_map_changed.connect(listener)
    try:
        with django_capture_on_commit_callbacks(execute=True):
            row = register(receiver, office)
            assert heard == []
    finally:
        slot_map_changed.disconnect(listener)
    receiver.refresh_from_db()
    assert receiver.version == 2
    assert [(told["receiver_ids"], told["site_ids"]) for told in heard] == [([receiver.pk], [receiver.site_id])]
    change = ChangeRow.objects.get()
    assert (change.verb, change.by, change.reason, change.at) == ("register_transmitter", office, "new resident", NOW)
    assert change.subject_id == row.pk
    assert change.after["slot"] == 3
    assert change.after["version"] == 2


def test_a_new_transmitter_is_saved_with_its_registration(receiver, office):
    new = Transmitter(serial="SK-99999", type=transmitter_type())
    row = register(receiver, office, transmitter=new)
    assert row.transmitter.customer == receiver.customer
    assert Transmitter.objects.get(serial="SK-99999") == row.transmitter


def test_a_slot_can_be_taken_by_nobody_knows_what(receiver, office):
    row = register(receiver, office, transmitter=None)
    assert row.transmitter is None
    with pytest.raises(SlotTaken, match="something nobody knows"):
        register(receiver, office)


@pytest.mark.parametrize(
    ("over", "refusal", "words"),
    [
        ({"reason": "  "}, ReasonMissing, "why"),
        ({"slot": 65}, NotSettable, "no slot 65"),
        ({"slot": 0}, NotSettable, "no slot 0"),
        ({"settings": other(SETTINGS, window_s=7200)}, NotSettable, "cannot be set to 2 h"),
        ({"settings": other(SETTINGS, window_s=3600, interval_s=7200)}, NotSettable, "missing although it works"),
        ({"settings": other(SETTINGS, window_s=None)}, NotSettable, "after how long"),
        ({"settings": other(SETTINGS, input_number=9)}, NotSettable, "no input 9"),
    ],
)
def test_what_is_not_allowed_is_refused_and_nothing_is_written(receiver, office, over, refusal, words):
    with pytest.raises(refusal, match=words):
        register(receiver, office, **over)
    assert not Registration.objects.exists()
    assert not ChangeRow.objects.exists()
    receiver.refresh_from_db()
    assert receiver.version == 1


def test_a_new_transmitter_of_a_refused_registration_is_not_kept(receiver, office):
    with pytest.raises(NotSettable):
        register(receiver, office, slot=65, transmitter=Transmitter(serial="SK-99999", type=transmitter_type()))
    assert not Transmitter.objects.filter(serial="SK-99999").exists()


def test_a_taken_slot_is_refused_and_says_by_whom(receiver, office):
    row = register(receiver, office)
    with pytest.raises(SlotTaken, match=f"{row.transmitter.serial}, Room 3"):
        register(receiver, office)


def test_a_transmitter_of_another_customer_is_refused(receiver, office):
    with pytest.raises(OtherCustomer):
        register(receiver, office, transmitter=make_transmitter())


def test_an_output_of_another_receiver_is_refused(receiver, office):
    foreign = make_output(make_receiver(receiver.site), 1)
    with pytest.raises(NotSettable, match="another receiver"):
        register(receiver, office, settings=other(SETTINGS, outputs=(OutputChoice(foreign, "latching"),)))


def test_the_same_transmitter_stands_in_two_slots_only_when_declared(receiver, office):
    first = register(receiver, office)
    with pytest.raises(NotSettable, match="already registered at"):
        register(receiver, office, slot=4, transmitter=first.transmitter)
    second = register(receiver, office, slot=4, transmitter=first.transmitter, settings=other(SETTINGS, is_shared=True))
    assert second.is_shared
    third = register(receiver, office, slot=5, transmitter=first.transmitter, settings=other(SETTINGS, input_number=2))
    assert third.input_number == 2


def test_a_window_under_two_check_ins_only_warns(receiver, office):
    settings = other(SETTINGS, window_s=3600, interval_s=3600)
    (problem,) = problems_with(settings, receiver=receiver, slot=3, transmitter=None)
    assert problem.is_warning
    assert register(receiver, office, settings=settings).window_s == 3600


def test_a_registration_cannot_begin_before_the_last_one_ended(receiver, office):
    row = register(receiver, office)
    remove_transmitter(registration=row, by=office, at=NOW + timedelta(hours=2), reason="moved out")
    with pytest.raises(OutOfOrder, match="25 November 2026, 12:00"):
        register(receiver, office, at=NOW + timedelta(hours=1))


def test_a_removed_transmitter_frees_its_slot_and_stays_in_its_history(receiver, office):
    row = register(receiver, office)
    remove_transmitter(registration=row, by=office, at=NOW + timedelta(hours=1), reason="moved out")
    assert not Registration.objects.open().exists()
    row.refresh_from_db()
    assert row.removed_why == "moved out"
    assert Registration.objects.as_of(NOW).get() == row
    new = register(receiver, office, at=NOW + timedelta(hours=1))
    assert list(Registration.objects.in_slot(receiver, 3)) == [new, row]


def test_a_transmitter_removed_twice_is_refused(receiver, office):
    row = register(receiver, office)
    at = NOW + timedelta(hours=1)
    remove_transmitter(registration=row, by=office, at=at, reason="moved out")
    with pytest.raises(NoLongerThere, match="25 November 2026, 11:00"):
        remove_transmitter(registration=row, by=office, at=at + timedelta(hours=1), reason="moved out")


def test_nothing_ends_before_it_began(receiver, office):
    row = register(receiver, office)
    with pytest.raises(OutOfOrder):
        remove_transmitter(registration=row, by=office, at=NOW, reason="moved out")


def test_a_removed_transmitter_can_be_put_back_with_its_settings(receiver, office):
    output = make_output(receiver)
    row = register(receiver, office, settings=other(SETTINGS, outputs=(OutputChoice(output, "latching"),)))
    remove_transmitter(registration=row, by=office, at=NOW + timedelta(hours=1), reason="moved out")
    back = put_back(registration=row, by=office, at=NOW + timedelta(hours=2), reason="wrong slot")
    assert back.pk != row.pk
    assert back.replaces == row
    assert settings_of(back) == settings_of(row)
    assert not Registration.objects.as_of(NOW + timedelta(minutes=90)).exists()


def test_it_cannot_be_put_back_into_a_slot_that_is_taken_by_now(receiver, office):
    row = register(receiver, office)
    remove_transmitter(registration=row, by=office, at=NOW + timedelta(hours=1), reason="moved out")
    register(receiver, office, at=NOW + timedelta(hours=2))
    with pytest.raises(SlotTaken):
        put_back(registration=row, by=office, at=NOW + timedelta(hours=3), reason="wrong slot")


def change(row, office, settings, **over):
    return change_slot(
        **(
            {"registration": row, "settings": settings, "by": office, "at": NOW + timedelta(days=1), "reason": "x"}
            | over
        )
    )


def test_a_changed_setting_begins_a_new_registration_and_keeps_the_old(receiver, office):
    row = register(receiver, office)
    new = change(row, office, other(SETTINGS, window_s=86400))
    row.refresh_from_db()
    assert (row.removed_at, row.window_s) == (NOW + timedelta(days=1), 14400)
    assert (new.replaces, new.window_s, new.removed_at) == (row, 86400, None)
    assert new.register_again_since is None


def test_a_corrected_label_is_no_new_registration(receiver, office):
    row = register(receiver, office)
    new = change(row, office, other(SETTINGS, label="Room 33", area="East wing"))
    assert new.pk == row.pk
    assert Registration.objects.get().label == "Room 33"
    log = ChangeRow.objects.latest("pk")
    assert (log.before["label"], log.after["label"]) == ("Room 3", "Room 33")


@pytest.mark.parametrize("over", [{"contact": "nc"}, {"interval_s": 1800}])
def test_a_setting_made_on_the_transmitter_asks_for_registering_again(receiver, office, over):
    row = register(receiver, office)
    new = change(row, office, other(SETTINGS, **over))
    assert new.register_again_since == NOW + timedelta(days=1)
    done = mark_registered(registration=new, by=office, at=NOW + timedelta(days=2))
    assert done.register_again_since is None
    with pytest.raises(NothingChanged):
        mark_registered(registration=new, by=office, at=NOW + timedelta(days=3))


def test_a_slot_at_register_again_stays_so_through_a_further_change(receiver, office):
    row = ask_to_register_again(
        registration=register(receiver, office), by=office, at=NOW + timedelta(hours=1), reason="jumper moved"
    )
    new = change(row, office, other(SETTINGS, window_s=86400))
    assert new.register_again_since == NOW + timedelta(hours=1)


def test_a_change_that_changes_nothing_is_refused(receiver, office):
    row = register(receiver, office)
    with pytest.raises(NothingChanged):
        change(row, office, SETTINGS)
    assert ChangeRow.objects.count() == 1


def test_a_change_to_something_illegal_leaves_the_old_registration_open(receiver, office):
    row = register(receiver, office)
    with pytest.raises(NotSettable):
        change(row, office, other(SETTINGS, window_s=7200))
    row.refresh_from_db()
    assert row.removed_at is None


def test_a_slot_where_nothing_answered_can_be_named(receiver, office):
    row = register(receiver, office, transmitter=None)
    found = make_transmitter(receiver.customer)
    new = change(row, office, SETTINGS, transmitter=found)
    assert new.transmitter == found
    row.refresh_from_db()
    assert row.transmitter is None


def test_a_double_click_registers_once(receiver, office):
    seen = receiver.version
    register(receiver, office, seen_version=seen)
    with pytest.raises(StaleSlotMap) as refused:
        register(receiver, office, seen_version=seen)
    assert refused.value.version == seen + 1
    assert [change.verb for change in refused.value.changes] == ["register_transmitter"]
    assert refused.value.changes[0].by == office
    assert Registration.objects.count() == 1


def test_what_somebody_did_at_another_slot_is_no_reason_to_refuse(receiver, office):
    seen = receiver.version
    register(receiver, office, slot=4, seen_version=seen)
    register(receiver, office, slot=5, seen_version=seen)
    assert Registration.objects.open().count() == 2


def test_a_change_that_the_log_does_not_tell_of_makes_a_form_old(receiver, office):
    seen = receiver.version
    register(receiver, office, slot=4, seen_version=seen)
    receiver.refresh_from_db()
    touch(receiver)
    with pytest.raises(StaleSlotMap):
        register(receiver, office, slot=5, seen_version=seen)


def test_a_form_that_saw_another_receiver_s_version_is_refused(receiver, office):
    with pytest.raises(StaleSlotMap):
        register(receiver, office, slot=5, seen_version=receiver.version + 3)


def test_a_double_click_changes_once(receiver, office):
    row = register(receiver, office)
    new = change(row, office, other(SETTINGS, window_s=86400), seen_version=2)
    with pytest.raises(StaleSlotMap):
        change(new, office, other(SETTINGS, window_s=3600, interval_s=900), seen_version=2)
    assert Registration.objects.open().get().window_s == 86400
