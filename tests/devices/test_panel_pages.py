"""Pages of panels: connecting, keys that are never shown, unknown numbers, the offer of better evidence."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from django.conf import settings
from django.urls import reverse

from company.sealed import unseal
from devices.actions.panel_frames import KeyRing, take_frame
from devices.models import ListenerState, PanelAccount, PanelStranger, SetAside
from tests import factories
from tests.devices.panels import KEY, NOW, event, make_account, sound

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

HEX = KEY.hex()


def text(answer) -> str:
    return answer.content.decode()


def new_panel(world, who="office", **over):
    data = {
        "site": world.own_site.pk,
        "number": "#ab12",
        "receiver": "",
        "zone_of_slot_1": "101",
        "every_min": "1500",
        "note": "",
    }
    return world.client(who).post(reverse("devices:panel_new"), data | over, follow=True)


def test_a_panel_is_connected_in_the_words_of_its_manual(world):
    answer = new_panel(world)
    account = PanelAccount.objects.get()
    assert (account.number, account.slot_offset, account.supervised_s) == ("AB12", 100, 90_000)
    assert "zone 101 is slot 1, zone 112 is slot 12" in text(answer)
    assert "Undo" in text(answer)


def test_a_manager_enters_the_key_once_and_nobody_sees_it_again(world):
    answer = new_panel(world, "manager", key=" ".join(HEX[n : n + 4] for n in range(0, 32, 4)))
    assert bytes.fromhex(unseal(PanelAccount.objects.get().key_cipher)) == KEY
    edit = world.client("manager").get(reverse("devices:panel_edit", args=[PanelAccount.objects.get().pk]))
    listed = world.client("manager").get(reverse("devices:panel_list"))
    for page in (answer, edit, listed):
        assert HEX not in text(page)
        assert HEX[:8] not in text(page)
    assert "Only messages with this key are taken" in text(answer)


def test_a_refused_form_does_not_give_the_key_back(world):
    answer = new_panel(world, "manager", key=HEX, number="x")
    assert answer.status_code == 422
    assert HEX not in text(answer)


def test_a_key_of_another_length_is_refused_with_what_to_do(world):
    answer = new_panel(world, "manager", key="00" * 15)
    assert answer.status_code == 422
    assert "32, 48 or 64 hex digits" in text(answer)
    assert not PanelAccount.objects.exists()


def test_the_office_connects_without_a_key(world):
    assert 'name="key"' not in text(world.client("office").get(reverse("devices:panel_new")))
    new_panel(world, "office", key=HEX)
    assert PanelAccount.objects.get().key_cipher is None


def test_the_key_is_set_replaced_and_taken_out_by_a_manager_only(world):
    account = make_account(world.own_receiver)
    url = reverse("devices:panel_key", args=[account.pk])
    assert world.client("office").post(url, {"key": HEX}).status_code == 404
    manager = world.client("manager")
    assert manager.post(url, {"key": HEX}).status_code == 302
    account.refresh_from_db()
    assert bytes.fromhex(unseal(account.key_cipher)) == KEY
    manager.post(reverse("devices:panel_key_drop", args=[account.pk]))
    account.refresh_from_db()
    assert account.key_cipher is None


def test_a_number_in_use_is_refused_with_where_it_is(world):
    make_account(world.other_receiver)
    answer = new_panel(world)
    assert answer.status_code == 422
    assert world.other_site.name in text(answer)


def test_a_receiver_of_another_site_is_refused_at_its_field(world):
    answer = new_panel(world, receiver=str(world.other_receiver.pk))
    assert answer.status_code == 422
    assert "is at another site" in text(answer)


@pytest.mark.parametrize(
    ("name", "value"), [("zone_of_slot_1", "x"), ("zone_of_slot_1", "99999"), ("every_min", "0"), ("every_min", "nan")]
)
def test_figures_that_cannot_be_are_refused(world, name, value):
    assert new_panel(world, **{name: value}).status_code == 422


def test_a_change_from_an_old_page_says_so_and_keeps_what_was_typed(world):
    account = make_account(world.own_receiver)
    client, url = world.client("office"), reverse("devices:panel_edit", args=[account.pk])
    seen = client.get(url).context["form"].initial["seen"]
    PanelAccount.objects.update(note="quicker")
    answer = client.post(url, {"number": "AB12", "receiver": "", "zone_of_slot_1": "1", "note": "mine", "seen": seen})
    assert answer.status_code == 422
    assert "changed after you opened the page" in text(answer)
    assert 'value="mine"' in text(answer)


def test_closing_offers_to_take_it_back(world):
    account = make_account(world.own_receiver)
    client = world.client("office")
    answer = client.post(reverse("devices:panel_close", args=[account.pk]), follow=True)
    assert "Undo" in text(answer)
    assert "Its number counts as unknown" in text(answer)
    client.post(reverse("devices:panel_reopen", args=[account.pk]))
    account.refresh_from_db()
    assert account.closed_at is None


def test_an_unknown_number_is_one_click_from_its_site(world):
    stranger = PanelStranger.objects.create(
        number="9A9A", first_at=NOW, last_at=NOW, n_frames=3, last_peer="192.0.2.7", example='"NULL"0000L0#9A9A[]<b>'
    )
    client = world.client("office")
    listed = text(client.get(reverse("devices:panel_list")))
    url = reverse("devices:panel_new") + "?number=9A9A"
    assert url in listed
    assert "&lt;b&gt;" in listed
    assert 'value="9A9A"' in text(client.get(url))
    client.post(reverse("devices:stranger_dismiss", args=[stranger.pk]))
    assert "9A9A" not in text(client.get(reverse("devices:panel_list"))).split("toast")[0]


@pytest.mark.parametrize(("minutes", "words"), [(None, "nothing heard yet"), (5, "fresh"), (15, "link lost")])
def test_the_link_is_judged_by_the_last_message(world, minutes, words):
    last = NOW - timedelta(minutes=minutes) if minutes else None
    make_account(world.own_receiver, supervised_s=600, last_message_at=last)
    assert words in text(world.client("office").get(reverse("devices:panel_list")))


def test_better_evidence_is_offered_and_never_taken_silently(world):
    account = make_account(world.own_receiver, last_message_at=NOW)
    client = world.client("office")
    url = reverse("devices:panel_detail", args=[account.pk])
    assert "still judged by visits only" in text(client.get(url))
    world.own_receiver.refresh_from_db()
    assert world.own_receiver.evidence == "visits"
    answer = client.post(reverse("devices:panel_evidence", args=[account.pk]), follow=True)
    world.own_receiver.refresh_from_db()
    assert world.own_receiver.evidence == "exceptions"
    assert "Undo" in text(answer)
    assert "still judged by visits only" not in text(answer)


def test_a_panel_not_heard_for_a_week_is_no_reason_to_offer(world):
    account = make_account(world.own_receiver, last_message_at=NOW - timedelta(days=8))
    page = world.client("office").get(reverse("devices:panel_detail", args=[account.pk]))
    assert "still judged by visits only" not in text(page)


@pytest.mark.parametrize(
    ("beat_s", "stopped", "words"), [(5, False, "running"), (60, False, "gone without a word"), (5, True, "stopped")]
)
def test_the_state_of_the_listener_is_told(world, beat_s, stopped, words):
    state = ListenerState.objects.create(
        bind="127.0.0.1:9009", started_at=NOW - timedelta(hours=1), beat_at=NOW - timedelta(seconds=beat_s),
        stopped_at=NOW if stopped else None, counts={"frames": 4711, "bad_checksum": 12, "half": 3, "repeated": 9},
    )  # fmt: skip
    client = world.client("office")
    listed = text(client.get(reverse("devices:panel_list")))
    assert words in listed
    assert "4711" in listed
    assert ">15</td>" in listed
    assert "Wrong checksum" in text(client.get(reverse("devices:listener_detail", args=[state.pk])))


def test_without_a_listener_the_page_says_how_to_start_one(world):
    page = text(world.client("office").get(reverse("devices:panel_list")))
    assert "manage.py listen --bind 127.0.0.1:9009" in page
    assert "No panel reports yet" in page


@pytest.mark.parametrize(("beat_s", "stopped"), [(60, False), (5, True)])
def test_where_no_listener_runs_any_more_the_page_says_how_to_start_it_again(world, beat_s, stopped):
    ListenerState.objects.create(
        bind="10.0.0.5:9010", started_at=NOW - timedelta(hours=1), beat_at=NOW - timedelta(seconds=beat_s),
        stopped_at=NOW if stopped else None,
    )  # fmt: skip
    page = text(world.client("office").get(reverse("devices:panel_list")))
    assert "No listener is running" in page
    assert "manage.py listen --bind 10.0.0.5:9010" in page, "on the address where the panels look for it"
    assert "docker compose up -d listener" in page


def test_while_one_listener_runs_nobody_is_told_to_start_one(world):
    for bind, beat_s in (("127.0.0.1:9009", 1), ("127.0.0.1:9010", 600)):
        ListenerState.objects.create(bind=bind, started_at=NOW, beat_at=NOW - timedelta(seconds=beat_s))
    assert "manage.py listen" not in text(world.client("office").get(reverse("devices:panel_list")))


@pytest.mark.parametrize("paper", ["README.md", "docker-compose.yml"])
@pytest.mark.parametrize("word", ["manage.py listen --bind", "listener", "WATCH_EVERY_S"])
def test_whoever_sets_the_program_up_finds_the_listener_and_how_often_is_looked(paper, word):
    assert word in (Path(settings.BASE_DIR) / paper).read_text()


def test_a_panel_whose_receiver_is_not_clear_says_what_to_do(world):
    account = make_account(world.own_receiver, receiver=None)
    world.own_receiver.removed_at = NOW
    world.own_receiver.save()
    page = text(world.client("office").get(reverse("devices:panel_detail", args=[account.pk])))
    assert "It is not clear which receiver it reports for." in page


def test_of_several_receivers_one_must_be_chosen_in_form_and_list(world):
    factories.make_receiver(world.own_site)
    answer = new_panel(world)
    assert answer.status_code == 422
    assert "This site has 2 receivers. Choose the one it reports for." in text(answer)
    make_account(world.own_receiver, receiver=None)
    assert "not clear: choose it" in text(world.client("office").get(reverse("devices:panel_list")))


def test_a_message_is_told_on_its_batch_and_set_aside_under_its_panel(world):
    factories.make_receiver(world.own_site)
    account = make_account(world.own_receiver, receiver=None)
    take_frame(frame=sound(event()), peer="192.0.2.7", at=NOW, keys=KeyRing(), chance=bytes(31))
    client, aside = world.client("office"), SetAside.objects.get()
    assert "384 new 00, zone 001" in text(client.get(reverse("devices:batch_detail", args=[aside.batch_id])))
    assert "panel AB12" in text(client.get(reverse("devices:set_aside_list")))
    page = text(client.get(reverse("devices:set_aside_detail", args=[aside.pk])))
    assert reverse("devices:panel_edit", args=[account.pk]) in page
    assert f"It is {world.own_receiver}" in page
