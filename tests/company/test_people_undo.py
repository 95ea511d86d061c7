"""Edits of people taken back: by a manager, as far as nothing later speaks against it, never a way of signing in."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from company import undo
from company.actions import give_portal_access, save_person
from company.actions.people import LastManager, deactivate_person, invite_person, save_profile, save_theme
from company.models import ChangeRow, User
from tests import factories
from tests.conftest import World
from tests.factories import NOW

SOON = NOW + timedelta(minutes=2)


@pytest.fixture
def person(db: Any) -> User:
    return factories.make_user("technician", name="Aino Berg", phone="1", email="aino@example.org")


@pytest.fixture
def manager(db: Any) -> User:
    return factories.make_manager()


def edit(person: User, by: User, **fields: Any) -> ChangeRow:
    fresh = User.objects.get(pk=person.pk)
    for name, value in fields.items():
        setattr(fresh, name, value)
    save_person(person=fresh, by=by, at=NOW)
    return ChangeRow.objects.order_by("-pk")[0]


def test_name_telephone_and_role_are_as_before(person: User, manager: User) -> None:
    change = edit(person, manager, name="Aino Burg", phone="2", audience="office", is_manager=True)
    back = undo.undo(change=change, by=manager, at=SOON)
    person.refresh_from_db()
    assert (person.name, person.phone, person.audience, person.is_manager) == ("Aino Berg", "1", "technician", False)
    assert (back.before["name"], back.after["name"]) == ("Aino Burg", "Aino Berg")


def test_nothing_with_which_the_person_signs_in_is_touched(person: User, manager: User) -> None:
    change = edit(person, manager, name="Aino Burg")
    User.objects.filter(pk=person.pk).update(password="another digest", last_login=NOW)
    deactivate_person(person=person, by=manager, at=NOW, reason="left")
    undo.undo(change=change, by=manager, at=SOON)
    person.refresh_from_db()
    assert (person.name, person.password, person.is_active, person.last_login) == (
        "Aino Berg", "another digest", False, NOW,
    )  # fmt: skip
    assert "digest" not in str(list(ChangeRow.objects.values_list("before", "after")))


def test_only_what_the_edit_changed_is_put_back(person: User, manager: User) -> None:
    change = edit(person, manager, phone="2")
    User.objects.filter(pk=person.pk).update(name="Aino Lind")
    undo.undo(change=change, by=manager, at=SOON)
    person.refresh_from_db()
    assert (person.name, person.phone) == ("Aino Lind", "1")


def test_a_later_edit_forbids_it_and_an_invitation_or_a_look_does_not(person: User, manager: User) -> None:
    change = edit(person, manager, name="Aino Burg")
    invite_person(person=person, by=manager, at=NOW)
    save_theme(person=User.objects.get(pk=person.pk), theme="dark", at=NOW)
    shown = ChangeRow.objects.with_fate().get(pk=change.pk)
    assert undo.offers_undo(shown, manager)
    save_profile(person=person, name="Aino Lind", phone="1", at=NOW)
    with pytest.raises(undo.ChangedAfter, match="own page saved"):
        undo.undo(change=change, by=manager, at=SOON)
    undo.undo(change=ChangeRow.objects.get(verb="save_profile"), by=manager, at=SOON)
    undo.undo(change=change, by=manager, at=SOON)
    person.refresh_from_db()
    assert person.name == "Aino Berg"


def test_an_address_that_somebody_else_has_by_now_is_not_taken_from_them(person: User, manager: User) -> None:
    change = edit(person, manager, email="a.berg@example.org")
    factories.make_user("technician", email="aino@example.org")
    with pytest.raises(undo.CannotUndo, match="already in use"):
        undo.undo(change=change, by=manager, at=SOON)
    person.refresh_from_db()
    assert person.email == "a.berg@example.org"


def test_the_last_manager_stays_one(person: User, manager: User) -> None:
    change = edit(person, manager, audience="office", is_manager=True)
    User.objects.filter(pk=manager.pk).update(is_manager=False)
    person.refresh_from_db()
    with pytest.raises(LastManager):
        undo.undo(change=change, by=person, at=SOON)
    person.refresh_from_db()
    assert person.is_manager


def test_a_role_that_portal_access_rests_on_stays_until_it_is_ended(world: World) -> None:
    change = edit(world.technician, world.manager, audience="portal")
    user = User.objects.get(pk=world.technician.pk)
    give_portal_access(user=user, customer=world.own, is_limited=False, by=world.manager, at=NOW)
    with pytest.raises(undo.CannotUndo, match=world.own.name):
        undo.undo(change=change, by=world.manager, at=SOON)


def test_a_new_person_is_not_erased_and_the_button_is_not_shown(world: World) -> None:
    new = User(name="Tove Lind", email="tove@example.org", audience="office")
    save_person(person=new, by=world.manager, at=NOW)
    change = ChangeRow.objects.get(subject_id=new.pk, subject_kind="user")
    page = world.client("manager").get(reverse("company:change_list")).content.decode()
    assert reverse("company:change_undo", args=[change.pk]) not in page
    with pytest.raises(undo.CannotUndo, match="Has left"):
        undo.undo(change=change, by=world.manager, at=SOON)


def test_only_a_manager_takes_it_back(world: World) -> None:
    change = edit(world.technician, world.manager, name="Another name")
    url = reverse("company:change_undo", args=[change.pk])
    for who in ("office", "technician"):
        world.client(who).post(url)
    assert User.objects.get(pk=world.technician.pk).name == "Another name"
    world.client("manager").post(url)
    assert User.objects.get(pk=world.technician.pk).name == world.technician.name


def test_the_message_after_an_edit_takes_it_back(world: World) -> None:
    client, person = world.client("manager"), world.technician
    fields = {"name": "Typed wrong", "email": person.email, "phone": "", "audience": "technician"}
    answer = client.post(reverse("company:person_edit", args=[person.pk]), fields, follow=True)
    url = reverse("company:change_undo", args=[ChangeRow.objects.get(verb="save_person", subject_id=person.pk).pk])
    assert f'action="{url}"' in answer.content.decode()
    client.post(url)
    assert User.objects.get(pk=person.pk).name == person.name


def test_a_manager_who_made_themselves_none_is_offered_no_way_back(world: World) -> None:
    factories.make_manager()
    client, person = world.client("manager"), world.manager
    fields = {"name": person.name, "email": person.email, "phone": "", "audience": "office"}
    answer = client.post(reverse("company:person_edit", args=[person.pk]), fields, follow=True)
    assert "Saved." in answer.content.decode()
    assert "/undo/" not in answer.content.decode()
