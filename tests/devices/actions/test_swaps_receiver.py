"""Receivers exchanged: what goes along, what must be proved again, what is refused, and how it is taken back."""

from __future__ import annotations

from datetime import timedelta

import pytest

from company.undo import ChangedAfter, undo
from devices.actions.plans import carry_out_plan, plan_change
from devices.actions.plans_wish import Wish
from devices.actions.receivers import AlreadyRemoved, save_output
from devices.actions.slot_settings import settings_of
from devices.actions.slots import mark_registered, remove_transmitter
from devices.actions.swaps_receiver import (
    DoesNotFit,
    NewReceiver,
    output_works_again,
    progress_of,
    reasons_against,
    swap_receiver,
)
from devices.models import Away, Fault, Output, PlannedChange, Receiver, Registration
from devices.rules.slot_life import never_stood
from tests.devices.actions.swapping import (
    BACK_AT,
    LATER,
    last_change,
    make_place,
    make_slot,
    pin,
    raise_fault,
    send_away,
)
from tests.factories import (
    NOW,
    TODAY,
    make_output,
    make_receiver,
    make_registration,
    make_user,
    receiver_type,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def office():
    return make_user("office")


@pytest.fixture
def receiver():
    return make_place()


@pytest.fixture
def row(receiver):
    return make_slot(receiver)


def exchange(receiver, office, new=None, **over):
    new = new or NewReceiver(receiver.type, receiver.n_slots, serial="RX-2")
    fields = {"receiver": receiver, "new": new, "by": office, "at": LATER, "reason": "burnt by lightning"}
    return swap_receiver(**(fields | over))


def test_the_new_receiver_keeps_place_label_and_the_code_on_the_lid(receiver, row, office) -> None:
    unit = exchange(receiver, office)
    receiver.refresh_from_db()
    assert (unit.label, unit.area, unit.fed_from, unit.replaces, unit.serial) == (
        receiver.label, "Cellar", "panel 2", receiver, "RX-2",
    )  # fmt: skip
    assert (unit.code, receiver.removed_at) == ("ABCDEFGH23", LATER)
    assert receiver.code != "ABCDEFGH23"


def test_every_slot_goes_along_and_waits_to_be_registered_again(receiver, row, office) -> None:
    nobody = make_registration(receiver, 9)
    Registration.objects.filter(pk=nobody.pk).update(transmitter=None)
    unit = exchange(receiver, office)
    stands = {one.slot: one for one in Registration.objects.open().filter(receiver=unit)}
    assert set(stands) == {4, 9}
    assert stands[4].register_again_since == LATER
    assert [(o.output.receiver, o.output.number, o.behaviour) for o in stands[4].outputs.all()] == [
        (unit, 1, "latching")
    ]
    assert (stands[4].replaces, stands[4].note) == (row, "by the bed")
    assert Registration.objects.get(pk=row.pk).removed_at == LATER


def test_outputs_with_something_on_them_must_be_seen_to_work_again(receiver, row, office) -> None:
    unit = exchange(receiver, office)
    asked = dict(unit.outputs.values_list("number", "test_again_since"))
    assert asked == {1: LATER, 2: None, 3: None, 4: None}
    first = unit.outputs.get(number=1)
    assert (first.drives, first.end_effect_seen_by) == ("call lamp", "")


def test_progress_counts_slots_and_outputs(receiver, row, office) -> None:
    make_registration(receiver, 5)
    unit = exchange(receiver, office)

    def progress():
        found = progress_of(Registration.objects.open().filter(receiver=unit), Output.objects.filter(receiver=unit))
        return found.n_registered, found.n_slots, found.n_seen, found.n_outputs, found.is_done

    assert progress() == (0, 2, 0, 1, False)
    for one in Registration.objects.open().filter(receiver=unit):
        mark_registered(registration=one, by=office, at=BACK_AT)
    assert progress() == (2, 2, 0, 1, False)
    output_works_again(output=unit.outputs.get(number=1), seen_by="nurse", seen_on=TODAY, by=office, at=BACK_AT)
    assert progress() == (2, 2, 1, 1, True)
    assert unit.outputs.get(number=1).end_effect_seen_by == "nurse"


@pytest.mark.parametrize(("days", "waits"), [(0, False), (-3, True)])
def test_an_end_effect_recorded_at_the_output_itself_counts_if_it_is_newer(receiver, row, office, days, waits) -> None:
    output = exchange(receiver, office).outputs.get(number=1)
    output.end_effect_seen_by, output.end_effect_seen_on = "Bo", TODAY + timedelta(days=days)
    save_output(output=output, by=office, at=BACK_AT, reason="seen")
    assert (Output.objects.get(pk=output.pk).test_again_since is not None) is waits


def test_a_smaller_receiver_is_refused_with_the_list(receiver, row, office) -> None:
    make_registration(receiver, 20)
    small = NewReceiver(receiver_type("test-16", n_slots=16), 16)
    with pytest.raises(DoesNotFit) as refused:
        exchange(receiver, office, small)
    assert len(refused.value.reasons) == 1
    assert "Slot 20" in refused.value.reasons[0]
    assert Receiver.objects.count() == 1


def test_a_receiver_that_cannot_do_a_setting_or_lacks_an_output_is_refused_with_the_list(receiver, row, office) -> None:
    receiver.outputs.filter(number=2).update(drives="fire panel")
    plain = NewReceiver(receiver_type("test-plain", windows_s=[3600], behaviours=["follower"], n_outputs=1), 64)
    text = "\n".join(reasons_against(receiver, plain))
    assert "cannot be set to 4 h" in text
    assert "stays on until cleared" in text
    assert "fire panel" in text


def test_a_planned_slot_that_the_new_receiver_lacks_is_told(receiver, row, office) -> None:
    wish = Wish("register", settings_of(row), serial="SK-90001")
    plan_change(receiver=receiver, slot=40, wish=wish, by=office, at=NOW, reason="new resident")
    assert reasons_against(receiver, NewReceiver(receiver_type("test-32", n_slots=32), 32))


def test_absences_pins_and_plans_go_along(receiver, row, office) -> None:
    send_away(row)
    mark, own = pin(receiver, 4), plan_change(
        receiver=receiver, slot=4, wish=Wish("remove"), by=office, at=NOW, reason="moves out"
    )  # fmt: skip
    other = make_registration(make_receiver(receiver.site), 1)
    towards = plan_change(
        receiver=other.receiver, slot=1, wish=Wish("move", settings_of(other), to_receiver=receiver, to_slot=30),
        by=office, at=NOW, reason="new room",
    )  # fmt: skip
    unit = exchange(receiver, office)
    mark.refresh_from_db()
    assert (mark.receiver, Away.objects.open().get().registration.receiver) == (unit, unit)
    carry_out_plan(plan=own, by=office, at=BACK_AT)
    carry_out_plan(plan=PlannedChange.objects.get(pk=towards.pk), by=office, at=BACK_AT)
    assert [(one.receiver, one.slot) for one in Registration.objects.open()] == [(unit, 30)]


def test_what_a_transmitter_raised_goes_on_and_what_the_old_unit_showed_is_over(receiver, row, office) -> None:
    raise_fault(row, is_latched=True)
    raise_fault(row, "receiver_power", transmitter=None, registration=None)
    unit = exchange(receiver, office)
    assert not Fault.objects.standing().filter(receiver=receiver).exists()
    (going_on,) = Fault.objects.standing().filter(receiver=unit)
    assert (going_on.kind, going_on.is_latched, going_on.registration.receiver) == ("low_battery", False, unit)


def test_whoever_looks_after_a_fault_does_so_after_the_receiver_is_swapped(receiver, row, office) -> None:
    when = NOW - timedelta(hours=3)
    raise_fault(
        row, found_by="watch", recorded_at=when, acknowledged_at=when, acknowledged_by=office, acknowledged_note="rang"
    )
    (going_on,) = Fault.objects.standing().filter(receiver=exchange(receiver, office))
    assert (going_on.acknowledged_by, going_on.acknowledged_at, going_on.acknowledged_note) == (office, when, "rang")
    assert (going_on.recorded_at, going_on.found_by) == (when, "watch")


def test_a_receiver_is_swapped_once(receiver, row, office) -> None:
    exchange(receiver, office)
    with pytest.raises(AlreadyRemoved):
        exchange(receiver, office, at=BACK_AT)


def test_a_swap_of_the_receiver_taken_back_leaves_everything_as_before(receiver, row, office) -> None:
    again = make_registration(receiver, 5, register_again_since=NOW)
    fault, mark = raise_fault(row, is_latched=True), pin(receiver, 4)
    unit = exchange(receiver, office)
    undo(change=last_change("swap_receiver"), by=office, at=BACK_AT)
    receiver.refresh_from_db()
    assert (receiver.removed_at, receiver.code) == (None, "ABCDEFGH23")
    unit.refresh_from_db()
    assert never_stood(unit.created_at, unit.removed_at)
    stands = {one.slot: one for one in Registration.objects.open()}
    assert {slot: (one.receiver, one.register_again_since) for slot, one in stands.items()} == {
        4: (receiver, None), 5: (receiver, again.register_again_since),
    }  # fmt: skip
    assert [o.output.receiver for o in stands[4].outputs.all()] == [receiver]
    fault.refresh_from_db()
    mark.refresh_from_db()
    assert (fault.cleared_at, fault.latch_cleared_at, mark.receiver) == (None, None, receiver)
    assert list(Fault.objects.standing()) == [fault]


def test_a_swap_is_not_taken_back_once_a_slot_was_touched(receiver, row, office) -> None:
    unit = exchange(receiver, office)
    new = Registration.objects.open().get(receiver=unit)
    remove_transmitter(registration=new, by=office, at=LATER + timedelta(minutes=1), reason="gone")
    with pytest.raises(ChangedAfter):
        undo(change=last_change("swap_receiver"), by=office, at=BACK_AT)


def test_the_number_of_queries_does_not_grow_with_the_slots(office, django_assert_max_num_queries) -> None:
    counts = []
    for n in (3, 30):
        receiver = make_receiver()
        output = make_output(receiver, 1)
        for slot in range(1, n + 1):
            make_registration(receiver, slot, outputs=[(output, "latching", None)])
        with django_assert_max_num_queries(60) as caught:
            exchange(receiver, office, NewReceiver(receiver.type, receiver.n_slots, serial=f"RX-{n}"))
        counts.append(len(caught.captured_queries))
    assert counts[0] == counts[1]
