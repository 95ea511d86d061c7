"""What the forms of a slot ask, warn of and refuse before anything is saved."""

from __future__ import annotations

import pytest
from django.urls import reverse

from company.models import ChangeRow, RiskPolicy
from devices.models import Receiver, Registration, Transmitter
from devices.rules import legality
from devices.rules.findings_facts import SupervisionAsk
from tests import factories

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]
NOW = factories.NOW
WARNING = "24 h is longer than the 4 h that the firm"


@pytest.fixture
def policy(world):
    RiskPolicy.objects.update_or_create(
        duty="life_safety",
        defaults={
            "longest_window_s": 14400, "p_dead": 0.01, "p_call": 0.05, "grace_days": 7, "calendar_cap_days": 700,
        },
    )  # fmt: skip


def settings(**over):
    return {
        "label": "Room 1", "area": "", "duty": "life_safety", "window": "86400", "interval_s": "3600", "contact": "no",
        "input_number": "1", "note": "", "reason": "quieter", "at": "", "version": "1",
    } | over  # fmt: skip


def text(answer):
    return answer.content.decode()


# ------------------------------------------------------------------------------------------ longer than the policy

ASKS = (SupervisionAsk("life_safety", True, 14400), SupervisionAsk("convenience", False, None))


@pytest.mark.parametrize(
    ("duty", "window_s", "is_portable", "warned"),
    [
        ("life_safety", 43200, False, True),
        ("life_safety", 14400, False, False),
        ("life_safety", 43200, True, False),
        ("life_safety", None, False, False),
        ("convenience", 43200, False, False),
        ("security", 43200, False, False),
    ],
)
def test_a_window_over_the_policy_is_a_warning_and_no_refusal(duty, window_s, is_portable, warned) -> None:
    wanted = legality.SlotSetting(1, window_s=window_s, duty=duty, is_portable=is_portable)
    found = legality.problems(wanted, legality.ReceiverLimits(), asks=ASKS)
    assert [(one.code, one.is_warning) for one in found] == ([("window_over_duty", True)] if warned else [])


def test_the_change_form_says_the_limit_before_and_warns_after(world, policy) -> None:
    client = world.client("office")
    url = reverse("devices:slot_change", args=[world.own_receiver.pk, 1])
    assert "At most by the firm&#x27;s policy: life safety 4 h" in text(client.get(url))
    answer = client.post(url, settings(), follow=True)
    assert WARNING in text(answer)
    assert Registration.objects.open().get(receiver=world.own_receiver).window_s == 86400


def test_the_plan_form_warns_of_it(world, policy) -> None:
    url = reverse("devices:slot_plan", args=[world.own_receiver.pk, 1])
    assert WARNING in text(world.client("office").post(url, settings(), follow=True))


def test_the_preview_of_many_slots_warns_of_it(world, policy) -> None:
    data = {
        "slots": [world.own_registration.pk], "window": "86400", "reason": "quieter", "step": "look",
        "versions": f"{world.own_receiver.pk}:{world.own_receiver.version}",
    }  # fmt: skip
    page = text(world.client("office").post(reverse("devices:receiver_bulk", args=[world.own_receiver.pk]), data))
    assert WARNING in page
    assert 'value="save"' in page


# ------------------------------------------------------------------------------------------ move: where to


def move(world, **over):
    url = reverse("devices:slot_move", args=[world.own_receiver.pk, 1])
    return world.client("office").get(url, {"to_receiver": world.own_receiver.pk} | over)


@pytest.mark.parametrize(
    ("to_slot", "words"), [(999, "It has slots 1 to"), (1, "stands in this slot already"), (5, "Slot 5 is taken by")]
)
def test_a_move_to_a_slot_that_cannot_be_is_refused_at_once(world, to_slot, words) -> None:
    factories.make_registration(world.own_receiver, 5)
    answer = move(world, to_slot=to_slot)
    assert answer.status_code == 422
    assert words in text(answer)


def test_a_spare_slot_leads_on_to_its_settings(world) -> None:
    answer = move(world, to_slot=6)
    assert answer.status_code == 200
    assert 'name="window"' in text(answer)


@pytest.mark.parametrize("name", ["slot_move", "slot_plan"])
def test_this_receiver_is_chosen_and_those_of_its_site_come_first(world, name) -> None:
    site = factories.make_site(customer=world.own_site.customer, name="AAA first by name")
    far = factories.make_receiver(site)
    near = factories.make_receiver(world.own_site)
    url = reverse(f"devices:{name}", args=[world.own_receiver.pk, 1])
    page = text(world.client("office").get(url, {"kind": "move"}))
    assert f'<option value="{world.own_receiver.pk}" selected>' in page
    assert page.index(f'<option value="{near.pk}"') < page.index(f'<option value="{far.pk}"')


# ------------------------------------------------------------------------------------------ register: nothing silent


def register(world, **over):
    url = reverse("devices:slot_register", args=[world.own_receiver.pk, 9])
    data = settings(serial="SK-90909", type="unknown", window="unknown", label="Room 9") | over
    return world.client("office").post(url, data)


@pytest.mark.parametrize("name", ["type", "window"])
def test_a_new_transmitter_is_not_registered_before_type_and_window_are_said(world, name) -> None:
    answer = register(world, **{name: ""})
    assert answer.status_code == 422
    assert not Transmitter.objects.filter(serial="SK-90909").exists()
    page = text(world.client("office").get(reverse("devices:slot_register", args=[world.own_receiver.pk, 9])))
    assert '<option value="" selected>choose …</option>' in page


def test_not_known_can_be_said_of_both(world) -> None:
    assert register(world).status_code == 302
    row = Registration.objects.get(receiver=world.own_receiver, slot=9)
    assert (row.transmitter.type, row.supervision, row.window_s) == (None, "unknown", None)


def test_a_serial_on_record_needs_no_type(world) -> None:
    spare = factories.make_transmitter(customer=world.own_site.customer)
    assert register(world, serial=spare.serial, type="").status_code == 302


def test_a_taken_slot_that_nobody_knows_needs_no_type(world) -> None:
    assert register(world, serial="", type="").status_code == 302
    assert Registration.objects.get(receiver=world.own_receiver, slot=9).transmitter is None


# ------------------------------------------------------------------------------------------ proving a swap


def test_a_unit_whose_swap_was_taken_back_is_not_proved_any_more(world) -> None:
    client, old = world.client("office"), world.own_receiver
    data = {"type": old.type_id, "serial": "RX-9", "reason": "burnt", "version": old.version}
    client.post(reverse("devices:receiver_swap", args=[old.pk]), data)
    unit = Receiver.objects.get(replaces=old)
    client.post(reverse("company:change_undo", args=[ChangeRow.objects.get(verb="swap_receiver").pk]))
    page = text(client.get(reverse("devices:receiver_progress", args=[unit.pk])))
    works = reverse("devices:output_works", args=[unit.pk, 1])
    assert works not in page
    assert reverse("devices:slot_map", args=[old.pk]) in page
    for url in (works, reverse("devices:receiver_registered", args=[unit.pk, 1])):
        answer = client.post(url, {"seen_by": "nurse"})
        assert answer.status_code == 422
        assert "hangs there no more" in text(answer)
    assert unit.outputs.get(number=1).test_again_since is not None
