"""Faults on the technician's sheet: on the card of their slot, on top, and when the visit is finished."""

from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from maintenance.models import Visit
from tests import factories
from tests.maintenance.views.test_faults import make_fault, of_receiver
from tests.maintenance.views.test_sheet import record, sheet_url, visit

__all__ = ["visit"]
pytestmark = pytest.mark.django_db


def lately():
    return timezone.now() - timedelta(hours=1)


def tab_of(client, visit, show="todo"):
    return client.get(sheet_url(visit, show=show)).context["tab"]


def text_of(client, url):
    return client.get(url).content.decode()


def test_a_slot_with_a_fault_is_to_do_with_its_words_until_something_was_done_there(world, visit):
    client, slot = world.client("technician"), world.own_registration
    assert tab_of(client, visit).n_todo == 0
    make_fault(slot, "missing", lately())
    assert [(card.row.slot, card.fault_words) for card in client.get(sheet_url(visit)).context["cards"]] == [
        (slot.slot, ["missing"])
    ]
    assert "Missing</span>" in text_of(client, sheet_url(visit))
    record(client, visit, "note", registration=slot.pk, receiver=slot.receiver_id, text="nobody opens")
    assert tab_of(client, visit).n_todo == 1, "A note alone mends nothing."
    record(client, visit, "not_done", registration=slot.pk, receiver=slot.receiver_id, why="no_access", text="locked")
    assert (tab_of(client, visit).n_todo, tab_of(client, visit).n_done) == (0, 1)
    assert "Missing</span>" in text_of(client, sheet_url(visit, show="done")), "It still stands."


def test_what_is_over_but_not_cleared_is_told_on_the_card_and_makes_no_work_of_its_slot(world, visit):
    client = world.client("technician")
    make_fault(world.own_registration, "tamper", lately(), cleared_at=timezone.now(), is_latched=True)
    assert tab_of(client, visit).n_todo == 0
    assert "Tamper, over, not cleared at the receiver" in text_of(client, sheet_url(visit, show="all"))


def test_a_fault_of_another_receiver_is_on_no_card_here(world, visit):
    other = factories.make_registration(factories.make_receiver(world.own_site), world.own_registration.slot)
    make_fault(other, "missing", lately())
    tabs = world.client("technician").get(sheet_url(visit)).context["tabs"]
    assert {tab.receiver.pk: tab.n_todo for tab in tabs} == {other.receiver_id: 1, world.own_receiver.pk: 0}


def test_the_list_on_top_says_how_many_more_there_are(world, visit):
    client, receiver = world.client("technician"), world.own_receiver
    for slot in range(2, 13):
        make_fault(factories.make_registration(receiver, slot), "missing", lately())
    assert "3 more faults here: see all" in text_of(client, sheet_url(visit))


def test_finishing_names_the_faults_of_a_receiver_that_was_cleared_and_does_not_hold_anybody_up(world, visit):
    client, slot = world.client("technician"), world.own_registration
    about = {"receiver": world.own_receiver.pk}
    record(client, visit, "walk_test", registration=slot.pk, heard="yes", **about)
    record(client, visit, "covers", covers="on", in_place="on", **about)
    record(client, visit, "cleared", cause="work", **about)
    finish = reverse("maintenance:tech_finish", args=[visit.pk])
    assert f"{world.own_receiver.label} is cleared." in text_of(client, finish)
    make_fault(slot, "low_battery", lately())
    of_receiver(world.own_receiver, "receiver_fault", lately())
    page = text_of(client, finish)
    assert f"{world.own_receiver.label} is cleared." not in page
    assert "not all is well there" in page
    assert f"Still standing: receiver fault and low battery in slot {slot.slot}." in page
    assert "Not all is well here." in text_of(client, sheet_url(visit, show="last"))
    answer = client.post(finish, {"signed_name": "Rosa Lind"})
    assert answer.status_code == 302, answer.content.decode()
    assert Visit.objects.get(pk=visit.pk).state == "finished"


def test_finishing_names_a_receiver_with_faults_at_which_nothing_was_done(world, visit):
    of_receiver(world.own_receiver, "receiver_power", lately())
    page = text_of(world.client("technician"), reverse("maintenance:tech_finish", args=[visit.pk]))
    assert f"{world.own_receiver.label}: nothing was done there. Standing: receiver power." in page


@pytest.mark.parametrize(("before", "proposed"), [(timedelta(hours=3), ""), (timedelta(0), "work on this visit")])
def test_the_work_is_proposed_as_the_cause_only_of_what_latched_since_somebody_came(world, visit, before, proposed):
    client, slot, came = world.client("technician"), world.own_registration, visit.arrived_at
    make_fault(slot, "low_battery", came - before, cleared_at=timezone.now(), is_latched=True)
    about = {"receiver": world.own_receiver.pk}
    record(client, visit, "covers", covers="on", in_place="on", **about)
    form = client.get(sheet_url(visit, show="last", r=world.own_receiver.pk)).context["forms"]["cleared"]
    assert form["cause"].value() == proposed
