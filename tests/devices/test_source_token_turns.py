"""Rotating a token more than once: the one that is in the gateway goes on, and the page says which of two is in use."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from company.models import ChangeRow
from devices.actions import sources
from tests import factories
from tests.conftest import World
from tests.devices.senders import Sender

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def sender(world: World) -> Sender:
    return Sender(world.own, site=world.own_site)


def after(**span: float) -> Any:
    return time_machine.travel(factories.NOW + timedelta(**span), tick=False)


def renewed(client: Client, sender: Sender, **over: Any) -> Any:
    """The page after a token was asked for as a person does: open the form, send it."""
    at = reverse("devices:source_token", args=[sender.source.pk])
    return client.post(at, client.get(at).context["form"].initial | over)


def is_taken(sender: Sender, token: str) -> bool:
    sender.token = token
    return bool(sender.ask("source").status_code == 200)


def page_of(client: Client, sender: Sender) -> str:
    return " ".join(client.get(sender.source.get_absolute_url()).content.decode().split())


def test_a_token_that_was_lost_before_its_use_is_replaced_and_the_one_in_the_gateway_goes_on(
    world: World, sender: Sender
) -> None:
    client, in_gateway = world.client("manager"), sender.token
    sender.ask("source")
    with after(hours=1):
        lost = renewed(client, sender).context["token"]
    with after(hours=2):
        form = client.get(reverse("devices:source_token", args=[sender.source.pk])).content.decode()
        assert f"…{lost[-4:]} was never used" in form
        assert f"The former …{in_gateway[-4:]} is still taken until" in form
        answer = renewed(client, sender)
        newest = answer.context["token"]
        assert f"The former token …{in_gateway[-4:]} is taken until" in answer.content.decode()
        assert [is_taken(sender, token) for token in (in_gateway, lost, newest)] == [True, False, True]
    with after(hours=24, minutes=59):
        assert is_taken(sender, in_gateway)
    with after(hours=25):
        assert not is_taken(sender, in_gateway), "It goes on until the time it was given, not for another day."
        assert is_taken(sender, newest)


def test_a_third_token_while_two_are_in_use_names_the_one_that_stops_and_asks(world: World, sender: Sender) -> None:
    client, first = world.client("manager"), sender.token
    second = renewed(client, sender).context["token"]
    assert is_taken(sender, second)
    refused = renewed(client, sender)
    assert refused.status_code == 422
    assert f"The former token …{first[-4:]} is still taken and would be refused at once" in refused.content.decode()
    assert "ends_former" in refused.context["form"].fields
    assert is_taken(sender, first)
    assert is_taken(sender, second)
    third = renewed(client, sender, ends_former="on").context["token"]
    assert [is_taken(sender, token) for token in (first, second, third)] == [False, True, True]


def test_a_page_opened_before_the_newest_came_into_use_cuts_nothing_off(world: World, sender: Sender) -> None:
    client, first = world.client("manager"), sender.token
    second = renewed(client, sender).context["token"]
    at = reverse("devices:source_token", args=[sender.source.pk])
    fields = client.get(at).context["form"].initial
    assert is_taken(sender, second)
    assert client.post(at, fields).status_code == 422
    assert [is_taken(sender, token) for token in (first, second)] == [True, True]


def test_the_page_says_which_of_two_tokens_was_used(world: World, sender: Sender) -> None:
    client, first = world.client("manager"), sender.token
    sender.ask("source")
    with after(hours=1):
        second = renewed(client, sender).context["token"]
    with after(hours=2):
        assert is_taken(sender, first)
        page = page_of(client, sender)
        assert "<dt>Last used</dt><dd>not yet</dd>" in page
        assert f"…{first[-4:]}</span>, still taken until" in page
        assert "last used 25 Nov 2026" in page
    with after(hours=3):
        assert is_taken(sender, second)
        assert "this or the former one was last used" in page_of(client, sender)
    with after(hours=26):
        assert "this or the former one was last used" in page_of(client, sender), "The last use is of before the end."
        assert is_taken(sender, second)
        assert "this or the former" not in page_of(client, sender)


def test_a_use_of_the_former_token_says_nothing_of_the_present_one_after_the_former_has_ended(
    world: World, sender: Sender
) -> None:
    client, first = world.client("manager"), sender.token
    with after(hours=1):
        second = renewed(client, sender).context["token"]
    with after(hours=2):
        assert is_taken(sender, first)
    with after(hours=2, seconds=30):
        client.post(reverse("devices:source_former_end", args=[sender.source.pk]), {"reason": "It got about"})
        assert not is_taken(sender, first)
        assert "<dt>Last used</dt><dd>not yet</dd>" in page_of(client, sender)
    with after(hours=2, seconds=40):
        assert is_taken(sender, second), "Within a minute of the former's last use, and noted all the same."
        assert "not yet" not in page_of(client, sender)


def test_that_the_newest_came_into_use_is_written_once_and_costs_nothing_where_there_is_no_former(
    world: World, sender: Sender
) -> None:
    sender.ask("source")
    with CaptureQueriesContext(connection) as alone:
        sender.ask("source")
    assert not [one["sql"] for one in alone if "changerow" in one["sql"]]
    second = renewed(world.client("manager"), sender).context["token"]
    for _ in range(3):
        assert is_taken(sender, second)
    row = ChangeRow.objects.get(verb="take_up_token")
    assert (row.by, row.after) == (None, {"token_hint": second[-4:]})
    with CaptureQueriesContext(connection) as known:
        sender.ask("source")
    assert not [one["sql"] for one in known if "changerow" in one["sql"]]


def test_a_token_that_only_the_former_came_before_is_used_as_soon_as_it_hands_something_over(
    world: World, sender: Sender
) -> None:
    client = world.client("manager")
    assert "<dt>Last used</dt><dd>not yet</dd>" in page_of(client, sender)
    sender.post()
    assert "<dt>Last used</dt><dd>25 Nov 2026" in page_of(client, sender)


def test_the_source_says_make_a_token_only_while_it_has_none(world: World, sender: Sender) -> None:
    client = world.client("manager")
    assert "Have the token put into the gateway" in page_of(client, sender)
    sources.revoke_token(source=sender.source, by=world.manager, at=factories.NOW, reason="lost")
    assert "Make a token, have it put into the gateway" in page_of(client, sender)


def test_the_example_beside_a_new_token_is_that_of_the_page_of_the_source(world: World, sender: Sender) -> None:
    client = world.client("manager")
    named = f'"receiver": "{world.own_receiver.code}"'
    assert named in client.get(sender.source.get_absolute_url()).context["for_programmer"]
    assert named in renewed(client, sender).context["example"]


def test_sources_are_found_by_their_name_customer_or_site(world: World, sender: Sender) -> None:
    other = Sender(world.other, name="Quayside gateway")
    client, listed = world.client("office"), reverse("devices:source_list")
    for words, there, not_there in (
        ("QUAYSIDE", other, sender), (world.own.name, sender, other), (world.own_site.name, sender, other),
    ):  # fmt: skip
        page = client.get(listed, {"q": words}).content.decode()
        assert there.source.name in page
        assert not_there.source.name not in page
    assert "No such source" in client.get(listed, {"q": "nowhere at all"}).content.decode()


def test_a_gateway_is_asked_for_its_customer_after_an_error_as_before(world: World) -> None:
    client, at = world.client("office"), reverse("devices:source_new")
    asked = client.get(f"{at}?kind=api").context["form"]
    given = {"kind": "api", "site": world.own_site.pk, "name": "", "per_minute": "240"}
    again = client.post(at, given).context["form"]
    assert again.errors
    assert asked.fields["customer"].required
    assert again.fields["customer"].required
