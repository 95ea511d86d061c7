"""Starting and finishing visits."""

import uuid
from datetime import UTC, date, datetime, timedelta

import pytest

from maintenance.actions.entries import Saying, record_entry
from maintenance.actions.stops import remove_stop
from maintenance.actions.visits import (
    AlreadyThere,
    GateShut,
    NobodyLeft,
    NotDone,
    NotPublished,
    SignatureMissing,
    Signing,
    VisitAlreadyOver,
    finish_visit,
    set_visit_crew,
    start_call_out,
    start_visit,
)
from maintenance.models import DueItem, Entry, Visit
from tests import factories

AT = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)
SIGNED = Signing(name="Ina Moor")


@pytest.fixture
def round(world):
    return factories.make_round(world.technician)


@pytest.fixture
def visit(world, round):
    return factories.make_visit(world.own_site, round, state="open", arrived_at=AT)


def make_due(world, due_on=date(2026, 11, 20), **over):
    row = world.own_registration
    fields = {
        "customer": world.own, "site": world.own_site, "kind": "cells", "fitting": world.own_fitting,
        "receiver": world.own_receiver, "registration": row, "transmitter": row.transmitter, "duty": "life_safety",
        "harm": 0, "due_on": due_on, "reason": "calendar_cap", "model_version": "1", "as_of": due_on,
    }  # fmt: skip
    return DueItem.objects.create(**(fields | over))


def say(visit, kind, *, by, minutes, facts=None, **about):
    return record_entry(
        visit=visit, saying=Saying(kind, facts or {}, **about), key=uuid.uuid4(), by=by,
        at=AT + timedelta(minutes=minutes),
    )  # fmt: skip


def finish(visit, by, signing=SIGNED, not_done=(), minutes=60):
    return finish_visit(visit=visit, signing=signing, not_done=not_done, by=by, at=AT + timedelta(minutes=minutes))


def test_a_planned_visit_of_a_published_round_can_be_started_once(world, round):
    visit = factories.make_visit(world.own_site, round)
    start_visit(visit=visit, by=world.technician, at=AT)
    again = start_visit(visit=visit, by=world.technician, at=AT + timedelta(minutes=3))
    assert (again.state, again.arrived_at) == ("open", AT)


def test_a_visit_of_a_draft_cannot_be_started(world):
    visit = factories.make_visit(world.own_site, factories.make_round(world.technician, state="draft"))
    with pytest.raises(NotPublished):
        start_visit(visit=visit, by=world.technician, at=AT)


def test_a_call_out_sent_twice_is_one_visit_and_a_second_one_is_refused(world):
    key = uuid.uuid4()
    about = {"site": world.own_site, "kind": "call_out", "why": "pendant silent", "by": world.technician, "at": AT}
    first = start_call_out(uuid=key, **about)
    assert start_call_out(uuid=key, **about).pk == first.pk
    with pytest.raises(AlreadyThere) as refused:
        start_call_out(uuid=uuid.uuid4(), **about)
    assert refused.value.visit == first
    assert Visit.objects.count() == 1


def test_a_receiver_that_was_worked_on_and_not_cleared_keeps_the_visit_open(world, visit):
    facts = {"heard": True}
    say(visit, "walk_test", by=world.technician, minutes=0, facts=facts, registration=world.own_registration)
    with pytest.raises(GateShut, match="not cleared"):
        finish(visit, world.technician)
    say(visit, "covers", by=world.technician, minutes=1, receiver=world.own_receiver)
    say(visit, "cleared", by=world.technician, minutes=2, receiver=world.own_receiver)
    assert finish(visit, world.technician).state == "finished"


def test_a_centre_left_on_test_keeps_the_visit_open(world, visit):
    say(visit, "on_test", by=world.technician, minutes=0, facts={"told": "Ina"})
    with pytest.raises(GateShut, match="on test"):
        finish(visit, world.technician)


