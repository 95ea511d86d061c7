"""A fault's page: saying that it is over, with a reason and taken back; from whom it is known; when it was last heard."""

from __future__ import annotations

from datetime import timedelta

import pytest

from company.models import ChangeRow
from devices.actions.fault_events import Signal, record_signals
from devices.actions.rollups import record_days
from devices.models import Fault
from devices.rules.day_merge import DayRow
from devices.rules.presence import mask_of_quarters
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


def test_a_fault_known_from_two_sources_says_of_each_when_it_reached_us(world):
    row = world.own_registration
    for source, at, received in (("gateway 7", NOW - 2 * HOUR, NOW - HOUR), ("desk", NOW - 3 * HOUR, NOW - HOUR / 2)):
        signal = Signal(
            kind="trouble", at=at, customer_id=row.customer_id, site_id=row.site_id, receiver_id=row.receiver_id,
            registration_id=row.pk, transmitter_id=row.transmitter_id,
        )  # fmt: skip
        record_signals(signals=[signal], source=source, at=received)
    fault = Fault.objects.get()
    assert (fault.raised_at, fault.source, fault.recorded_at) == (NOW - 3 * HOUR, "gateway 7", NOW - HOUR)
    text = text_of(world.client("office").get(url("fault_detail", fault.pk)))
    text = text[text.index("What happened") :]
    steps = ("Reported by desk.", "2 h later, from gateway 7", "from desk as well")
    places = [text.index(words) for words in steps]
    assert places == sorted(places)


def test_what_is_missing_says_when_it_was_last_heard(world):
    fault = make_fault(world.own_registration)
    page = url("fault_detail", fault.pk)
    assert "Last heard" not in text_of(world.client("office").get(page))
    day = (NOW - timedelta(days=2)).date()
    record_days([DayRow(fault.transmitter_id, day, presence=mask_of_quarters([3]), last_heard_s=3000, interval_s=3600)])
    assert "Last heard</dt><dd>23 Nov 2026, 00:50" in text_of(world.client("office").get(page))
