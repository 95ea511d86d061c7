"""Pages of receivers and slots ask the database as often for many slots as for few."""

from datetime import timedelta

import pytest
from django.urls import reverse

from devices.models import Output, Receiver
from tests.devices.test_pages import due
from tests.factories import NOW, make_fitting, make_output, make_receiver, make_registration

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def frozen(time_machine):
    time_machine.move_to(NOW, tick=False)


@pytest.fixture
def office(world):
    return world.client("office")


def count(client, url):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    client.get(url)
    with CaptureQueriesContext(
        connection,
    ) as queries:
        assert client.get(url).status_code == 200
    return len(queries)


def fill(receiver, n):
    output = make_output(receiver, 3)
    for slot in range(10, 10 + n):
        row = make_registration(receiver, slot, outputs=[(output, "follower", None)])
        due(row, make_fitting(row.transmitter), slot)


@pytest.mark.parametrize("name", ["slot_map", "slot_heard"])
def test_a_page_of_one_receiver_takes_the_same_queries_for_1_and_50_slots(world, office, name):
    url = reverse(f"devices:{name}", args=[world.own_receiver.pk])
    before = count(office, url)
    fill(world.own_receiver, 50)
    assert count(office, url) == before


def test_the_panel_of_a_site_takes_the_same_queries_for_1_and_4_receivers(world, office):
    url = reverse("devices:site_receivers", args=[world.own_site.pk])
    Receiver.objects.filter(pk=world.own_receiver.pk).update(evidence="every")
    before = count(office, url)
    for _ in range(3):
        fill(make_receiver(world.own_site, evidence="every"), 3)
    assert count(office, url) == before


def test_the_list_takes_the_same_queries_for_3_and_23_receivers(world, office):
    url = reverse("devices:receiver_list")
    make_receiver(world.own_site)
    before = count(office, url)
    for _ in range(20):
        make_receiver(world.own_site)
    assert count(office, url) == before


def test_the_history_of_a_slot_takes_the_same_queries_however_long(world, office):
    url = world.own_registration.get_absolute_url()
    before = count(office, url)
    output = Output.objects.get(receiver=world.own_receiver)
    for back in range(1, 9):
        make_registration(
            world.own_receiver, 1, registered_at=NOW - timedelta(days=500 + back),
            removed_at=NOW - timedelta(days=500 + back - 1), outputs=[(output, "follower", None)],
            transmitter=world.own_registration.transmitter,
        )  # fmt: skip
    assert count(office, url) == before
