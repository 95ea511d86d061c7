"""A receiver that reaches us by a panel and a gateway, of which one is silent: told as that one, on every page that speaks of it."""

from __future__ import annotations

import html
import re
from datetime import timedelta

import pytest
from django.core.cache import cache
from django.urls import reverse

from devices.models import CheckInDay, Fault, IntakeSource, Receiver
from maintenance.actions.notice_mail import _stands
from tests import factories
from tests.conftest import World
from tests.devices.panels import NUMBER, make_account
from tests.factories import NOW, TODAY

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def fault(world: World) -> Fault:
    """The panel is silent since 09:30; the gateway delivered four minutes ago."""
    receiver = world.own_receiver
    source = factories.make_gateway(world.own, late_after_s=7200, last_used_at=NOW - timedelta(minutes=4))
    Receiver.objects.filter(pk=receiver.pk).update(
        evidence="every", heard_until=NOW - timedelta(minutes=4), fed_by=source
    )
    make_account(receiver, supervised_s=1800, last_message_at=NOW - timedelta(minutes=60))
    CheckInDay.objects.create(
        transmitter_id=world.own_registration.transmitter_id, customer_id=world.own.pk, day=TODAY, expected=10, heard=10,
        last_heard_s=9 * 3600 + 56 * 60,
    )  # fmt: skip
    return Fault.objects.create(
        customer=world.own, site=receiver.site, receiver=receiver, kind="link_lost", found_by="watch",
        raised_at=NOW - timedelta(minutes=30),
    )  # fmt: skip


def text(world: World, who: str, address: str) -> str:
    cache.clear()
    response = world.client(who).get(address)
    assert response.status_code == 200
    page = re.sub(r"<svg.*?</svg>", " ", response.content.decode(), flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())


def slot_map(world: World, who: str = "office") -> str:
    return text(world, who, reverse("devices:slot_map", args=[world.own_receiver.pk]))


def test_the_receivers_page_names_the_silent_way_and_the_one_that_still_comes(world: World, fault: Fault) -> None:
    page = slot_map(world)
    assert "Nothing comes from this receiver by the panel since 09:30; by the gateway it still reaches us." in page
    assert "Nothing comes from this receiver to us" not in page
    assert "nothing by the panel, still heard by the gateway, the receiver, since" in page
    assert "link lost: not known" not in page


def test_once_the_other_way_is_silent_too_nothing_comes(world: World, fault: Fault) -> None:
    fed_by = Receiver.objects.get(pk=world.own_receiver.pk).fed_by
    assert fed_by is not None
    fed_by.last_used_at = NOW - timedelta(hours=3)
    fed_by.save()
    page = slot_map(world)
    assert "Nothing comes from this receiver to us since 09:30" in page
    assert "still reaches us" not in page


def test_a_gateway_that_delivers_of_others_only_is_no_way_by_which_it_still_comes(world: World, fault: Fault) -> None:
    Receiver.objects.filter(pk=world.own_receiver.pk).update(heard_until=NOW - timedelta(days=3))
    IntakeSource.objects.filter(kind="api").update(watermark_at=NOW)
    page = slot_map(world)
    assert "Nothing comes from this receiver to us since 09:30" in page
    assert "still reaches us" not in page


def test_the_page_of_a_slot_is_not_in_doubt(world: World, fault: Fault) -> None:
    page = text(world, "office", reverse("devices:slot_detail", args=[world.own_receiver.pk, 1]))
    assert "what this page shows may be out of date" not in page


def test_the_fault_and_its_mail_say_the_same(world: World, fault: Fault) -> None:
    page = text(world, "office", reverse("maintenance:fault_detail", args=[fault.pk]))
    assert "Nothing comes by the panel any more; by the gateway we still hear from this receiver." in page
    assert "See why the panel has stopped." in page
    assert _stands(fault)[0] == "Nothing comes by the panel any more; by the gateway we still hear from this receiver."


def test_the_portal_says_what_still_arrives_and_gives_no_number_away(world: World, fault: Fault) -> None:
    for address in (
        reverse("maintenance:portal_site", args=[world.own_site.uuid]),
        reverse("maintenance:portal_slot_map", args=[world.own_receiver.code]),
    ):
        page = text(world, "own_user", address)
        assert "by the gateway it still reaches us" in page
        assert "We hear nothing from there" not in page
        assert "link lost" not in page.lower()
        assert NUMBER not in page
