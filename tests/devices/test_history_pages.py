"""Pages of history: a slot's and a transmitter's whole life, what changed between two days, registering again, undo."""

from __future__ import annotations

import html
import re
import uuid
from dataclasses import replace as other
from datetime import date, timedelta
from typing import Any

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from company import undo
from company.models import ChangeRow
from devices.actions.away import end_away, start_away
from devices.actions.batteries import fit_battery
from devices.actions.slot_settings import settings_of
from devices.actions.slots import (
    ask_to_register_again,
    change_slot,
    mark_registered,
    move_transmitter,
    register_transmitter,
)
from devices.models import Away, Fault, Receiver, Registration
from maintenance.models import Entry, WalkTest
from tests import factories
from tests.conftest import World
from tests.factories import NOW

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]
DAY = timedelta(days=1)


def text(response: Any) -> str:
    """What a person reads: tags out, blanks folded."""
    assert response.status_code == 200, response.status_code
    bare = re.sub(r"<(style|script|svg)\b.*?</\1>", " ", response.content.decode(), flags=re.DOTALL)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", bare)))


def slot_page(world: World, who: str = "office", slot: int = 1, query: str = "") -> str:
    url = reverse("devices:slot_detail", args=[world.own_receiver.pk, slot])
    return text(world.client(who).get(url + query))


def changed(world: World, **over: Any) -> Registration:
    """The own slot with another window, by somebody with a name, two days ago."""
    ingrid = factories.make_user("office", name="Ingrid Okafor")
    row = world.own_registration
    facts = {"settings": other(settings_of(row), window_s=3600), "by": ingrid, "at": NOW - 2 * DAY, "reason": "shorter"}
    return change_slot(registration=row, **(facts | over))


def undo_url(client: Client, url: str) -> str:
    """Where the button in the message of the page posts to."""
    found = re.search(r'class="toast__undo" method="post" action="([^"]+)"', client.get(url).content.decode())
    assert found, "The message offers no Undo."
    return found.group(1)


# ------------------------------------------------------------------------------------------------ one slot


def test_when_a_slot_was_changed_and_by_whom_stands_at_the_top(world: World) -> None:
    changed(world)
    assert "Last changed 23 Nov 2026, 10:00 by Ingrid Okafor (slot changed): shorter" in slot_page(world)


def test_a_slot_that_only_an_import_knows_says_that_nobody_is_on_record(world: World) -> None:
    assert "who entered it is not on record" in slot_page(world)
    assert "Never used" in slot_page(world, slot=9)


def test_the_story_tells_what_differed_line_by_line(world: World) -> None:
    changed(world)
    page = slot_page(world)
    assert "Settings changed" in page
    assert "Supervision: missing after 4 h → missing after 60 min" in page
    assert "Ingrid Okafor: shorter" in page


def test_the_story_tells_words_marks_cells_absences_and_faults(world: World) -> None:
    row = world.own_registration
    office = world.office
    change_slot(
        registration=row, settings=other(settings_of(row), label="Room 1a"), by=office, at=NOW - 9 * DAY, reason="typo"
    )
    ask_to_register_again(registration=row, by=office, at=NOW - 8 * DAY, reason="jumper moved")
    mark_registered(registration=row, by=office, at=NOW - 7 * DAY)
    fit_battery(
        transmitter=row.transmitter, battery_type=factories.battery_type(), by=office, at=NOW - 6 * DAY, lot="L-77",
        removed_why="low_battery", removed_v=2.31,
    )  # fmt: skip
    away = start_away(
        registration=row, from_on=date(2026, 11, 20), agreed_until_on=None, agreed_with="matron", interim="rounds",
        by=office, at=NOW - 5 * DAY, reason="in hospital",
    )  # fmt: skip
    end_away(away=away, ended_on=date(2026, 11, 22), by=office, at=NOW - 3 * DAY)
    Fault.objects.create(
        customer=row.customer, site=row.site, receiver=row.receiver, registration=row, transmitter=row.transmitter,
        kind="tamper", raised_at=NOW - 2 * DAY, cleared_at=NOW - DAY,
    )  # fmt: skip
    page = slot_page(world)
    for words in (
        "Words corrected", "place: Room 1 → Room 1a", "To be registered again", "jumper moved", "Registered again",
        "Cells fitted 1 × CR2450, lot L-77", "Cells taken out 1 × CR2450: low-battery signal, 2.31 V",
        "Away agreed with matron. Meanwhile: rounds", "in hospital", "Back", "Fault: tamper", "Fault over: tamper",
    ):  # fmt: skip
        assert words in page, words
    order = [page.index(words) for words in ("Fault over", "Away agreed", "Cells fitted 1 ×", "Words corrected")]
    assert order == sorted(order), "Newest first."


