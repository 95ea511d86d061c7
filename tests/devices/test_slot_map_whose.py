"""Whose slot map it is: no frame, token, message or prepared read of one person ever reaches another."""

from __future__ import annotations

import re
from datetime import timedelta
from unittest.mock import patch

import pytest
import time_machine
from django.core.cache import cache
from django.test import Client
from django.urls import reverse

from devices.models import Fault, Output, Registration
from devices.querysets import end_of_day
from devices.views import maps, page_frame
from tests import factories
from tests.conftest import World
from tests.factories import NOW
from tests.house.growing import slots, thing

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def test_the_next_day_another_person_and_another_view_get_their_own_page(world: World) -> None:
    url = reverse("devices:slot_map", args=[world.own_receiver.pk])
    client = world.client("office")
    etag = client.get(url)["ETag"]
    assert world.client("manager").get(url, headers={"If-None-Match": etag}).status_code == 200
    assert client.get(url + "?show=spare", headers={"If-None-Match": etag}).status_code == 200
    assert world.client("technician").get(f"/tech{url}", headers={"If-None-Match": etag}).status_code == 200
    with time_machine.travel(NOW + timedelta(days=1), tick=False):
        assert client.get(url, headers={"If-None-Match": etag}).status_code == 200


@pytest.mark.parametrize("role", ["office", "technician"])
def test_the_frame_drawn_for_one_receiver_is_that_of_any_other(world: World, role: str) -> None:
    world.own_site.name = "Bed & <b>Board</b>"
    world.own_site.save()
    first, second = (factories.make_receiver(world.own_site, label=label) for label in ("Box 1", 'Box "2" & more'))
    prefix = "/tech" if role == "technician" else ""
    client = world.client(role)
    page_frame._frames.clear()
    client.get(f"{prefix}/receivers/{first.pk}/")
    assert len(page_frame._frames) == 1
    filled_in = client.get(f"{prefix}/receivers/{second.pk}/").content.decode()
    assert len(page_frame._frames) == 1
    page_frame._frames.clear()
    cache.clear()
    # A browser's fragment of the whole page is drawn by the template alone, without any frame.
    with patch.object(maps, "_etag", return_value=""):
        plain = client.get(f"{prefix}/receivers/{second.pk}/").content.decode()
    assert not page_frame._frames
    tokens = re.compile(r'(csrfmiddlewaretoken" value="|X-CSRFToken": ")\w+')
    assert tokens.sub("", filled_in) == tokens.sub("", plain)
    assert "Bed &amp; &lt;b&gt;Board" in filled_in


def test_the_frame_of_one_person_is_never_that_of_another(world: World) -> None:
    url = reverse("devices:slot_map", args=[world.own_receiver.pk])
    pages = {name: world.client(name).get(url).content.decode() for name in ("office", "manager")}
    assert world.office.name in pages["office"]
    assert world.manager.name not in pages["office"]
    assert world.manager.name in pages["manager"]


def test_a_prepared_read_gives_what_the_query_itself_gives(world: World) -> None:
    slots(world, 5)
    other = factories.make_receiver(world.own_site, label="Another")
    thing(other, 1)
    zone = world.own_site.zone
    for receiver in (world.own_receiver, other, world.own_receiver):
        for day in (factories.TODAY, factories.TODAY - timedelta(days=400), factories.TODAY):
            at = end_of_day(day, zone)
            built = Registration.objects.filter(receiver=receiver).slot_rows(at, zone)
            assert Registration.objects.all().slot_rows(at, zone, receiver=receiver.pk) == built
        listed, uses = Output.objects.filter(receiver=receiver).with_uses()
        assert Output.objects.all().with_uses(receiver=receiver.pk) == (listed, uses)
        told = Fault.objects.filter(receiver=receiver).told()
        assert told
        assert Fault.objects.all().told(receiver=receiver.pk) == told
    assert Registration.objects.all().slot_rows(end_of_day(factories.TODAY, zone), zone, receiver=other.pk)


def test_a_narrower_scope_never_gets_the_prepared_read_of_staff(world: World) -> None:
    zone = world.own_site.zone
    at = end_of_day(factories.TODAY, zone)
    assert Registration.objects.visible_to(world.office).slot_rows(at, zone, receiver=world.own_receiver.pk)
    theirs = Registration.objects.visible_to(world.other_user)
    assert theirs.slot_rows(at, zone, receiver=world.own_receiver.pk) == []


def test_no_token_is_kept_and_none_is_shared(world: World) -> None:
    url = reverse("devices:slot_map", args=[world.own_receiver.pk])
    first, second = world.client("office"), world.client("manager")
    pages = [client.get(url).content.decode() for client in (first, second, first)]
    with patch.object(maps.cache, "set", wraps=cache.set) as kept:
        cache.clear()
        pages.append(first.get(url).content.decode())
    assert kept.call_count == 3
    page = pages.pop()
    (token,) = set(re.findall(r'name="csrfmiddlewaretoken" value="(\w{64})"', page))
    assert token in page
    assert not any(token in call.args[1] for call in kept.call_args_list)
    # The token of each answer is a new one, and takes a form.
    assert token not in first.get(url).content.decode()
    strict = Client(enforce_csrf_checks=True)
    strict.cookies = first.cookies
    sent = strict.post(reverse("account_logout"), {"csrfmiddlewaretoken": token})
    assert sent.status_code == 302
    assert world.office.name in pages[0]
    assert world.manager.name in pages[1]
    assert world.office.name not in pages[1]


def test_a_message_is_shown_once_and_never_answered_from_the_browsers_copy(world: World) -> None:
    client, url = world.client("office"), reverse("devices:slot_map", args=[world.own_receiver.pk])
    etag = client.get(url)["ETag"]
    answer = client.get(url + "?on=nonsense", headers={"If-None-Match": etag})
    assert "is no day" in answer.content.decode()
    assert "ETag" not in answer
    assert "is no day" not in client.get(url).content.decode()


def test_a_foreign_or_missing_receiver_is_not_found(world: World) -> None:
    assert world.client("office").get(reverse("devices:slot_map", args=[10**6])).status_code == 404
    assert world.client("other_user").get(reverse("devices:slot_map", args=[world.own_receiver.pk])).status_code == 404