def test_each_due_thing_left_needs_a_reason_and_the_reason_is_kept_as_an_entry(world, visit):
    item = make_due(world)
    with pytest.raises(GateShut, match="1 due battery"):
        finish(visit, world.technician)
    reason = NotDone(item, "no_access", "room locked", uuid.uuid4())
    finish(visit, world.technician, not_done=[reason])
    entry = Entry.objects.get()
    assert (entry.kind, entry.facts["why"], entry.facts["due_item"]) == ("not_done", "no_access", item.pk)


def test_a_refused_finish_keeps_no_half_of_it(world, visit):
    item = make_due(world)
    say(visit, "on_test", by=world.technician, minutes=0, facts={"told": "Ina"})
    with pytest.raises(GateShut):
        finish(visit, world.technician, not_done=[NotDone(item, "time", "", uuid.uuid4())])
    visit.refresh_from_db()
    assert (visit.state, visit.signed_name) == ("open", "")
    assert not Entry.objects.filter(kind="not_done").exists()


def test_what_falls_due_after_the_horizon_needs_no_reason(world, visit):
    make_due(world, due_on=date(2027, 2, 1))
    assert finish(visit, world.technician).state == "finished"


@pytest.mark.parametrize(
    "signing",
    [
        Signing(),  # nobody
        Signing(name="Ina", refused_why="in a hurry"),  # both
        Signing(name="Ina", path="M1 1L2 2<script>"),  # not a path
        Signing(name="Ina", path="M1 1L2"),  # cut off on the way
    ],
)
def test_a_visit_ends_with_a_name_or_with_why_there_is_none(world, visit, signing):
    with pytest.raises(SignatureMissing):
        finish(visit, world.technician, signing=signing)


def test_a_refused_signature_is_kept_with_its_reason(world, visit):
    done = finish(visit, world.technician, signing=Signing(refused_why="nobody in"))
    assert (done.signed_name, done.refused_why) == ("", "nobody in")


def test_finishing_twice_with_the_same_signature_is_once(world, visit):
    first = finish(visit, world.technician)
    assert finish(visit, world.technician, minutes=90).finished_at == first.finished_at
    with pytest.raises(VisitAlreadyOver):
        finish(visit, world.technician, signing=Signing(name="Somebody else"))


def test_a_round_is_done_when_its_last_visit_is_over(world, round, visit):
    other = factories.make_visit(world.other_site, round, state="open", position=2)
    finish(visit, world.technician)
    round.refresh_from_db()
    assert round.state == "published"
    finish(other, world.technician)
    round.refresh_from_db()
    assert round.state == "done"


def test_new_cells_are_no_answer_to_a_unit_at_its_end(world, visit):
    make_due(world, kind="unit", fitting=None)
    facts = {"cells": "", "n_cells": 1}
    say(visit, "battery", by=world.technician, minutes=0, facts=facts, registration=world.own_registration)
    say(visit, "covers", by=world.technician, minutes=1, receiver=world.own_receiver)
    say(visit, "cleared", by=world.technician, minutes=2, receiver=world.own_receiver)
    with pytest.raises(GateShut, match="1 due battery"):
        finish(visit, world.technician)


def test_several_technicians_go_and_each_sees_the_visit(world, visit):
    colleague = factories.make_user("technician")
    people = [world.technician, colleague, world.office]
    set_visit_crew(visit=visit, people=people, by=world.office, at=AT)
    assert Visit.objects.visible_to(colleague).get() == visit
    assert not visit.crew.filter(user=world.office).exists()
    with pytest.raises(NobodyLeft):
        set_visit_crew(visit=visit, people=[world.office], by=world.office, at=AT)


def test_a_round_is_done_too_when_its_last_stop_to_come_is_taken_out(world, round, visit):
    last = factories.make_visit(world.other_site, round, position=2)
    finish(visit, world.technician)
    round.refresh_from_db()
    remove_stop(visit=last, seen_version=round.version, by=world.office, at=AT)
    round.refresh_from_db()
    assert round.state == "done"