def test_a_move_is_told_at_both_ends(world: World) -> None:
    move_transmitter(
        registration=world.own_registration, to_receiver=world.own_receiver, to_slot=5,
        settings=settings_of(world.own_registration), by=world.office, at=NOW - DAY, reason="new bed",
    )  # fmt: skip
    assert "Moved away" in slot_page(world)
    assert f"Moved here {world.own_registration.transmitter} from {world.own_receiver}, slot 1" in slot_page(
        world, slot=5
    )


def test_cells_of_another_slot_are_no_part_of_this_story(world: World) -> None:
    serial = world.own_registration.transmitter
    move_transmitter(
        registration=world.own_registration, to_receiver=world.own_receiver, to_slot=5,
        settings=settings_of(world.own_registration), by=world.office, at=NOW - 9 * DAY, reason="new bed",
    )  # fmt: skip
    fit_battery(transmitter=serial, battery_type=factories.battery_type(), by=world.office, at=NOW - DAY, lot="L-99")
    assert "L-99" not in slot_page(world)
    assert "L-99" in slot_page(world, slot=5)


def test_older_moments_fold_away_but_are_there(world: World) -> None:
    row = world.own_registration
    for n in range(25):
        ask_to_register_again(registration=row, by=world.office, at=NOW - (60 - 2 * n) * DAY, reason=f"touch {n}")
        mark_registered(registration=row, by=world.office, at=NOW - (59 - 2 * n) * DAY)
    page = slot_page(world)
    # The beginning and the first cells of the unit are moments too.
    assert re.search(r"3\d older", page)
    assert "touch 0 " in page


def test_what_was_taken_back_is_told_as_such_and_shown_as_in_force_on_no_day(world: World) -> None:
    client = world.client("office")
    url = reverse("devices:slot_register", args=[world.own_receiver.pk, 7])
    answer = client.post(url, form_of(client, url) | {"serial": "SK-88001", "label": "Room 7", "reason": "new"})
    client.post(undo_url(client, answer.url))
    page = slot_page(world, slot=7)
    assert "taken back" in page
    assert "Nothing is registered here." in page
    assert "Put SK-88001 back" not in page
    assert "in force then" not in slot_page(world, slot=7, query="?on=2026-11-24")


def test_after_a_change_is_taken_back_the_page_shows_what_is_in_force(world: World) -> None:
    changed(world, at=NOW)
    undo.undo(change=ChangeRow.objects.get(verb="change_slot"), by=world.office, at=NOW + timedelta(minutes=1))
    with time_machine.travel(NOW + timedelta(minutes=2), tick=False):
        page = slot_page(world)
    now, _, story = page.partition("Everything that stood here")
    assert "Supervision missing after 4 h" in now
    assert "60 min" not in now.partition("Cells fitted")[0].replace("Checks in every 60 min", "")
    assert "Settings changed taken back" in story
    assert "Put back" not in story
    assert "Taken back slot changed supervision window: 60 min → 4 h" in story


def form_of(client: Client, url: str) -> dict[str, str]:
    """Fields of a settings form as the page offers them."""
    page = client.get(url).content.decode()
    version = re.search(r'name="version" value="(\d+)"', page)
    assert version
    return {
        "version": version.group(1), "type": str(factories.transmitter_type().pk), "duty": "security", "window": "14400",
        "contact": "unknown", "input_number": "1",
    }  # fmt: skip


# ------------------------------------------------------------------------------------------------ undo from the message


