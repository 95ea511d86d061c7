"""The supervision adviser's page: figures from the slot's own record, honest where there is none, one click to plan and to undo."""

from __future__ import annotations

import html
import re
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from company.models.firm import RiskPolicy
from devices.models import CheckInDay, LinkWatch, PlannedChange, Receiver, Registration
from maintenance.actions.findings import refresh_findings
from maintenance.models import FindingRecord
from tests.conftest import World
from tests.factories import NOW, TODAY

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def heard(of: Registration, *, lost: int, runs: int, n: int = 60, **over: Any) -> None:
    CheckInDay.objects.bulk_create(
        CheckInDay(
            **(
                {
                    "transmitter_id": of.transmitter_id, "day": TODAY - timedelta(days=i + 1), "expected": 24,
                    "customer_id": of.customer_id, "heard": 24 - lost, "loss_runs": runs, "last_heard_s": 80_000,
                }
                | over
            )
        )
        for i in range(n)
    )  # fmt: skip


@pytest.fixture
def slot(world: World) -> Registration:
    Receiver.objects.filter(pk=world.own_receiver.pk).update(evidence="every", heard_until=NOW)
    RiskPolicy.objects.filter(duty="life_safety").update(longest_window_s=None)
    return world.own_registration


def url(of: Registration, name: str = "window_advice") -> str:
    return reverse(f"maintenance:{name}", args=[of.receiver_id, of.slot])


def text_of(client: Client, address: str) -> str:
    response = client.get(address)
    assert response.status_code == 200
    return words(response.content.decode())


def words(page: str) -> str:
    text = re.sub(r"<svg.*?</svg>", " ", page, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).split())


def plan(client: Client, of: Registration, window_s: Any, version: Any = None, reason: str = "") -> Any:
    version = Receiver.objects.get(pk=of.receiver_id).version if version is None else version
    return client.post(url(of, "window_plan"), {"window_s": window_s, "version": version, "reason": reason})


def test_a_window_that_cries_wolf_is_told_with_how_often_and_a_better_one(world: World, slot: Registration) -> None:
    heard(slot, lost=2, runs=1)
    text = text_of(world.client("office"), url(slot))
    assert "Set the window to 24 h." in text
    # 2 of 24 lost, 2 in a row: .0833 / 2 × .5² × 8766 a year at 4 h.
    assert "The window in use, 4 h: would call a sound transmitter missing more than once a year." in text
    assert "about 91 a year" in text
    assert "60 days of its own record: 120 of 1,440 check-ins were lost, 8.3 in 100" in text
    assert "Losses came 2.0 in a row on average" in text


def test_the_picture_says_what_the_table_says(world: World, slot: Registration) -> None:
    heard(slot, lost=2, runs=1)
    page = world.client("office").get(url(slot)).content.decode()
    (desc,) = re.findall(r'<desc id="windows-d">(.*?)</desc>', page)
    for one in desc.split("; "):
        assert html.unescape(one.split(": ")[1]) in words(page)
    assert "4 h (in use): about 91 a year" in desc


def test_a_quiet_window_may_stay_and_nothing_is_offered(world: World, slot: Registration) -> None:
    heard(slot, lost=0, runs=0)
    page = world.client("office").get(url(slot)).content.decode()
    assert "The window of 4 h may stay." in words(page)
    assert "button--main" not in page.partition('id="h-windows"')[0].partition('id="h-advice"')[2]


def test_where_the_duty_asks_for_a_short_window_a_better_path_comes_first(world: World, slot: Registration) -> None:
    heard(slot, lost=2, runs=1)
    RiskPolicy.objects.filter(duty="life_safety").update(longest_window_s=14400, source_note="agreed with the owner")
    text = text_of(world.client("office"), url(slot))
    assert "a better path first" in text
    assert "repeater" in text
    assert "asked by: agreed with the owner" in text
    assert "longer than the duty asks" in text


@pytest.mark.parametrize(("evidence", "said"), [("exceptions", "only faults reach us"), ("visits", "only visits tell")])
def test_where_check_ins_do_not_reach_us_it_says_what_cannot_be_known(
    world: World, slot: Registration, evidence: str, said: str
) -> None:
    heard(slot, lost=2, runs=1)
    Receiver.objects.filter(pk=slot.receiver_id).update(evidence=evidence)
    text = text_of(world.client("office"), url(slot))
    assert "nobody can know" in text
    assert said in text
    assert " a year" not in text.replace("once a year", "")


def test_too_short_a_record_is_said(world: World, slot: Registration) -> None:
    heard(slot, lost=2, runs=1, n=9)
    text = text_of(world.client("office"), url(slot))
    assert "too little of its own record" in text
    assert "On record: 9 days" in text


def test_a_record_of_a_year_is_taken_where_three_months_hold_too_little(world: World, slot: Registration) -> None:
    heard(slot, lost=0, runs=0, n=300, expected=1, heard=1)
    assert "300 days of its own record" in text_of(world.client("office"), url(slot))


