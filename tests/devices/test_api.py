"""The slot map for programs."""

from datetime import timedelta

import pytest
from django.urls import reverse

from tests.factories import NOW, TODAY

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def frozen(time_machine):
    time_machine.move_to(NOW, tick=False)


def test_a_slot_map_is_read_as_of_any_day(world):
    url = reverse("devices:slot_map_json", args=[world.own_receiver.code])
    client = world.client("office")
    now = client.get(url).json()
    assert (now["as_of"], now["version"], len(now["slots"])) == (TODAY.isoformat(), 1, 64)
    first = now["slots"][0]
    assert (first["state"], first["transmitter"]) == ("taken", world.own_registration.transmitter.serial)
    assert first["outputs"] == [{"output": 1, "behaviour": "latching", "pulse_s": None}]
    before = client.get(url, {"on": str(TODAY - timedelta(days=500))}).json()
    assert {slot["state"] for slot in before["slots"]} == {"spare"}


def test_it_is_the_offices_and_asks_for_a_known_code(world):
    url = reverse("devices:slot_map_json", args=[world.own_receiver.code])
    assert world.client("own_user").get(url).status_code == 404
    assert world.client("technician").get(url).status_code == 404
    assert world.client("office").get(reverse("devices:slot_map_json", args=["NOSUCHCODE"])).status_code == 404


def test_a_day_that_cannot_be_shown_is_refused(world):
    client = world.client("office")
    answer = client.get(f"/api/receivers/{world.own_receiver.code}/slot-map/?on=1900-01-01")
    assert answer.status_code == 400
    assert "1900-01-01" in answer.json()["detail"]
    assert client.get(f"/receivers/{world.own_receiver.pk}/slot-map.csv?on=garbage").status_code == 400
    assert "This is today" in client.get(f"/receivers/{world.own_receiver.pk}/?on=garbage").content.decode()
