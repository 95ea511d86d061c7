"""Saying on a fault's page that it is over: a reason is needed, the story tells it, and it can be taken back."""

from __future__ import annotations

import pytest

from company.models import ChangeRow
from devices.models import Fault
from tests.factories import NOW
from tests.maintenance.views.test_faults import HOUR, make_fault, of_receiver, text_of, url

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

WHY = "mains is back, 12.7 V"


@pytest.mark.parametrize(("who", "name"), [("office", "fault_detail"), ("technician", "tech_fault_detail")])
def test_it_ends_with_a_reason_that_the_story_tells_and_stands_again_when_taken_back(world, who, name):
    fault, client = of_receiver(world.own_receiver, "receiver_power"), world.client(who)
    assert "How do you know" in text_of(client.get(url(name, fault.pk)))
    answer = client.post(url("fault_over", fault.pk), {"reason": WHY}, follow=True)
    text = text_of(answer)
    assert answer.redirect_chain[-1][0] == url(name, fault.pk)
    change = ChangeRow.objects.get(verb="say_fault_over")
    assert f"{change.by.name}: {WHY} (after 60 min)" in text
    assert "Ended: somebody made sure that it is over" in text
    assert "Reported over" not in text
    assert "How do you know" not in text
    assert Fault.objects.get().cleared_at == NOW
    undo = f"/changes/{change.pk}/undo/"
    assert undo in text
    client.post(undo)
    assert Fault.objects.get().cleared_at is None


def test_without_a_reason_the_page_comes_back_with_what_is_missing(world):
    fault = of_receiver(world.own_receiver, "receiver_power")
    answer = world.client("office").post(url("fault_over", fault.pk), {"reason": "  "})
    assert answer.status_code == 422
    assert "Say why it is over" in text_of(answer)
    assert Fault.objects.get().cleared_at is None


def test_a_low_battery_says_that_a_change_of_cells_ends_it(world):
    fault = make_fault(world.own_registration, "low_battery")
    client = world.client("office")
    text = text_of(client.get(url("fault_detail", fault.pk)))
    assert "over when its cells are changed" in text
    assert "How do you know" not in text
    assert client.post(url("fault_over", fault.pk), {"reason": WHY}).status_code == 422
    assert Fault.objects.get().cleared_at is None


def test_pressed_again_it_says_that_it_is_over(world):
    fault = of_receiver(world.own_receiver, "receiver_power", cleared_at=NOW - HOUR / 2)
    answer = world.client("office").post(url("fault_over", fault.pk), {"reason": WHY})
    assert answer.status_code == 422
    assert "It is over already" in text_of(answer)


def test_a_technician_does_not_end_what_is_not_there_for_anybody(world):
    assert world.client("technician").post(url("fault_over", 999_999), {"reason": WHY}).status_code == 404
