"""Planned changes: decided in the office, done at the slot, dropped, and each taken back."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from company.models import ChangeRow
from company.templatetags.changes import deed_lines
from company.undo import ChangedAfter, undo
from devices.actions.ledger import ReasonMissing, StaleSlotMap
from devices.actions.plans import (
    PlanChangedSince,
    PlanOver,
    PlanStands,
    SlotChangedSince,
    adapt_plan,
    carry_out_plan,
    drop_plan,
    plan_change,
    problems_of,
)
from devices.actions.plans_wish import NotPlannable, Wish
from devices.actions.receivers import remove_receiver
from devices.actions.slot_settings import NothingChanged, NotSettable, OtherCustomer, SlotTaken, settings_of
from devices.actions.slots import change_slot, remove_transmitter
from devices.models import PlannedChange, Registration, Transmitter
from tests.factories import NOW, make_output, make_receiver, make_registration, make_transmitter, make_user

pytestmark = pytest.mark.django_db
LATER, EVEN_LATER = NOW + timedelta(hours=3), NOW + timedelta(hours=4)


@pytest.fixture
def office():
    return make_user("office")


@pytest.fixture
def technician():
    return make_user("technician")


@pytest.fixture
def row():
    receiver = make_receiver()
    return make_registration(receiver, 4, outputs=[(make_output(receiver, 1), "latching", None)])


def planned(row, office, wish=None, **over):
    wish = wish or Wish("change", replace(settings_of(row), window_s=3600))
    fields = {
        "receiver": row.receiver,
        "slot": row.slot,
        "wish": wish,
        "by": office,
        "at": NOW,
        "reason": "agreed by phone",
    }
    return plan_change(**(fields | over))


def last_change(verb):
    return ChangeRow.objects.filter(verb=verb).latest("pk")


def test_a_plan_leaves_the_slot_as_it_is(row, office) -> None:
    plan = planned(row, office)
    assert Registration.objects.get(pk=row.pk).window_s == 14400
    assert (plan.registration, plan.wanted["settings"]["window_s"]) == (row, 3600)
    assert last_change("plan_change").by == office


def test_a_second_plan_for_the_same_slot_is_refused(row, office) -> None:
    planned(row, office)
    with pytest.raises(PlanStands, match="slot 4"):
        planned(row, office)
    assert PlannedChange.objects.count() == 1


def test_a_plan_asks_why(row, office) -> None:
    with pytest.raises(ReasonMissing):
        planned(row, office, reason=" ")


def test_a_plan_made_on_an_old_map_is_refused(row, office) -> None:
    with pytest.raises(StaleSlotMap):
        planned(row, office, seen_version=0)


def test_a_window_that_the_receiver_does_not_know_cannot_even_be_planned(row, office) -> None:
    with pytest.raises(NotSettable, match="cannot be set to"):
        planned(row, office, Wish("change", replace(settings_of(row), window_s=7200)))


def test_a_short_window_is_planned_with_a_warning(row) -> None:
    wish = Wish("change", replace(settings_of(row), window_s=3600))
    found = problems_of(wish, receiver=row.receiver, slot=4, stands=row)
    assert [one.is_warning for one in found] == [True]


def test_nothing_but_registering_can_be_planned_for_a_spare_slot(row, office) -> None:
    with pytest.raises(NotPlannable, match="spare"):
        planned(row, office, Wish("remove"), slot=5)


def test_registering_cannot_be_planned_where_something_stands(row, office) -> None:
    with pytest.raises(SlotTaken, match="Room 4"):
        planned(row, office, Wish("register", settings_of(row), serial="SK-99999"))


def test_a_plan_that_changes_nothing_is_refused(row, office) -> None:
    with pytest.raises(NothingChanged):
        planned(row, office, Wish("change", settings_of(row)))


def test_carrying_out_changes_the_slot_as_planned_by_the_technicians_hand(row, office, technician) -> None:
    plan, new = carry_out_plan(plan=planned(row, office), by=technician, at=LATER, visit_id=77)
    assert (new.window_s, new.replaces, new.registered_at) == (3600, row, LATER)
    assert (plan.done_at, plan.done_by, plan.visit_id) == (LATER, technician, 77)
    assert last_change("change_slot").by == technician


def test_pressing_done_twice_does_it_once(row, office, technician) -> None:
    plan = planned(row, office)
    carry_out_plan(plan=plan, by=technician, at=LATER)
    with pytest.raises(PlanOver, match=technician.name):
        carry_out_plan(plan=plan, by=technician, at=EVEN_LATER)
    assert row.receiver.registrations.count() == 2


@pytest.mark.parametrize("what", ["setting", "word", "gone"])
def test_a_slot_that_changed_since_is_not_overwritten(row, office, technician, what) -> None:
    plan = planned(row, office)
    if what == "gone":
        remove_transmitter(registration=row, by=office, at=LATER, reason="sold")
    else:
        over = {"is_portable": True} if what == "setting" else {"label": "Bathroom 4"}
        change_slot(registration=row, settings=replace(settings_of(row), **over), by=office, at=LATER, reason="call")
    with pytest.raises(SlotChangedSince, match="adapt"):
        carry_out_plan(plan=plan, by=technician, at=EVEN_LATER)
    assert PlannedChange.objects.get(pk=plan.pk).done_at is None


def test_an_adapted_plan_starts_from_what_stands_now(row, office, technician) -> None:
    plan = planned(row, office)
    now = change_slot(
        registration=row, settings=replace(settings_of(row), is_portable=True), by=office, at=LATER, reason="call"
    )
    wish = Wish("change", replace(settings_of(now), window_s=86400))
    adapt_plan(plan=plan, wish=wish, by=technician, at=LATER, reason="as found")
    _, new = carry_out_plan(plan=plan, by=technician, at=EVEN_LATER)
    assert (new.window_s, new.is_portable) == (86400, True)


def test_a_planned_registration_brings_a_new_transmitter_in(row, office, technician) -> None:
    wish = Wish("register", replace(settings_of(row), label="Room 9"), serial="SK-70001")
    plan = planned(row, office, wish, slot=9)
    assert not Transmitter.objects.filter(serial="SK-70001").exists()
    _, new = carry_out_plan(plan=plan, by=technician, at=LATER)
    assert (new.slot, new.transmitter.serial, new.label) == (9, "SK-70001", "Room 9")


def test_a_plan_that_leaves_the_unit_open_asks_for_its_serial(row, office, technician) -> None:
    plan = planned(row, office, Wish("register", settings_of(row)), slot=9)
    with pytest.raises(NotPlannable, match="serial"):
        carry_out_plan(plan=plan, by=technician, at=LATER)
    adapt_plan(
        plan=plan, wish=Wish("register", settings_of(row), serial="SK-70009"), by=technician, at=LATER, reason="found"
    )
    assert carry_out_plan(plan=plan, by=technician, at=LATER)[1].transmitter.serial == "SK-70009"


def test_nothing_is_done_at_a_receiver_that_was_taken_down(row, office, technician) -> None:
    plan = planned(row, office, Wish("register", settings_of(row), serial="SK-70010"), slot=9)
    remove_transmitter(registration=row, by=office, at=LATER, reason="sold")
    remove_receiver(receiver=row.receiver, by=office, at=LATER, reason="sold")
    with pytest.raises(NotPlannable, match="taken down"):
        carry_out_plan(plan=plan, by=technician, at=EVEN_LATER)


def test_a_planned_move_goes_to_the_other_slot(row, office, technician) -> None:
    other = make_receiver(row.site)
    make_output(other, 1)
    wish = Wish("move", replace(settings_of(row), outputs=()), to_receiver=other, to_slot=2)
    _, new = carry_out_plan(plan=planned(row, office, wish), by=technician, at=LATER)
    assert (new.receiver, new.slot, new.transmitter) == (other, 2, row.transmitter)


def test_a_move_to_a_taken_slot_cannot_be_planned(row, office) -> None:
    make_registration(row.receiver, 5)
    with pytest.raises(NotSettable, match="taken"):
        planned(row, office, Wish("move", settings_of(row), to_receiver=row.receiver, to_slot=5))


def test_a_planned_removal_frees_the_slot(row, office, technician) -> None:
    carry_out_plan(plan=planned(row, office, Wish("remove")), by=technician, at=LATER)
    assert not Registration.objects.open().filter(receiver=row.receiver).exists()


def test_a_dropped_plan_stays_on_record_with_why_and_leaves_room_for_another(row, office) -> None:
    plan = drop_plan(plan=planned(row, office), by=office, at=LATER, reason="resident moved out")
    assert (plan.dropped_at, plan.dropped_why) == (LATER, "resident moved out")
    assert planned(row, office).pk != plan.pk


def test_a_transmitter_of_another_customer_cannot_be_planned_for(row, office) -> None:
    foreign = make_transmitter()
    plan = planned(row, office, Wish("register", settings_of(row), serial=foreign.serial), slot=9)
    with pytest.raises(OtherCustomer, match="another customer"):
        carry_out_plan(plan=plan, by=office, at=LATER)


# ------------------------------------------------------------------------------------------------ taken back


def test_planning_taken_back_drops_the_plan(row, office) -> None:
    plan = planned(row, office)
    undo(change=last_change("plan_change"), by=office, at=LATER)
    assert PlannedChange.objects.get(pk=plan.pk).dropped_at == LATER


def adapted(row, office, plan, **over):
    wish = Wish("change", replace(settings_of(row), window_s=86400, label="Room 4, bath"))
    return adapt_plan(**({"plan": plan, "wish": wish, "by": office, "at": LATER, "reason": "after all"} | over))


def test_adapting_taken_back_plans_what_was_planned_before(row, office, technician) -> None:
    plan = planned(row, office)
    adapted(row, office, plan)
    back = undo(change=last_change("adapt_plan"), by=office, at=EVEN_LATER)
    plan.refresh_from_db()
    assert (plan.wanted["settings"]["window_s"], plan.reason) == (3600, "agreed by phone")
    row.receiver.refresh_from_db()
    assert (back.after["version"], back.after["receiver"]) == (row.receiver.version, row.receiver_id)
    _, new = carry_out_plan(plan=plan, by=technician, at=EVEN_LATER)
    assert (new.window_s, new.label) == (3600, "Room 4")


def test_another_kind_of_plan_is_put_back_with_its_kind(row, office) -> None:
    plan = planned(row, office, Wish("remove"))
    adapted(row, office, plan)
    undo(change=last_change("adapt_plan"), by=office, at=EVEN_LATER)
    plan.refresh_from_db()
    assert (plan.kind, plan.wanted["settings"]) == ("remove", None)


def test_adaptions_are_taken_back_last_first(row, office) -> None:
    plan = planned(row, office)
    adapted(row, office, plan)
    first = last_change("adapt_plan")
    adapted(row, office, plan, wish=Wish("remove"), reason="sold")
    with pytest.raises(ChangedAfter, match="planned change adapted"):
        undo(change=first, by=office, at=EVEN_LATER)
    undo(change=last_change("adapt_plan"), by=office, at=EVEN_LATER)
    plan.refresh_from_db()
    assert (plan.kind, plan.reason) == ("change", "after all")
    undo(change=first, by=office, at=EVEN_LATER)
    plan.refresh_from_db()
    assert (plan.wanted["settings"]["window_s"], plan.reason) == (3600, "agreed by phone")


def test_a_reason_that_an_older_log_did_not_keep_is_taken_from_the_plan_s_own_row(row, office) -> None:
    plan = planned(row, office)
    adapted(row, office, plan)
    change = last_change("adapt_plan")
    change.before = {name: value for name, value in change.before.items() if name not in ("reason", "registration")}
    change.save()
    undo(change=change, by=office, at=EVEN_LATER)
    plan.refresh_from_db()
    assert plan.reason == "agreed by phone"


def test_a_plan_over_or_changed_since_is_not_put_back(row, office, technician) -> None:
    plan = planned(row, office)
    adapted(row, office, plan)
    change = last_change("adapt_plan")
    PlannedChange.objects.update(kind="remove")
    with pytest.raises(PlanChangedSince):
        undo(change=change, by=office, at=EVEN_LATER)
    PlannedChange.objects.update(kind="change", done_at=LATER, done_by=technician)
    with pytest.raises(PlanOver, match=technician.name):
        undo(change=change, by=office, at=EVEN_LATER)
    assert PlannedChange.objects.get().wanted["settings"]["window_s"] == 86400


def test_a_slot_changed_after_the_adaption_must_be_compared_as_ever(row, office, technician) -> None:
    plan = planned(row, office)
    change_slot(registration=row, settings=replace(settings_of(row), duty="security"), by=office, at=LATER, reason="x")
    now = Registration.objects.open().get()
    adapted(now, office, plan)
    undo(change=last_change("adapt_plan"), by=office, at=EVEN_LATER)
    plan.refresh_from_db()
    with pytest.raises(SlotChangedSince):
        carry_out_plan(plan=plan, by=technician, at=EVEN_LATER)


def test_the_log_tells_a_plan_adapted_setting_by_setting(row, office) -> None:
    adapted(row, office, planned(row, office))
    assert {(name, was, now) for name, was, now in deed_lines(last_change("adapt_plan"))} == {
        ("supervision window", "60 min", "24 h"), ("place", "Room 4", "Room 4, bath"),
        ("reason", "agreed by phone", "after all"),
    }  # fmt: skip


def test_dropping_taken_back_lets_it_wait_again(row, office) -> None:
    plan = planned(row, office)
    drop_plan(plan=plan, by=office, at=LATER, reason="slip")
    undo(change=last_change("drop_plan"), by=office, at=EVEN_LATER)
    assert PlannedChange.objects.open().filter(pk=plan.pk).exists()


@pytest.mark.parametrize("kind", ["change", "remove", "register", "move"])
def test_done_taken_back_sets_the_slot_back_and_the_plan_waits_again(row, office, technician, kind) -> None:
    wishes = {
        "change": Wish("change", replace(settings_of(row), window_s=86400)),
        "remove": Wish("remove"),
        "register": Wish("register", settings_of(row), serial="SK-70002"),
        "move": Wish("move", settings_of(row), to_receiver=row.receiver, to_slot=11),
    }
    plan = planned(row, office, wishes[kind], slot=9 if kind == "register" else 4)
    carry_out_plan(plan=plan, by=technician, at=LATER)
    undo(change=last_change("carry_out_plan"), by=technician, at=EVEN_LATER)
    stands = {one.slot: one for one in Registration.objects.open().filter(receiver=row.receiver)}
    assert list(stands) == [4]
    assert (stands[4].transmitter, stands[4].window_s) == (row.transmitter, 14400)
    # It can be done once more, without anybody being told that the slot has changed.
    carry_out_plan(plan=plan, by=technician, at=EVEN_LATER + timedelta(hours=1))
