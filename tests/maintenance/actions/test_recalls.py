"""Recalls: what a filter names, what the records settle, who may set and close what."""

from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace

import pytest

from company import jobs
from company.models import ChangeRow, Job
from devices.actions.batteries import fit_battery
from devices.actions.slots import remove_transmitter
from maintenance.actions import recalls
from maintenance.actions.recall_states import follow_changes
from maintenance.actions.recalls import (
    DayPast,
    NotAFilter,
    NoteMissing,
    NothingAdded,
    NothingAffected,
    NothingToSet,
    NotSettled,
    ReasonMissing,
    RecallClosed,
    RecallPlan,
    add_to_recall,
    close_recall,
    open_recall,
    set_item_state,
)
from maintenance.models import DueItem, Recall, RecallItem
from maintenance.querysets.recalls import affected, in_no_slot, shown_states
from maintenance.rules.recalls import RecallFilter, progress_words
from tests import factories
from tests.factories import NOW, TODAY

BAD = RecallFilter(lots=("24A17",))


def a_plan(wanted=BAD, **over):
    fields = {"title": "Lot 24A17", "why": "They end after half their time.", "due_on": TODAY + timedelta(days=28)}
    return RecallPlan(filter=wanted, **(fields | over))


def a_thing(receiver, slot, *, lot="24A17", fitted_at=NOW - timedelta(days=300), **over):
    row = factories.make_registration(receiver, slot, **over)
    cells = factories.make_fitting(row.transmitter, lot=lot, fitted_at=fitted_at, entered_at=fitted_at or NOW)
    return SimpleNamespace(row=row, unit=row.transmitter, cells=cells)


def make_things(world):
    """Three of the bad lot (one at the other customer's), one mixed set, one of another lot, and two without a lot."""
    own, other = world.own_receiver, world.other_receiver
    return SimpleNamespace(
        bed=a_thing(own, 2, duty="life_safety"),
        door=a_thing(own, 3, duty="convenience", lot="24a17"),
        mixed=a_thing(own, 4, duty="security", lot="24B02; 24A17"),
        other_lot=a_thing(own, 5, lot="24A170"),
        abroad=a_thing(other, 2, duty="security"),
        nameless=a_thing(own, 6, lot="", fitted_at=datetime(2026, 3, 31, 22, 30, tzinfo=UTC)),
        undated=a_thing(own, 7, lot="", fitted_at=None),
    )


@pytest.fixture
def things(world):
    return make_things(world)


@pytest.fixture
def recall(world, things):
    return open_recall(plan=a_plan(), by=world.office, at=NOW, today=TODAY)


def serials(rows):
    return {row.serial for row in rows}


def item_of(recall, thing):
    return RecallItem.objects.select_related("recall").get(recall=recall, transmitter=thing.unit)


def named(things, *names):
    return {getattr(things, name).unit.serial for name in names}


# --- which ones -----------------------------------------------------------------------------------------------------------


def test_a_lot_is_found_whatever_its_case_and_in_mixed_sets_but_never_by_a_part_of_its_code(world, things):
    found = affected(BAD, what="cells")
    assert serials(found) == named(things, "bed", "door", "mixed", "abroad")
    assert found[0].serial == things.bed.unit.serial, "life safety comes first"


def test_cells_without_a_lot_are_found_by_the_day_at_the_site(world, things):
    # 22:30 UTC on 31 March is 23:30 summer time in London: still March there.
    world.own_site.time_zone = "Europe/London"
    world.own_site.save()
    march = RecallFilter(unknown_from=date(2026, 3, 1), unknown_to=date(2026, 3, 31), customer=world.own.pk)
    assert things.nameless.unit.serial in serials(affected(march, what="cells"))
    world.own_site.time_zone = "Europe/Helsinki"
    world.own_site.save()
    assert things.nameless.unit.serial not in serials(affected(march, what="cells"))
    assert things.undated.unit.serial in serials(affected(march, what="cells")), "it may have been fitted then"