def test_without_an_interval_or_a_transmitter_it_says_what_to_do(world: World, slot: Registration) -> None:
    Registration.objects.filter(pk=slot.pk).update(interval_s=None)
    assert "Enter its check-in interval" in text_of(world.client("office"), url(slot))
    Registration.objects.filter(pk=slot.pk).update(transmitter=None)
    assert "Nobody knows which transmitter" in text_of(world.client("office"), url(slot))


def test_a_weak_link_is_seen_to_first(world: World, slot: Registration) -> None:
    heard(slot, lost=2, runs=1)
    LinkWatch.objects.create(
        transmitter=slot.transmitter, customer=slot.customer, registration=slot, judged_on=TODAY, amber_since=TODAY,
        share_before=0.97, share_now=0.8,
    )  # fmt: skip
    page = world.client("office").get(url(slot)).content.decode()
    text = words(page)
    assert "This link is weak just now." in text
    assert "button--main" not in page.partition('id="h-windows"')[0].partition('id="h-advice"')[2]
    assert "says nothing about the cells; take a reading" in text


def test_one_click_plans_the_window_and_one_takes_it_back(world: World, slot: Registration) -> None:
    heard(slot, lost=2, runs=1)
    client = world.client("office")
    response = plan(client, slot, 86400)
    assert response.status_code == 302
    made = PlannedChange.objects.open().get(receiver=slot.receiver_id, slot=1)
    assert (made.kind, made.wanted["settings"]["window_s"], made.wanted["settings"]["supervision"]) == (
        "change",
        86400,
        "on",
    )
    assert made.wanted["settings"]["outputs"] == [[1, "latching", None]]
    assert made.reason == f"{made.planned_by.name}: 24 h, as its own record of check-ins suggests"
    slot.refresh_from_db()
    assert slot.window_s == 14400, "only planned"
    page = client.get(url(slot)).content.decode()
    said = words(page)
    assert "Planned for this slot already: Change the settings. Supervision: missing after 24 h." in said
    assert made.reason in said
    assert f"planned by {made.planned_by.name}, " in said
    assert url(slot, "window_plan") not in page
    (undo,) = re.findall(r'action="(/[^"]*undo[^"]*)"', page)[:1]
    client.post(undo)
    assert not PlannedChange.objects.open().exists()


def limited(slot: Registration, longest_s: int = 14400) -> None:
    RiskPolicy.objects.filter(duty="life_safety").update(longest_window_s=longest_s, source_note="own suggestion")


def test_a_window_longer_than_the_duty_asks_is_planned_only_with_a_reason(world: World, slot: Registration) -> None:
    heard(slot, lost=2, runs=1)
    limited(slot)
    client = world.client("office")
    assert 'name="reason" required maxlength="120"' in client.get(url(slot)).content.decode()
    for reason in ("", "   ", "x" * 121):
        response = plan(client, slot, 86400, reason=reason)
        assert response.status_code == 422
        assert not PlannedChange.objects.exists()
    assert "at most 120 characters" in words(response.content.decode())
    response = plan(client, slot, 86400)
    assert "24 h goes against what is asked of this slot. Give the reason" in words(response.content.decode())
    assert plan(client, slot, 86400, reason="agreed with the fire officer on 3 November").status_code == 302
    made = PlannedChange.objects.get()
    name = made.planned_by.name
    assert made.reason == f"{name}: 24 h though at most 4 h is asked: agreed with the fire officer on 3 November"


def test_what_was_typed_stays_when_it_is_refused(world: World, slot: Registration) -> None:
    heard(slot, lost=2, runs=1)
    limited(slot)
    page = plan(world.client("office"), slot, 86400, reason="y" * 121).content.decode()
    assert f'value="{"y" * 121}"' in page
    assert "<details open>" in page


def test_a_window_chosen_against_the_advice_is_the_persons_own(world: World, slot: Registration) -> None:
    heard(slot, lost=0, runs=0)
    plan(world.client("office"), slot, 86400)
    made = PlannedChange.objects.get()
    assert made.reason == f"{made.planned_by.name}: 24 h, chosen on seeing its record of check-ins"


@pytest.fixture
def pendant(slot: Registration) -> Registration:
    Registration.objects.filter(pk=slot.pk).update(is_portable=True)
    heard(slot, lost=2, runs=1)
    limited(slot)
    return slot


def test_for_what_leaves_the_site_the_page_and_the_finding_say_the_same(world: World, pendant: Registration) -> None:
    text = text_of(world.client("office"), url(pendant))
    assert "It leaves the site: supervision off is right for it." in text
    assert "Set the window" not in text
    assert "No longest window is set" not in text
    assert "nobody can tell a lost check-in from one sent out of range" in text
    assert "were lost" not in text
    assert "at most 4 h is asked (suggested by this software until a manager sets a figure)" in text
    refresh_findings(receivers=[pendant.receiver_id], at=NOW)
    codes = set(FindingRecord.objects.open().values_list("code", flat=True))
    assert "portable_supervised" in codes
    assert "nuisance_faults" not in codes


