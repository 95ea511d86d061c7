"""Every kind of event has a name on pages and is taken wherever a person may say what a word of a log means."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

import pytest

from devices.forms.event_files import KIND_LABELS
from devices.models import Fault, IntakeBatch
from devices.rules.events import OF_RECEIVER, EventKind
from devices.templatetags.intake_words import WORDS
from tests.conftest import World
from tests.devices.event_log_files import make_source
from tests.devices.test_event_file_pages import checked, detail_url, map_url, taken, uploaded
from tests.devices.test_intake_command import intake

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]
STANDBY = "E302"
"""A published code: the receiver's own battery is low."""


def log_of(world: World, words: Mapping[str, str]) -> str:
    """Two rows of each word, about the receiver or about a transmitter as its kind is."""
    unit = world.own_registration.transmitter.serial  # type: ignore[union-attr]
    rows = [
        f"2026-11-21 {hour:02}:{half}0,{world.own_receiver.code},{'' if kind in OF_RECEIVER else unit},{word}"
        for hour, (word, kind) in enumerate(words.items())
        for half in (0, 3)
    ]
    return "\n".join(["Time,Receiver,Serial,Event", *rows, ""])


def words_of_their_own() -> dict[str, str]:
    """A word for each kind that is no published code and that nobody can guess."""
    return {f"zq{'abcdefghijklmnopqrstuvwxyz'[n]}": str(kind) for n, kind in enumerate(EventKind)}


def test_every_kind_has_its_own_name_to_choose_and_words_on_pages() -> None:
    assert set(KIND_LABELS) == set(EventKind)
    assert len({str(label) for label in KIND_LABELS.values()}) == len(EventKind)
    assert set(WORDS) == set(EventKind)


def test_words_that_mean_any_kind_go_through_the_pages(world: World) -> None:
    client, words = world.client("office"), words_of_their_own()
    upload = uploaded(client, log_of(world, words).encode())
    shown = [one.shown for one in client.get(map_url(upload)).context["form"].words]
    page = checked(client, upload, **{f"word_{at}": words[word.casefold()] for at, word in enumerate(shown)})
    assert page.status_code == 200
    assert dict(page.context["kinds"]) == dict.fromkeys(KIND_LABELS.values(), 2)
    rows = client.get(map_url(upload)).context["understood"]
    assert [row.kind for row in rows] == [str(KIND_LABELS[kind]) for kind in EventKind for _half in (0, 3)][: len(rows)]


@pytest.mark.parametrize("kind", ["standby_low", "standby_restored", "link_test"])
def test_the_first_rows_of_a_log_are_shown_whatever_they_raise_or_end(world: World, kind: str) -> None:
    client = world.client("office")
    upload = uploaded(client, log_of(world, {"zqa": kind}).encode())
    checked(client, upload, word_0=kind)
    rows = client.get(map_url(upload)).context["understood"]
    assert [row.kind for row in rows] == [str(KIND_LABELS[kind])] * 2


def test_words_that_mean_any_kind_go_through_the_command(world: World, tmp_path: Path) -> None:
    make_source(name="Bay")
    path, words = tmp_path / "log.csv", words_of_their_own()
    path.write_text(log_of(world, words))
    told = intake(str(path), "--source", "Bay", "--map", json.dumps({"words": words}), "--dry-run")
    assert [label for label in KIND_LABELS.values() if f"  {label}: 2\n" not in told] == []


def test_a_log_with_a_low_standby_battery_is_shown_and_taken_without_a_choice(world: World) -> None:
    client = world.client("office")
    upload = uploaded(client, log_of(world, {STANDBY: "standby_low"}).encode())
    assert "standby battery low" in client.get(map_url(upload)).content.decode()
    assert "standby battery low" in checked(client, upload).content.decode()
    assert "2 rows were taken in" in taken(client, upload).content.decode()
    assert client.get(detail_url(upload)).status_code == 200
    assert Fault.objects.get(cleared_at=None).kind == "receiver_standby"


def test_words_of_a_standby_battery_are_taken_as_proposed_where_the_command_may(world: World, tmp_path: Path) -> None:
    make_source(name="Bay")
    path = tmp_path / "log.csv"
    path.write_text(log_of(world, {"System battery low": "standby_low"}))
    assert "Taken in: 2 rows" in intake(str(path), "--source", "Bay", "--accept-words")
    assert IntakeBatch.objects.get().n_taken == 2