def test_conditions_narrow_one_another(world, things):
    assert serials(affected(RecallFilter(lots=("24A17",), customer=world.other.pk), what="cells")) == named(
        things, "abroad"
    )
    elsewhere = RecallFilter(lots=("24A17",), site=world.other_site.pk, customer=world.own.pk)
    assert affected(elsewhere, what="cells") == []
    kind = factories.transmitter_type("smoke")
    assert affected(RecallFilter(lots=("24A17",), transmitter_type=kind.pk), what="cells") == []
    cells = factories.battery_type("er6", iec_code="ER6")
    assert affected(RecallFilter(lots=("24A17",), battery_type=cells.pk), what="cells") == []


def test_a_range_of_serials_names_what_lies_in_it(world):
    for slot, serial in enumerate(["UN-9", "UN-10", "UN-011", "UN-12", "UNX-10"], start=20):
        unit = factories.make_transmitter(world.own, serial=serial)
        factories.make_registration(world.own_receiver, slot, transmitter=unit)
    wanted = RecallFilter(serial_from="un-10", serial_to="UN-11")
    assert serials(affected(wanted, what="unit")) == {"UN-10", "UN-011"}
    assert affected(wanted, what="cells") == [], "no cells are on record in them"


def test_spares_and_closed_slots_are_on_no_list_but_spares_are_counted(world, things):
    remove_transmitter(registration=things.door.row, by=world.office, at=NOW, reason="spare")
    assert things.door.unit.serial not in serials(affected(BAD, what="cells"))
    assert in_no_slot(BAD) == 1
    assert in_no_slot(RecallFilter(lots=("nobody's",))) == 0


def test_a_transmitter_in_two_slots_is_one_item_at_its_most_harmful_place(world, things):
    worse = factories.make_registration(
        world.own_receiver, 30, transmitter=things.door.unit, input_number=2, duty="life_safety"
    )
    (row,) = [row for row in affected(BAD, what="cells") if row.serial == things.door.unit.serial]
    assert (row.registration_id, row.duty) == (worse.pk, "life_safety")


# --- opening --------------------------------------------------------------------------------------------------------------


def test_opening_lists_every_one_with_its_place_and_logs_it(world, things, recall):
    items = recall.items.all()
    assert {item.transmitter.serial for item in items} == named(things, "bed", "door", "mixed", "abroad")
    item = item_of(recall, things.bed)
    assert (item.customer, item.site, item.receiver) == (world.own, world.own_site, world.own_receiver)
    assert (item.registration, item.fitting, item.state) == (things.bed.row, things.bed.cells, "open")
    change = ChangeRow.objects.get(verb="open_recall")
    assert (change.by, change.after["n"], change.customer) == (world.office, 4, None)


def test_the_same_form_sent_twice_is_one_recall(world, things):
    first = open_recall(plan=a_plan(key="k1"), by=world.office, at=NOW, today=TODAY)
    again = open_recall(plan=a_plan(key="k1"), by=world.office, at=NOW, today=TODAY)
    assert first.pk == again.pk
    assert Recall.objects.count() == 1
    assert open_recall(plan=a_plan(key="k2"), by=world.office, at=NOW, today=TODAY).pk != first.pk


@pytest.mark.parametrize(
    ("plan", "refusal"),
    [
        (a_plan(RecallFilter()), NotAFilter),
        (a_plan(RecallFilter(serial_from="SK-1")), NotAFilter),
        (a_plan(title="  "), NotAFilter),
        (a_plan(why=""), NotAFilter),
        (a_plan(RecallFilter(lots=("no such lot",))), NothingAffected),
        (a_plan(due_on=TODAY - timedelta(days=1)), DayPast),
    ],
)
def test_a_recall_that_cannot_be_is_refused_and_writes_nothing(world, things, plan, refusal):
    with pytest.raises(refusal):
        open_recall(plan=plan, by=world.office, at=NOW, today=TODAY)
    assert not Recall.objects.exists()
    assert not ChangeRow.objects.filter(verb="open_recall").exists()


