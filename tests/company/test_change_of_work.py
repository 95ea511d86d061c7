"""Setting a person to other work says what still waits for them, as “Has left” does, and asks before it is saved."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone

from company.actions.people import save_person
from company.models import ChangeRow, User
from company.undo import CannotUndo, undo
from tests import factories
from tests.factories import NOW


def post(world: Any, person: User, **over: str) -> Any:
    data = {"name": person.name, "email": person.email, "phone": "", "audience": "office"} | over
    return world.client("manager").post(reverse("company:person_edit", args=[person.pk]), data)


def give_visit(world: Any, person: User, site: Any) -> None:
    day = timezone.localdate() + timedelta(days=3)
    factories.make_visit(site, factories.make_round(person, day=day), planned_on=day)


def work_of(person: User) -> str:
    return User.objects.get(pk=person.pk).audience


def test_a_technician_with_visits_to_come_is_not_set_to_other_work_unasked(world: Any) -> None:
    person = world.technician
    give_visit(world, person, world.own_site)
    answer = post(world, person)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert f"{world.own_site.name}: planned for" in page
    assert (work_of(person), ChangeRow.objects.filter(verb="save_person").count()) == ("technician", 0)
    sure = re.search(r'name="sure" value="(\w+)"', page)
    assert sure is not None
    assert post(world, person, sure=sure[1]).status_code == 302
    assert work_of(person) == "office"


def test_having_agreed_to_one_visit_is_not_having_agreed_to_the_next(world: Any) -> None:
    person = world.technician
    give_visit(world, person, world.own_site)
    sure = re.search(r'name="sure" value="(\w+)"', post(world, person).content.decode())
    assert sure is not None
    give_visit(world, person, world.other_site)
    answer = post(world, person, sure=sure[1])
    assert f"{world.other_site.name}: planned for" in answer.content.decode()
    assert work_of(person) == "technician"


def test_nothing_is_asked_where_nothing_waits_or_the_work_stays(world: Any) -> None:
    assert post(world, factories.make_user("technician")).status_code == 302
    give_visit(world, world.technician, world.own_site)
    assert post(world, world.technician, name="Renamed", audience="technician").status_code == 302


def test_taking_a_change_of_work_back_is_refused_while_visits_rest_on_it(world: Any) -> None:
    person = factories.make_user("office")
    person.audience = User.Audience.TECHNICIAN
    save_person(person=person, by=world.manager, at=NOW)
    change = ChangeRow.objects.get(verb="save_person")
    give_visit(world, person, world.own_site)
    with pytest.raises(CannotUndo, match=f"{world.own_site.name}: planned for"):
        undo(change=change, by=world.manager, at=NOW)
    assert work_of(person) == "technician"
