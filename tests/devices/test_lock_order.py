"""Everybody locks receivers in the order of their keys, then transmitters in the order of theirs: whoever meets, nobody waits
for good. A batch of late check-ins locks transmitters whose receivers it does not lock, since they stand elsewhere by now.
"""

import hashlib
import uuid
from datetime import timedelta

import pytest

from company.models import ChangeRow
from company.undo import undo, undo_batch
from devices.actions import undo_turns
from devices.actions.away import end_several
from devices.actions.bulk import change_slots
from devices.actions.bulk_turn import with_settings
from devices.actions.intake import take_batch
from devices.actions.intake_memory import memory
from devices.actions.plans import carry_out_plan, plan_change
from devices.actions.plans_wish import Wish as PlanWish
from devices.actions.slot_settings import settings_of
from devices.actions.slots import move_transmitter
from devices.actions.swaps_receiver import NewReceiver, swap_receiver
from devices.actions.swaps_transmitter import SPARE, NewUnit, swap_transmitter
from devices.models import Away, Registration
from devices.rules.bulk import Wish
from devices.rules.events import Event
from tests.factories import (
    NOW,
    TODAY,
    make_fitting,
    make_gateway,
    make_receiver,
    make_registration,
    make_site,
    make_transmitter,
    make_unit,
    make_user,
)
from tests.tools.crossing import crossings, needs_postgresql

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("at_now"), needs_postgresql]
ONCE, LATER, NEXT_DAY = NOW - timedelta(days=20), NOW + timedelta(hours=1), NOW + timedelta(days=1)
BEGUN = NOW - timedelta(days=10)


class Scene:
    """Two receivers; a spare unit, and two in slots of which the later slot has the earlier unit."""

    def __init__(self):
        self.by = make_user("office")
        self.site = make_site()
        self.customer = self.site.customer
        self.first, self.second = make_receiver(self.site), make_receiver(self.site)
        self.spare, self.early, self.late = (make_transmitter(self.customer) for _ in range(3))
        for slot, unit in ((1, self.late), (2, self.early)):
            make_unit(self.second, slot, transmitter=unit, registered_at=BEGUN)
        make_fitting(self.spare)
        self.source = make_gateway(self.customer)

    def batch(self, *units, at=ONCE, more=()):
        """What a batch of check-ins does that came at a time when the units stood elsewhere."""
        events = [Event(n, "check_in", at, unit.serial) for n, unit in enumerate(units, 1)]

        def work():
            memory.clear()
            name = uuid.uuid4().hex
            digest = hashlib.sha256(name.encode()).hexdigest()
            take_batch(source=self.source, batch_id=name, sha256=digest, events=[*events, *more], at=NOW)

        return work

    def swap(self, at=LATER, **over):
        new = NewUnit(self.spare.serial, type=self.spare.type, old_becomes=SPARE, **over)
        return swap_transmitter(transmitter=self.late, new=new, by=self.by, at=at, reason="dropped")

    def change(self):
        rows = with_settings(Registration.objects.open().filter(receiver=self.second))
        return change_slots(registrations=rows, wish=Wish(interval_s=1800), by=self.by, at=LATER, reason="agreed")

    def undo(self, verb, at=LATER + timedelta(hours=1)):
        change = ChangeRow.objects.filter(verb=verb).latest("pk")
        return lambda: undo(change=change, by=self.by, at=at)


@pytest.fixture
def scene():
    yield Scene()
    memory.clear()


def test_a_swap_of_a_unit_for_an_older_one_and_a_batch_that_heard_both(scene):
    assert crossings(scene.swap, scene.batch(scene.spare, scene.late)) == []


@pytest.mark.parametrize("at", [LATER + timedelta(hours=1), NEXT_DAY])
def test_such_a_swap_taken_back_and_a_batch_that_heard_both(scene, at):
    kind = scene.late.type.battery_type
    scene.swap(battery_type=kind, n_cells=1)
    assert crossings(scene.undo("swap_transmitter", at), scene.batch(scene.spare, scene.late)) == []


def test_a_swap_taken_back_after_its_unit_was_given_a_further_slot(scene):
    """The other receiver hears the unit too, so its page must be told: it is locked with the first, before any unit."""
    scene.swap()
    make_registration(scene.first, 7, transmitter=scene.spare, input_number=2, registered_at=LATER)
    heard = scene.batch(scene.spare, scene.late, at=LATER + timedelta(minutes=5))
    assert crossings(scene.undo("swap_transmitter", NEXT_DAY), heard) == []


def test_a_swap_of_a_receiver_and_a_batch(scene):
    def swap():
        new = NewReceiver(scene.second.type, scene.second.n_slots, serial="RX-2")
        return swap_receiver(receiver=scene.second, new=new, by=scene.by, at=LATER, reason="burnt")

    heard = scene.batch(scene.early, scene.late)
    assert crossings(swap, heard) == []
    swap()
    assert crossings(scene.undo("swap_receiver"), heard) == []


def test_many_slots_taken_back_and_a_batch(scene, monkeypatch):
    """More of them than one statement writes, and the last has the unit with the first key."""
    monkeypatch.setattr(undo_turns, "AT_ONCE", 1)
    scene.change()
    assert crossings(scene.undo("bulk_change_slot"), scene.batch(scene.early, scene.late)) == []


def test_a_plan_that_leads_to_an_earlier_receiver_and_a_batch_of_both(scene):
    there = make_registration(scene.first, 1, transmitter=scene.spare, registered_at=BEGUN)
    row = Registration.objects.open().get(transmitter=scene.late)
    wish = PlanWish("move", settings_of(row), to_receiver=scene.first, to_slot=5)
    plan = plan_change(receiver=scene.second, slot=row.slot, wish=wish, by=scene.by, at=NOW, reason="nearer")
    heard = scene.batch(there.transmitter, scene.early, at=NOW)
    assert crossings(lambda: carry_out_plan(plan=plan, by=scene.by, at=LATER), heard) == []


def test_a_move_between_receivers_and_a_batch_that_only_names_the_one_it_leaves(scene):
    row = make_registration(scene.first, 1, transmitter=scene.spare, registered_at=BEGUN)
    stranger = Event(9, "check_in", NOW, "NOBODY-KNOWS", scene.first.code)

    def move():
        facts = {"to_receiver": scene.second, "to_slot": 5, "settings": settings_of(row), "reason": "nearer"}
        move_transmitter(registration=row, by=scene.by, at=LATER, **facts)

    assert crossings(move, scene.batch(scene.early, at=NOW, more=[stranger])) == []


def test_two_people_take_back_the_same_change_of_many_slots_each_at_another_slot(scene):
    one, other = scene.change()
    at = LATER + timedelta(hours=1)
    assert crossings(*[lambda row=row: undo(change=row, by=scene.by, at=at) for row in (one, other)]) == []


def test_absences_ended_together_and_taken_back_together_and_a_batch(scene):
    make_registration(scene.first, 1, transmitter=scene.spare, registered_at=BEGUN)
    rows = Registration.objects.open().filter(transmitter__in=[scene.spare, scene.early]).order_by("receiver_id")
    facts = {"site": scene.site, "customer": scene.customer, "from_on": TODAY - timedelta(days=3), "reason": "away"}
    aways = [Away.objects.create(registration=row, **facts) for row in rows]
    days = {row.receiver_id: TODAY for row in rows}
    told = end_several(aways=aways, ended_on=days, by=scene.by, at=NOW)
    heard = scene.batch(scene.spare, scene.early, at=NOW)
    assert crossings(lambda: undo_batch(batch=told[0].batch, by=scene.by, at=LATER), heard) == []