def test_dates_come_forward_at_once_for_a_few_receivers_and_by_a_job_for_many(
    world, things, monkeypatch, django_capture_on_commit_callbacks
):
    seen = []

    def keep(*, receiver_ids, at):
        seen.append(list(receiver_ids))
        return SimpleNamespace(n_moved=1)

    monkeypatch.setattr(recalls, "refresh_receivers", keep)
    both = sorted([world.own_receiver.pk, world.other_receiver.pk])
    with django_capture_on_commit_callbacks(execute=True):
        open_recall(plan=a_plan(), by=world.office, at=NOW, today=TODAY)
    assert seen == [both]
    monkeypatch.setattr(recalls, "AT_ONCE", 1)
    monkeypatch.setattr(recalls, "RECEIVERS_A_STEP", 1)
    with django_capture_on_commit_callbacks(execute=True):
        open_recall(plan=a_plan(), by=world.office, at=NOW, today=TODAY)
    assert seen == [both]
    job = Job.objects.get(handler="maintenance.actions.recalls.refresh_recalled")
    jobs.run(job.pk)
    job.refresh_from_db()
    assert seen == [both, both[:1], both[1:]]
    assert (job.state, job.progress_done, job.result) == ("done", 2, {"moved": 2})


def fit(world, thing, *, at=NOW, lot="26C01"):
    return fit_battery(transmitter=thing.unit, battery_type=factories.battery_type(), by=world.office, at=at, lot=lot)


def state(recall, thing):
    return item_of(recall, thing).state


# --- by hand --------------------------------------------------------------------------------------------------------------


def test_a_person_says_not_affected_with_what_they_saw_and_can_take_it_back(world, things, recall):
    item = set_item_state(
        item=item_of(recall, things.door), state="not_affected", note=" lot 25D03 on it ", by=world.office, at=NOW
    )
    assert (item.state, item.state_by, item.note) == ("not_affected", world.office, "lot 25D03 on it")
    fit(world, things.door)
    follow_changes(at=NOW)
    assert state(recall, things.door) == "not_affected"
    item = set_item_state(item=item, state="open", note="looked at the wrong door", by=world.office, at=NOW)
    assert item.state == "done", "its cells have been changed meanwhile"
    row = ChangeRow.objects.filter(verb="set_recall_state").latest("pk")
    assert (row.customer, row.before["state"], row.after["state"]) == (world.own, "not_affected", "done")


@pytest.mark.parametrize(
    ("state", "note", "refusal"),
    [("not_affected", "  ", NoteMissing), ("done", "it is", NothingToSet), ("gone", "x", NothingToSet), ("open", "x", NothingToSet)],
)  # fmt: skip
def test_a_state_that_cannot_be_set_is_refused(world, things, recall, state, note, refusal):
    with pytest.raises(refusal):
        set_item_state(item=item_of(recall, things.bed), state=state, note=note, by=world.office, at=NOW)
    assert item_of(recall, things.bed).state == "open"


def test_what_comes_to_light_later_is_added_once_and_spares_are_not(world, things, recall):
    late = a_thing(world.own_receiver, 40, lot="24A17")
    spare = factories.make_transmitter(world.own)
    with pytest.raises(ReasonMissing):
        add_to_recall(recall=recall, transmitters=[late.unit], by=world.office, at=NOW, reason=" ")
    (item,) = add_to_recall(
        recall=recall, transmitters=[late.unit, things.bed.unit, spare], by=world.office, at=NOW, reason="lot noted now"
    )
    assert (item.transmitter, item.fitting, item.site) == (late.unit, late.cells, world.own_site)
    with pytest.raises(NothingAdded):
        add_to_recall(recall=recall, transmitters=[late.unit, spare], by=world.office, at=NOW)
    assert recall.items.count() == 5