def test_each_change_of_a_slot_can_be_taken_back_from_its_message(world: World) -> None:
    client = world.client("office")
    row = world.own_registration
    was = settings_of(row)

    def post(name: str, slot: int = 1, **data: Any) -> None:
        url = reverse(f"devices:{name}", args=[world.own_receiver.pk, slot])
        version = Receiver.objects.get(pk=world.own_receiver.pk).version
        answer = client.post(url, {"version": version, "reason": "slip"} | data)
        assert answer.status_code == 302, re.findall(r"role=.alert.*?</div>", answer.content.decode(), re.DOTALL)
        back = client.post(undo_url(client, answer.url))
        assert back.status_code == 302
        open_rows = list(Registration.objects.open().filter(receiver=world.own_receiver))
        assert [one.pk for one in open_rows] == [row.pk], name
        assert settings_of(open_rows[0]) == was, name
        assert open_rows[0].register_again_since is None, name

    form = {
        "label": "Other", "duty": "security", "window": "3600", "contact": "unknown", "input_number": "1",
        "interval_s": "3600",
    }  # fmt: skip
    post("slot_change", **form)
    post("slot_remove")
    post("slot_again")
    post("slot_move", **form, to_receiver=world.own_receiver.pk, to_slot=9)
    post("slot_away", from_on="2026-11-25", agreed_with="matron", agreed_until_on="", interim="")
    assert not Away.objects.filter(ended_on=None).exists()


def test_a_technician_takes_back_a_slip_from_the_phone(world: World) -> None:
    client = world.client("technician")
    url = reverse("devices:tech_slot_remove", args=[world.own_receiver.pk, 1])
    answer = client.post(url, {"version": world.own_receiver.version, "reason": "wrong button"})
    here = answer.url
    back = client.post(undo_url(client, here), headers={"referer": f"http://testserver{here}"})
    assert back.url == here
    assert Registration.objects.open().filter(pk=world.own_registration.pk).exists()


def test_a_slip_that_somebody_has_built_on_is_refused_in_words(world: World) -> None:
    client = world.client("office")
    url = reverse("devices:slot_remove", args=[world.own_receiver.pk, 1])
    answer = client.post(url, {"version": world.own_receiver.version, "reason": "wrong button"})
    button = undo_url(client, answer.url)
    register_transmitter(
        receiver=world.own_receiver, slot=1, transmitter=factories.make_transmitter(world.own),
        settings=settings_of(world.own_registration), by=world.manager, at=NOW, reason="new resident",
    )  # fmt: skip
    page = text(client.post(button, follow=True, headers={"referer": f"http://testserver{answer.url}"}))
    assert f"{world.manager.name} changed the same record later" in page


# ------------------------------------------------------------------------------------------------ next free, again


def test_registering_from_a_receiver_begins_with_the_next_free_slot(world: World) -> None:
    client = world.client("office")
    factories.make_registration(world.own_receiver, 2)
    answer = client.get(reverse("devices:register_next", args=[world.own_receiver.pk]))
    assert answer.url == reverse("devices:slot_register", args=[world.own_receiver.pk, 3])
    assert "The next spare one is slot 4" in text(client.get(answer.url))


def test_after_registering_the_next_slot_is_offered(world: World) -> None:
    client = world.client("office")
    url = reverse("devices:slot_register", args=[world.own_receiver.pk, 2])
    answer = client.post(url, form_of(client, url) | {"serial": "SK-88002", "label": "Room 2", "reason": "new"})
    assert "Register the next: slot 3" in text(client.get(answer.url))
    assert "Register the next" not in slot_page(world, slot=2)


def test_a_full_receiver_says_so(world: World) -> None:
    Receiver.objects.filter(pk=world.own_receiver.pk).update(n_slots=1)
    answer = world.client("office").get(reverse("devices:register_next", args=[world.own_receiver.pk]), follow=True)
    assert "No slot is spare here" in text(answer)


def waiting(world: World) -> list[Registration]:
    rows = [world.own_registration, *(factories.make_registration(world.own_receiver, slot) for slot in (2, 3))]
    for row in rows:
        ask_to_register_again(registration=row, by=world.office, at=NOW - DAY, reason="receiver swapped")
    return rows


