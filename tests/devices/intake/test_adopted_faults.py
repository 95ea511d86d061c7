"""What was reported of a unit before it had a slot stands as a fault once it has one."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from devices.actions.adopted_faults import carry_over
from devices.actions.adoption import Adopted, adopt
from devices.actions.slot_settings import Settings
from devices.actions.slots import register_transmitter, remove_transmitter
from devices.models import CheckInDay, Fault, FaultReport, Receiver, Registration, SetAside
from maintenance.models import FindingRecord
from tests.conftest import World
from tests.devices.intake.test_take_batch import clock, event, send
from tests.factories import NOW, make_fitting, make_gateway, make_receiver, make_registration, make_transmitter

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def adopted(source: Any, receiver: Any, office: Any) -> Any:
    """A unit that waited with what it said, adopted."""

    def take(*kinds: str, **over: Any) -> Adopted:
        for hour, kind in enumerate(kinds, 1):
            send(source, event("NEW-1", clock(hour), kind), batch=f"b{hour}", **over)
        return adopt(serial="NEW-1", customer=receiver.customer, by=office, at=NOW)

    return take


def put_in(receiver: Receiver, done: Adopted, **over: Any) -> Registration:
    fields = {"transmitter": done.transmitter, "registered_at": NOW - timedelta(minutes=5)} | over
    return make_registration(receiver, 1, **fields)


def standing() -> list[tuple[str, Any]]:
    return list(Fault.objects.open().order_by("kind").values_list("kind", "raised_at"))


def test_what_was_reported_and_not_taken_back_stands_since_then(adopted: Any, receiver: Any) -> None:
    done = adopted("low_battery", "tamper", "check_in", "trouble", "trouble_restored")
    assert (done.faults, done.has_slot) == (("low_battery", "tamper"), False)
    assert not FaultReport.objects.exists(), "Nobody can say at which receiver yet."
    slot = put_in(receiver, done)
    carry_over(receiver_ids=[receiver.pk], at=NOW)
    assert standing() == [("low_battery", clock(1)), ("tamper", clock(2))]
    assert set(Fault.objects.values_list("registration", "site", "found_by", "source")) == {
        (slot.pk, slot.site_id, "signal", SetAside.objects.earliest("pk").batch.source.name)
    }
    assert not Fault.objects.filter(kind="trouble").exists(), (
        "What was over before it had a slot never was a fault of it."
    )
    assert carry_over(receiver_ids=[receiver.pk], at=NOW) == [], "Looked at again, nothing changes."


def test_its_page_says_what_it_has_reported_until_it_has_a_slot(
    adopted: Any, receiver: Any, client: Any, office: Any
) -> None:
    done = adopted("low_battery", "trouble", "trouble_restored")
    client.force_login(office)

    def page() -> str:
        return client.get(done.transmitter.get_absolute_url()).content.decode()

    assert "<b>low battery</b>. It stands as a fault once the unit is in a slot" in page()
    put_in(receiver, done)
    assert "once the unit is in a slot" not in page()


def test_cells_changed_since_have_ended_the_low_battery(adopted: Any, receiver: Any) -> None:
    done = adopted("low_battery", "tamper")
    make_fitting(done.transmitter, fitted_at=clock(2))
    put_in(receiver, done)
    carry_over(receiver_ids=[receiver.pk], at=NOW)
    assert standing() == [("tamper", clock(2))]


def test_a_missing_stands_unless_the_unit_was_heard_since(adopted: Any, receiver: Any) -> None:
    done = adopted("check_in", "missing")
    put_in(receiver, done)
    CheckInDay.objects.update(last_heard_s=3 * 3600)
    assert carry_over(receiver_ids=[receiver.pk], at=NOW) == []
    CheckInDay.objects.update(last_heard_s=3600)
    carry_over(receiver_ids=[receiver.pk], at=NOW)
    assert standing() == [("missing", clock(2))]


def test_another_receiver_is_not_told_that_the_first_one_misses_it(adopted: Any, receiver: Any) -> None:
    done = adopted("check_in", "missing", receiver=receiver)
    other = make_receiver(receiver.site)
    put_in(other, done)
    assert carry_over(receiver_ids=[other.pk], at=NOW) == []


def test_events_from_before_the_slot_count_also_where_it_is_registered_by_now(
    source: Any, receiver: Any, office: Any
) -> None:
    for hour, kind in enumerate(("low_battery", "tamper", "tamper_restored"), 1):
        send(source, event("NEW-1", clock(hour), kind), batch=f"b{hour}")
    unit = make_transmitter(receiver.customer, serial="new 1")
    make_registration(receiver, 1, transmitter=unit, registered_at=clock(5))
    done = adopt(serial="NEW-1", customer=receiver.customer, by=office, at=NOW)
    assert (done.faults, done.has_slot) == (("low_battery",), True)
    assert standing() == [("low_battery", clock(1))]


def test_what_was_told_at_one_receiver_is_not_told_anew_at_the_next(adopted: Any, receiver: Any) -> None:
    done = adopted("low_battery")
    slot = put_in(receiver, done)
    carry_over(transmitter_ids=[done.transmitter.pk], at=NOW)
    Registration.objects.filter(pk=slot.pk).update(removed_at=NOW)
    other = make_receiver(receiver.site)
    put_in(other, done, registered_at=NOW)
    carry_over(transmitter_ids=[done.transmitter.pk], at=NOW)
    assert list(FaultReport.objects.values_list("receiver", flat=True)) == [receiver.pk]


def test_the_end_that_is_counted_in_a_later_part_ends_it(adopted: Any, receiver: Any) -> None:
    done = adopted("low_battery")
    put_in(receiver, done)
    carry_over(receiver_ids=[receiver.pk], at=NOW)
    later = SetAside.objects.get()
    later.pk, later.kind, later.at = None, "battery_restored", clock(3)
    later.event = later.event | {"kind": "battery_restored", "at": clock(3).isoformat()}
    later.save()
    carry_over(receiver_ids=[receiver.pk], at=NOW)
    assert [row.cleared_at for row in Fault.objects.all()] == [clock(3)]


def test_registering_an_adopted_unit_raises_its_faults_and_findings_at_once(
    world: World, django_capture_on_commit_callbacks: Any
) -> None:
    source, receiver = make_gateway(world.own), make_receiver(world.own_site)
    send(source, event("ZZ-777", clock(1), "low_battery"), event("ZZ-777", clock(2), "tamper", 2))
    event_pk = SetAside.objects.latest("pk").pk
    client = world.client("office")
    page = client.get(reverse("devices:set_aside_detail", args=[event_pk])).content.decode()
    assert "stands as a fault from then on" in page
    answer = client.post(reverse("devices:set_aside_adopt", args=[event_pk]), follow=True).content.decode()
    assert "Reported and not taken back: low battery, tamper." in answer
    unit = SetAside.objects.get(pk=event_pk).transmitter
    settings = Settings(label="Room 9", duty="life_safety", supervision="off")
    with django_capture_on_commit_callbacks(execute=True):
        slot = register_transmitter(
            receiver=receiver, slot=3, transmitter=unit, settings=settings, by=world.office, at=NOW, reason="new"
        )
    assert [kind for kind, _ in standing()] == ["low_battery", "tamper"]
    assert FindingRecord.objects.filter(receiver=receiver, slot=3, code="standing_fault", gone_at=None).exists()
    with django_capture_on_commit_callbacks(execute=True):
        remove_transmitter(registration=slot, by=world.office, at=NOW + timedelta(minutes=1), reason="wrong slot")
    assert standing() == []