def settle(world, things, recall):
    for name in ("bed", "door", "mixed", "abroad"):
        fit(world, getattr(things, name))
    follow_changes(at=NOW)


# --- closing --------------------------------------------------------------------------------------------------------------


def test_a_recall_closes_when_all_is_settled(world, things, recall):
    settle(world, things, recall)
    assert progress_words(recall.items.progress()) == "All 4 are settled: 4 done."
    closed = close_recall(recall=recall, by=world.office, at=NOW)
    assert (closed.closed_by, closed.closed_at) == (world.office, NOW)


@pytest.mark.parametrize(("who", "reason"), [("office", ""), ("office", "enough"), ("manager", " ")])
def test_before_that_only_a_manager_closes_it_with_a_reason(world, things, recall, who, reason):
    with pytest.raises(NotSettled, match="4 are still to do"):
        close_recall(recall=recall, by=getattr(world, who), at=NOW, reason=reason)
    recall.refresh_from_db()
    assert recall.closed_at is None
    close_recall(recall=recall, by=world.manager, at=NOW, reason="opened by mistake")
    recall.refresh_from_db()
    assert recall.closed_why == "opened by mistake"
    assert recall.items.count() == 4, "the list stays"


def test_the_second_of_two_people_closing_reads_who_was_first(world, things, recall):
    settle(world, things, recall)
    close_recall(recall=recall, by=world.office, at=NOW)
    with pytest.raises(RecallClosed, match=f"closed by {world.office.name}"):
        close_recall(recall=recall, by=world.manager, at=NOW, reason="x")
    with pytest.raises(RecallClosed):
        set_item_state(item=item_of(recall, things.bed), state="not_affected", note="x", by=world.office, at=NOW)
    with pytest.raises(RecallClosed):
        add_to_recall(recall=recall, transmitters=[things.other_lot.unit], by=world.office, at=NOW)


def test_customers_see_nothing_of_recalls(world, things, recall):
    assert not RecallItem.objects.visible_to(world.own_user).exists()
    assert not Recall.objects.visible_to(world.own_user).exists()
    assert RecallItem.objects.visible_to(world.technician).count() == 4


# --- in a round -----------------------------------------------------------------------------------------------------------


def test_only_a_stop_that_reaches_the_day_of_the_recall_counts_as_in_a_round(world, things, recall):
    round = factories.make_round(world.technician, state="draft", day=TODAY + timedelta(days=2))
    visit = factories.make_visit(world.own_site, round, why=[{"code": "until", "on": TODAY.isoformat()}])
    assert recall.items.progress().placed == 0
    visit.why = [{"code": "until", "on": recall.due_on.isoformat()}]
    visit.save()
    assert recall.items.progress().placed == 3
    assert recall.items.progress().grave == 1
    round.state = "cancelled"
    round.save()
    assert recall.items.progress().placed == 0


def test_what_is_due_by_itself_before_the_recall_is_done_on_a_stop_that_reaches_its_own_date(world, things, recall):
    DueItem.objects.create(
        customer=world.own, site=world.own_site, kind="cells", fitting=things.bed.cells, receiver=things.bed.row.receiver,
        registration=things.bed.row, transmitter=things.bed.unit, duty="life_safety", harm=0, due_on=TODAY,
        reason="risk_limit", model_version="0", as_of=TODAY, opinions=[],
    )  # fmt: skip
    round = factories.make_round(world.technician, state="draft", day=TODAY)
    factories.make_visit(world.own_site, round, why=[{"code": "until", "on": TODAY.isoformat()}])
    assert recall.items.progress().placed == 1
    shown = {item.transmitter_id: item for item in shown_states(recall.items.for_list())}
    assert shown[things.bed.unit.pk].stops
    assert not shown[things.door.unit.pk].stops
    assert shown[things.door.unit.pk].short