def test_registering_again_is_one_tap_for_each_with_progress(world: World) -> None:
    waiting(world)
    client = world.client("technician")
    url = reverse("devices:tech_register_again", args=[world.own_receiver.pk])
    assert "0 of 3 registered again" in text(client.get(url))
    page = text(client.post(url, {"slot": "2"}, follow=True))
    assert "1 of 3 registered again" in page
    assert f"Slot 2 , Room 2 25 Nov 2026, 10:00 by {world.technician.name}" in page
    assert Registration.objects.get(receiver=world.own_receiver, slot=2).register_again_since is None


def test_the_tap_can_be_taken_back(world: World) -> None:
    waiting(world)
    client = world.client("technician")
    url = reverse("devices:tech_register_again", args=[world.own_receiver.pk])
    answer = client.post(url, {"slot": "2"})
    client.post(undo_url(client, answer.url))
    assert "0 of 3 registered again" in text(client.get(url))


@pytest.mark.parametrize("slot", ["", "99", "x", "²", "-1"])
def test_a_tap_on_nothing_is_refused(world: World, slot: str) -> None:
    waiting(world)
    url = reverse("devices:register_again", args=[world.own_receiver.pk])
    assert "Nothing stands in that slot" in text(world.client("office").post(url, {"slot": slot}, follow=True))


def test_a_second_tap_says_that_it_is_done(world: World) -> None:
    waiting(world)
    url = reverse("devices:register_again", args=[world.own_receiver.pk])
    client = world.client("office")
    client.post(url, {"slot": "2"})
    assert "does not need to be registered again" in text(client.post(url, {"slot": "2"}, follow=True))
    assert ChangeRow.objects.filter(verb="mark_registered").count() == 1


def test_the_receiver_page_can_fetch_the_progress_alone(world: World) -> None:
    waiting(world)
    url = reverse("devices:register_again", args=[world.own_receiver.pk])
    part = world.client("office").get(url, headers={"HX-Request": "true"})
    assert "0 of 3 registered again" in text(part)
    assert "<html" not in part.content.decode()


def test_nothing_to_register_again_says_when_something_would_stand_here(world: World) -> None:
    url = reverse("devices:register_again", args=[world.own_receiver.pk])
    assert "Nothing to register again" in text(world.client("office").get(url))


# ------------------------------------------------------------------------------------------------ visits in a slot


def test_visits_and_walk_tests_of_a_slot_are_told_whatever_stood_there(world: World) -> None:
    visit = factories.make_visit(world.own_site, state="finished", finished_at=NOW - 9 * DAY)
    for kind, facts in (("walk_test", {}), ("note", {"text": "Cover was loose."})):
        entry = Entry.objects.create(
            key=uuid.uuid4(), customer=world.own, visit=visit, receiver=world.own_receiver,
            registration=world.own_registration, kind=kind, made_at=NOW - 9 * DAY, by=world.technician, facts=facts,
            sha256="0" * 64,
        )  # fmt: skip
        if kind == "walk_test":
            WalkTest.objects.create(
                customer=world.own, entry=entry, visit=visit, registration=world.own_registration, at=NOW - 9 * DAY,
                heard=True, margin_db=18,
            )  # fmt: skip
    changed(world)
    url = reverse("maintenance:slot_work_panel", args=[world.own_receiver.pk, 1])
    page = text(world.client("office").get(url))
    assert "Walk test : heard at the output, margin 18 dB" in page
    assert "Note : Cover was loose." in page
    assert (
        url
        in world.client("office").get(reverse("devices:slot_detail", args=[world.own_receiver.pk, 1])).content.decode()
    )
    # The technician was not on that visit: it is told, not linked.
    phone = world.client("technician").get(url).content.decode()
    assert "Cover was loose." in phone
    assert reverse("maintenance:tech_visit", args=[visit.pk]) not in phone
    assert (
        world.client("office").get(reverse("maintenance:slot_work_panel", args=[world.own_receiver.pk, 0])).status_code
        == 404
    )
