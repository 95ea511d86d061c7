"""Pages of planned changes and absences: what they show, refuse and take back."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
import time_machine
from django.urls import reverse

from company.models import ChangeRow
from devices.actions.away import end_several, extend_away, start_away
from devices.actions.ledger import OutOfOrder
from devices.actions.plans import plan_change
from devices.actions.plans_wish import Wish
from devices.actions.slot_settings import NothingChanged, settings_of
from devices.models import Away, PlannedChange, Registration
from maintenance.models import Entry
from tests import factories

pytestmark = pytest.mark.django_db
NOW, TODAY = factories.NOW, factories.TODAY


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(NOW + timedelta(hours=1), tick=False):
        yield


@pytest.fixture
def plan(world):
    row = world.own_registration
    wish = Wish("change", replace(settings_of(row), window_s=86400))
    return plan_change(
        receiver=world.own_receiver, slot=1, wish=wish, by=world.office, at=NOW, reason="agreed with the matron"
    )


def posted(client, name, *args, data=None, **over):
    return client.post(reverse(name, args=args), data or {}, **over)


def settings_data(world, **over):
    fields = {
        "label": "Room 1", "duty": "life_safety", "window": "86400", "interval_s": "3600", "contact": "unknown",
        "input_number": "1", "output_1": "latching", "reason": "quieter nights",
        "version": str(world.own_receiver.version),
    }  # fmt: skip
    return fields | over


def test_the_office_plans_a_change_and_the_slot_stays_as_it_is(world) -> None:
    answer = posted(world.client("office"), "devices:slot_plan", world.own_receiver.pk, 1, data=settings_data(world))
    plan = PlannedChange.objects.get()
    assert answer.url == reverse("devices:plan_detail", args=[plan.pk])
    assert plan.wanted["settings"]["window_s"] == 86400
    assert Registration.objects.open().get(receiver=world.own_receiver).window_s == 14400


def test_a_double_click_plans_once(world) -> None:
    client = world.client("office")
    for _ in range(2):
        posted(client, "devices:slot_plan", world.own_receiver.pk, 1, data=settings_data(world))
    assert PlannedChange.objects.count() == 1


def test_a_form_from_an_older_map_is_refused_with_422(world) -> None:
    answer = posted(
        world.client("office"), "devices:slot_plan", world.own_receiver.pk, 1, data=settings_data(world, version="0")
    )
    assert answer.status_code == 422
    assert "Changed meanwhile" in answer.content.decode()
    assert not PlannedChange.objects.exists()


@pytest.mark.parametrize("kind", ["change", "move", "remove"])
def test_each_kind_has_its_form(world, kind) -> None:
    url = reverse("devices:slot_plan", args=[world.own_receiver.pk, 1])
    assert world.client("office").get(url, {"kind": kind}).status_code == 200


def test_a_move_is_planned_in_two_steps(world) -> None:
    client, url = world.client("office"), reverse("devices:slot_plan", args=[world.own_receiver.pk, 1])
    step = {"kind": "move", "to_receiver": world.own_receiver.pk, "to_slot": 7}
    assert "Save the plan" in client.get(url, step).content.decode()
    client.post(f"{url}?kind=move", settings_data(world) | {"to_receiver": world.own_receiver.pk, "to_slot": 7})
    assert PlannedChange.objects.get().wanted["to_slot"] == 7


def test_registering_is_planned_for_a_spare_slot(world) -> None:
    url = reverse("devices:slot_plan", args=[world.own_receiver.pk, 9])
    world.client("office").post(url, settings_data(world, label="Room 9", serial="SK-77001", type="unknown"))
    assert PlannedChange.objects.get().wanted["serial"] == "SK-77001"


def test_the_list_shows_what_waits_and_filters(world, plan) -> None:
    client, url = world.client("office"), reverse("devices:plan_list")
    assert "agreed with the matron" in client.get(url).content.decode()
    assert "agreed with the matron" not in client.get(url, {"kind": "remove"}).content.decode()
    assert "agreed with the matron" not in client.get(url, {"show": "done"}).content.decode()
    assert (
        "agreed with the matron" in client.get(url, {"receiver": world.own_receiver.pk, "q": "matron"}).content.decode()
    )


def test_an_empty_list_tells_how_to_plan(world) -> None:
    assert "Plan a change" in world.client("office").get(reverse("devices:plan_list")).content.decode()


def test_the_plan_stands_beside_what_was_found(world, plan) -> None:
    text = world.client("technician").get(reverse("devices:tech_plan_detail", args=[plan.pk])).content.decode()
    assert "missing after 24 h" in text
    assert "missing after 4 h" in text
    assert "1 line differs" in text


def test_done_offers_to_take_it_back_and_that_works(world, plan) -> None:
    client = world.client("technician")
    answer = posted(client, "devices:tech_plan_done", plan.pk, follow=True)
    change = ChangeRow.objects.get(verb="carry_out_plan")
    assert reverse("company:change_undo", args=[change.pk]) in answer.content.decode()
    assert Registration.objects.open().get(receiver=world.own_receiver).window_s == 86400
    with time_machine.travel(NOW + timedelta(hours=2), tick=False):
        posted(client, "company:change_undo", change.pk)
    assert Registration.objects.open().get(receiver=world.own_receiver).window_s == 14400
    assert PlannedChange.objects.open().get() == plan


def test_done_is_refused_where_the_slot_changed_since(world, plan) -> None:
    Registration.objects.filter(pk=world.own_registration.pk).update(label="Sluice room")
    answer = posted(world.client("technician"), "devices:tech_plan_done", plan.pk)
    assert answer.status_code == 422
    assert "Compare the plan with what stands there now" in answer.content.decode()


def test_a_plan_is_dropped_with_why(world, plan) -> None:
    client = world.client("office")
    assert posted(client, "devices:plan_drop", plan.pk).status_code == 422
    posted(client, "devices:plan_drop", plan.pk, data={"reason": "resident moved out"})
    assert PlannedChange.objects.get().dropped_why == "resident moved out"


def test_adapting_saves_the_same_plan_anew(world, plan) -> None:
    world.own_receiver.refresh_from_db()
    url = reverse("devices:plan_adapt", args=[plan.pk])
    assert 'value="86400" selected' in world.client("technician").get(url).content.decode()
    world.client("technician").post(f"{url}?kind=change", settings_data(world, window="3600"))
    assert PlannedChange.objects.get().wanted["settings"]["window_s"] == 3600


def test_a_portal_user_sees_no_plan(world, plan) -> None:
    assert world.client("own_user").get(reverse("devices:plan_detail", args=[plan.pk])).status_code == 404


# ------------------------------------------------------------------------------------------------ on a visit


@pytest.fixture
def visit(world):
    visit = factories.make_visit(world.own_site, factories.make_round(world.technician), state="open")
    visit.arrived_at = NOW
    visit.save()
    return visit


def test_the_sheet_and_the_site_page_list_changes_to_make_here(world, plan, visit) -> None:
    client = world.client("technician")
    for name, pk in (("maintenance:tech_visit", visit.pk), ("maintenance:tech_site", world.own_site.pk)):
        text = client.get(reverse(name, args=[pk])).content.decode()
        assert "Changes to make here" in text
        assert "agreed with the matron" in text


def test_done_on_a_visit_stands_in_its_log(world, plan, visit) -> None:
    answer = posted(world.client("technician"), "maintenance:tech_plan_done", visit.pk, plan.pk)
    assert answer.url == reverse("maintenance:tech_visit", args=[visit.pk])
    plan.refresh_from_db()
    assert (plan.done_by, plan.visit_id) == (world.technician, visit.pk)
    assert "done as planned" in Entry.objects.get(visit=visit).facts["text"]


def test_a_plan_of_another_site_is_not_found_on_the_visit(world, visit) -> None:
    row = world.other_registration
    wish = Wish("change", replace(settings_of(row), window_s=86400))
    foreign = plan_change(receiver=row.receiver, slot=1, wish=wish, by=world.office, at=NOW, reason="x")
    answer = posted(world.client("technician"), "maintenance:tech_plan_done", visit.pk, foreign.pk)
    assert answer.status_code == 404


def test_before_the_visit_begins_nothing_is_done(world, plan) -> None:
    visit = factories.make_visit(world.own_site, factories.make_round(world.technician))
    answer = posted(world.client("technician"), "maintenance:tech_plan_done", visit.pk, plan.pk)
    assert answer.status_code == 422
    assert PlannedChange.objects.open().exists()


# ------------------------------------------------------------------------------------------------ away


@pytest.fixture
def away(world):
    return start_away(
        registration=world.own_registration, from_on=TODAY - timedelta(days=9), agreed_until_on=TODAY - timedelta(days=2),
        agreed_with="matron", interim="neighbour looks in", by=world.office, at=NOW, reason="hospital",
    )  # fmt: skip


def test_the_late_ones_come_first(world, away) -> None:
    other = factories.make_registration(world.own_receiver, 2, label="Room with no day")
    start_away(
        registration=other, from_on=TODAY, agreed_until_on=None, agreed_with="son", interim="", by=world.office, at=NOW,
        reason="holiday",
    )  # fmt: skip
    text = world.client("office").get(reverse("devices:away_list")).content.decode()
    assert text.index("Room 1") < text.index("Room with no day")
    assert "1 late" in text
    late = world.client("technician").get(reverse("devices:tech_away_list"), {"show": "late"}).content.decode()
    assert "Room with no day" not in late


def test_another_day_is_agreed_with_why_and_taken_back(world, away) -> None:
    client = world.client("office")
    day = TODAY + timedelta(days=5)
    data = {"agreed_until_on": day.isoformat(), "seen_until": away.agreed_until_on.isoformat(), "reason": "still ill"}
    posted(client, "devices:away_extend", away.pk, data=data)
    assert Away.objects.get().agreed_until_on == day
    posted(client, "company:change_undo", ChangeRow.objects.get(verb="extend_away").pk)
    assert Away.objects.get().agreed_until_on == away.agreed_until_on


def test_a_day_agreed_meanwhile_by_somebody_else_is_not_overwritten(world, away) -> None:
    with pytest.raises(NothingChanged, match="Another day"):
        extend_away(away=away, agreed_until_on=TODAY, by=world.office, at=NOW, reason="ill", seen_until=None)


def test_several_are_back_at_once(world, away) -> None:
    other = factories.make_registration(world.own_receiver, 2)
    second = start_away(
        registration=other, from_on=TODAY, agreed_until_on=None, agreed_with="son", interim="", by=world.office, at=NOW,
        reason="holiday",
    )  # fmt: skip
    posted(world.client("technician"), "devices:tech_away_back", data={"away": [away.pk, second.pk]})
    assert not Away.objects.open().exists()
    assert len({row.batch for row in ChangeRow.objects.filter(verb="end_away")}) == 1


def test_one_that_cannot_be_back_keeps_all_away(world, away) -> None:
    days = {world.own_receiver.pk: away.from_on - timedelta(days=1)}
    with pytest.raises(OutOfOrder):
        end_several(aways=[away], ended_on=days, by=world.office, at=NOW)
    assert Away.objects.open().exists()


def test_nobody_chosen_is_told_so(world, away) -> None:
    answer = posted(world.client("office"), "devices:away_back")
    assert answer.status_code == 422
    assert "Choose at least one" in answer.content.decode()
