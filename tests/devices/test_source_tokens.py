"""Tokens of sources: one that has ended never comes back, whatever page is sent again."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from devices.actions import sources
from devices.models import IntakeSource
from tests import factories
from tests.conftest import World
from tests.devices.senders import Sender

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def source(world: World) -> IntakeSource:
    return IntakeSource.objects.create(name="Gateway A", customer=world.own, site=world.own_site)


def fields_of(client: Client, source: IntakeSource) -> dict[str, Any]:
    fields: dict[str, Any] = client.get(reverse("devices:source_token", args=[source.pk])).context["form"].initial
    return fields


def made(client: Client, source: IntakeSource, fields: dict[str, Any]) -> Any:
    return client.post(reverse("devices:source_token", args=[source.pk]), fields)


def end(client: Client, source: IntakeSource) -> None:
    answer = client.post(reverse("devices:source_revoke", args=[source.pk]), {"reason": "It got about"})
    assert answer.status_code == 302


def test_the_page_that_made_the_first_token_does_not_bring_it_back_once_it_has_ended(
    world: World, source: IntakeSource
) -> None:
    client = world.client("manager")
    fields = fields_of(client, source)
    token = made(client, source, fields).context["token"]
    end(client, source)
    answer = made(client, source, fields)
    assert answer.status_code == 422
    assert "that one has ended" in answer.content.decode()
    assert sources.source_of(token, factories.NOW) is None
    assert made(client, source, fields_of(client, source)).context["token"] != token


def test_nor_does_it_after_a_second_token_was_made_and_both_have_ended(world: World, source: IntakeSource) -> None:
    client = world.client("manager")
    pages = [fields_of(client, source)]
    made(client, source, pages[0])
    pages.append(fields_of(client, source))
    made(client, source, pages[1])
    end(client, source)
    for fields in pages:
        assert made(client, source, fields).status_code == 422
    source.refresh_from_db()
    assert source.token_sha256 == ""


def test_a_page_that_made_nothing_yet_makes_none_after_another_token_came_and_went(
    world: World, source: IntakeSource
) -> None:
    client = world.client("manager")
    waiting = fields_of(client, source)
    made(client, source, fields_of(client, source))
    end(client, source)
    assert made(client, source, waiting).status_code == 422


def test_the_key_of_one_source_makes_no_token_for_another(world: World, source: IntakeSource) -> None:
    client, other = world.client("manager"), Sender(world.own).source
    fields = fields_of(client, source) | {"seen": fields_of(client, other)["seen"]}
    answer = made(client, other, fields)
    assert answer.status_code == 422
    assert "for another source" in answer.content.decode()
