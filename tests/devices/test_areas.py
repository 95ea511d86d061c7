"""Areas in walking order: moved, renamed, merged, and what stands there moves along."""

from __future__ import annotations

import pytest
from django.urls import reverse
from django.utils import timezone

from company.models import ChangeRow
from company.undo import undo
from devices.models import Registration
from sites.models import Area
from tests import factories
from tests.house.test_query_growth import assert_same_queries


@pytest.fixture
def areas(world):
    site = world.own_site
    rows = [
        Area.objects.create(site=site, customer=site.customer, path=path, walk_order=10 * n)
        for n, path in enumerate(("Hall", "Kitchen", "Room 1", "room 1"), start=1)
    ]
    Registration.objects.filter(pk=world.own_registration.pk).update(area="room 1")
    world.own_receiver.area = "Hall"
    world.own_receiver.save()
    return rows


def url(name, *args):
    return reverse(f"devices:{name}", args=args)


def paths(world):
    return list(world.own_site.areas.order_by("walk_order", "path").values_list("path", flat=True))


def slot_area(world):
    return Registration.objects.get(pk=world.own_registration.pk).area


def take_back(world, verb):
    change = ChangeRow.objects.filter(verb=verb).latest("pk")
    return undo(change=change, by=world.office, at=timezone.now())


def test_the_list_says_what_stands_in_each_area_and_what_in_none(world, areas):
    factories.make_registration(world.own_receiver, 2, area="Attic")
    factories.make_registration(world.own_receiver, 3)
    page = world.client("office").get(url("area_list", world.own_site.pk)).content.decode()
    assert "no slot, 1 receiver" in page
    assert "1 slot" in page
    assert "In no area of the list" in page.partition("Attic")[0]
    assert "no area noted" in page


def test_buttons_move_an_area_by_one_and_dragging_before_another(world, areas):
    client = world.client("office")
    client.post(url("area_move", areas[1].pk), {"to": "up"})
    assert paths(world) == ["Kitchen", "Hall", "Room 1", "room 1"]
    client.post(url("area_move", areas[1].pk), {"to": "up"})
    assert ChangeRow.objects.filter(verb="move_area").count() == 1
    client.post(url("area_move", areas[3].pk), {"to": "before", "before": areas[0].pk})
    assert paths(world) == ["Kitchen", "room 1", "Hall", "Room 1"]
    client.post(url("area_move", areas[1].pk), {"to": "before", "before": ""})
    assert paths(world)[-1] == "Kitchen"
    take_back(world, "move_area")
    assert paths(world) == ["Kitchen", "room 1", "Hall", "Room 1"]


def test_a_script_gets_the_list_again(world, areas):
    response = world.client("office").post(
        url("area_move", areas[0].pk), {"to": "down"}, headers={"HX-Request": "true"}
    )
    assert response.content.decode().lstrip().startswith('<section id="areas"')


def test_renaming_carries_what_stands_there_and_leaves_what_has_ended(world, areas):
    ended = factories.make_registration(
        world.own_receiver, 9, area="room 1", removed_at=timezone.now(), removed_why="broken"
    )
    version = world.own_receiver.version
    response = world.client("office").post(url("area_rename", areas[3].pk), {"path": " First floor /Room 1 "})
    assert response.url == url("area_list", world.own_site.pk)
    assert slot_area(world) == "First floor / Room 1"
    ended.refresh_from_db()
    assert ended.area == "room 1"
    world.own_receiver.refresh_from_db()
    assert world.own_receiver.version == version + 1
    # The slot's own history says so too.
    assert ChangeRow.objects.get(subject_kind="registration", verb="area_renamed").before == {"area": "room 1"}
    take_back(world, "rename_area")
    assert (slot_area(world), paths(world)[-1]) == ("room 1", "room 1")


def test_a_name_that_another_area_has_is_refused_with_the_way_out(world, areas):
    response = world.client("office").post(url("area_rename", areas[3].pk), {"path": "Hall"})
    assert response.status_code == 422
    assert "Merge the two instead" in response.content.decode()
    assert world.client("office").post(url("area_rename", areas[3].pk), {"path": " / "}).status_code == 422
    assert slot_area(world) == "room 1"


def test_doubles_are_merged_and_parted_again(world, areas):
    other = factories.make_registration(world.own_receiver, 2, area="Room 1")
    world.client("office").post(url("area_merge", areas[3].pk), {"into": areas[2].pk})
    assert paths(world) == ["Hall", "Kitchen", "Room 1"]
    assert slot_area(world) == "Room 1"
    take_back(world, "merge_area")
    other.refresh_from_db()
    assert (slot_area(world), other.area) == ("room 1", "Room 1")
    assert Area.objects.get(path="room 1").pk == areas[3].pk


def test_an_area_is_not_merged_into_itself_or_into_another_sites(world, areas):
    foreign = Area.objects.create(site=world.other_site, customer=world.other, path="Hall")
    for into in (areas[3].pk, foreign.pk, ""):
        assert world.client("office").post(url("area_merge", areas[3].pk), {"into": into}).status_code == 422
    assert Area.objects.count() == 5


def test_an_area_in_which_something_stands_is_not_taken_out(world, areas):
    client = world.client("office")
    response = client.post(reverse("sites:area_remove", args=[areas[3].pk]), follow=True)
    assert "1 slot stand in “room 1”" in response.content.decode() or "Merge it" in response.content.decode()
    assert Area.objects.filter(pk=areas[3].pk).exists()
    client.post(reverse("sites:area_remove", args=[areas[1].pk]))
    assert not Area.objects.filter(pk=areas[1].pk).exists()
    take_back(world, "remove_area")
    assert Area.objects.get(pk=areas[1].pk).path == "Kitchen"


def test_the_list_takes_the_same_number_of_queries_however_long_it_is(world, areas):
    site = world.own_site

    def grow(n):
        for _ in range(n):
            number = factories.number()
            Area.objects.create(site=site, customer=site.customer, path=f"Store {number}", walk_order=number)

    assert_same_queries(world.client("office"), url("area_list", site.pk), grow)