def test_supervision_off_is_planned_in_one_click_for_what_leaves_the_site(world: World, pendant: Registration) -> None:
    page = world.client("office").get(url(pendant)).content.decode()
    assert "Plan supervision off for the next visit" in words(page)
    assert plan(world.client("office"), pendant, 0).status_code == 302
    made = PlannedChange.objects.get()
    assert made.wanted["settings"]["supervision"] == "off"
    assert made.reason == f"{made.planned_by.name}: supervision off, since it leaves the site"


def test_a_window_for_what_leaves_the_site_needs_a_reason(world: World, pendant: Registration) -> None:
    client = world.client("office")
    assert plan(client, pendant, 86400).status_code == 422
    assert plan(client, pendant, 86400, reason="it is kept in the lodge").status_code == 302
    assert "24 h though it leaves the site: it is kept in the lodge" in PlannedChange.objects.get().reason


def test_the_faults_on_record_stand_beside_the_figures(world: World, slot: Registration) -> None:
    heard(slot, lost=2, runs=1)
    client = world.client("office")
    assert "has called it missing is not on record" in text_of(client, url(slot))
    Receiver.objects.filter(pk=slot.receiver_id).update(judged_until=NOW)
    Registration.objects.filter(pk=slot.pk).update(registered_at=NOW - timedelta(days=61))
    text = text_of(client, url(slot))
    assert "On record with the window in use: no missing fault since 26 September" in text
    assert "How often 4 h would call a sound transmitter missing here cannot be told." in text
    assert "Set the window" not in text


def test_of_close_check_ins_the_page_says_what_quarter_hours_leave_open(world: World, slot: Registration) -> None:
    Registration.objects.filter(pk=slot.pk).update(interval_s=60)
    heard(slot, lost=1, runs=1, expected=96, heard=95)
    text = text_of(world.client("office"), url(slot))
    assert "60 days of its own record: 60 of 5,760 quarter hours were lost" in text
    assert "windows under 30 min it cannot judge" in text
    assert "quarter hours</td>" not in text
    assert " 239 " in text, "check-ins lost in a row for 4 h, not quarter hours"


def test_a_double_click_plans_once_and_says_so(world: World, slot: Registration) -> None:
    client = world.client("office")
    version = Receiver.objects.get(pk=slot.receiver_id).version
    plan(client, slot, 86400, version)
    again = plan(client, slot, 86400, version)
    assert again.status_code == 422
    assert PlannedChange.objects.count() == 1


@pytest.mark.parametrize("window_s", ["", "0", "999", "-3600", "9" * 40, "abc"])
def test_a_window_that_is_not_offered_changes_nothing(world: World, slot: Registration, window_s: str) -> None:
    response = plan(world.client("office"), slot, window_s)
    assert response.status_code == 422
    assert "Choose one of the windows that this receiver offers." in words(response.content.decode())
    assert not PlannedChange.objects.exists()


def test_a_slot_map_overtaken_since_is_refused_with_what_to_do(world: World, slot: Registration) -> None:
    Receiver.objects.filter(pk=slot.receiver_id).update(version=9)
    response = plan(world.client("office"), slot, 86400, 3)
    assert response.status_code == 422
    assert 'role="alert"' in response.content.decode()
    assert not PlannedChange.objects.exists()


def test_a_technician_reads_but_does_not_plan(world: World, slot: Registration) -> None:
    heard(slot, lost=2, runs=1)
    client = world.client("technician")
    page = client.get(url(slot, "tech_window_advice")).content.decode()
    assert "Set the window to 24 h." in words(page)
    assert url(slot, "window_plan") not in page
    assert plan(client, slot, 86400).status_code == 404


def test_a_spare_slot_and_a_strangers_receiver_are_not_found(world: World, slot: Registration) -> None:
    client = world.client("office")
    assert client.get(reverse("maintenance:window_advice", args=[slot.receiver_id, 2])).status_code == 404
    assert client.get(reverse("maintenance:window_advice", args=[99_999, 1])).status_code == 404
    assert world.client("own_user").get(url(slot)).status_code == 404


def test_the_slot_page_leads_there(world: World, slot: Registration) -> None:
    for who, name, prefix in (
        ("office", "window_advice", "devices:"),
        ("technician", "tech_window_advice", "devices:tech_"),
    ):
        page = world.client(who).get(reverse(f"{prefix}slot_detail", args=[slot.receiver_id, 1])).content.decode()
        assert url(slot, name) in page
        assert reverse("maintenance:check_in_strip", args=[slot.transmitter_id]) in page
