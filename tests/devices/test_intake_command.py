"""`manage.py intake`: event logs without a browser, where nobody looks on."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.urls import reverse

from company.models import ChangeRow, Job, Upload
from devices.models import CheckInDay, IntakeBatch, Registration
from tests.conftest import World
from tests.devices.event_log_files import make_source
from tests.devices.test_event_files import log_of, registration, serial_of

__all__ = ["registration"]
pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def intake(*args: str, code: int = 0) -> str:
    """What the command prints; `code` is how it must end."""
    out = io.StringIO()
    if not code:
        call_command("intake", *args, stdout=out)
        return out.getvalue()
    with pytest.raises(CommandError) as ended:
        call_command("intake", *args, stdout=out)
    assert ended.value.returncode == code, ended.value
    return out.getvalue() + str(ended.value)


@pytest.fixture
def log(tmp_path: Path, registration: Registration) -> Path:
    path = tmp_path / "log.csv"
    path.write_text(log_of(serial_of(registration), 1, 2))
    return path


def test_the_command_takes_a_file_in_and_says_what_came_of_it(log: Path) -> None:
    source = make_source(name="Bay Monitoring")
    assert "Taken in: 24 rows" in intake(str(log), "--source", "bay monitoring")
    assert CheckInDay.objects.count() == 2
    source.refresh_from_db()
    assert source.column_map["columns"]["serial"]["head"] == "serial", "What was chosen is remembered."
    assert "All of it was here already" in intake(str(log), "--source", source.name)


def test_a_dry_run_takes_nothing(log: Path) -> None:
    make_source(name="Bay")
    said = intake(str(log), "--source", "Bay", "--dry-run")
    assert "24 to take" in said
    assert "dry run" in said
    assert not IntakeBatch.objects.exists()


def test_the_command_ends_with_1_where_rows_were_refused(log: Path) -> None:
    make_source(name="Bay")
    log.write_text(log.read_text() + "never,AB-1,check-in\n")
    assert "row 26" in intake(str(log), "--source", "Bay", code=1)
    assert IntakeBatch.objects.get().n_taken == 24


def test_a_figure_that_is_no_good_is_told_of_and_no_row_is_refused(tmp_path: Path, registration: Registration) -> None:
    make_source(name="Bay")
    log, serial = tmp_path / "log.csv", serial_of(registration)
    log.write_text(f"Time,Serial,Event,Volts\n2026-11-03 10:00,{serial},check-in,99\n")
    said = intake(str(log), "--source", "Bay")
    assert "Give battery_v between 0 and 20 [V], or leave it out. (1)" in said
    assert "Taken in: 1 rows; set aside 0, refused 0" in said


@pytest.mark.parametrize(
    ("body", "args", "words"),
    [
        ("Time,Serial,Event\n03/11/2026 10:00,AB-1,E384\n", [], "Day and month cannot be told apart"),
        ("Time,Serial,Event\n2026-13-03 10:00,AB-1,E384\n", [], "No row of this file would be taken"),
        ("Time,Serial,Event\n", [], "no row under its headings"),
        ("Time,Serial,Event\n2026-11-03 10:00,AB-1,E384\n", ["--map", "{"], "no JSON"),
        ("Time,Serial,Event\n2026-11-03 10:00,AB-1,E384\n", ["--map", '{"colour": 1}'], "knows no “colour”"),
        ("Time,Serial,Event\n2026-11-03 10:00,AB-1,E384\n", ["--map", '{"columns": {"serial": "Unit"}}'], "has no column “Unit”"),
        ("Time,Serial,Event\n2026-11-03 10:00,AB-1,E384\n", ["--map", '{"words": {"E384": "flat"}}'], "no kind of event “flat”"),
        ("", [], "is empty"),
        ("%PDF-1.7", [], "a PDF"),
        ("Time,Serial\n2026-11-03 10:00,AB-1\n", [], "No column looks like codes or words"),
        ("Serial,Event\nAB-1,E384\n", [], "No column looks like a time"),
    ],
)  # fmt: skip
def test_the_command_ends_with_2_and_says_what_to_do_where_nothing_was_taken(
    tmp_path: Path, body: str, args: list[str], words: str
) -> None:
    make_source(name="Bay")
    path = tmp_path / "log.csv"
    path.write_text(body)
    assert words in intake(str(path), "--source", "Bay", *args, code=2)
    assert not IntakeBatch.objects.exists()


def test_an_unknown_source_is_told_with_those_that_there_are(log: Path) -> None:
    make_source(name="Bay")
    assert "“Bay”" in intake(str(log), "--source", "Boy", code=2)
    assert "There is no file" in intake("nothing.csv", "--source", "Bay", code=2)


def test_choices_go_with_the_command_by_heading_or_number(tmp_path: Path, registration: Registration) -> None:
    make_source(name="Bay")
    path = tmp_path / "log.csv"
    path.write_text(f"Remark,Stamp,Who\nBlinks,03/11/2026 10:00,{serial_of(registration)}\n")
    chosen = (
        '{"columns": {"time": "stamp", "serial": 3, "event": "Remark"}, "time_format": "mdy", "zone": "UTC", '
        '"words": {"BLINKS": "low_battery"}}'
    )
    assert "Taken in: 1 rows" in intake(str(path), "--source", "Bay", "--map", chosen)
    batch = IntakeBatch.objects.get()
    assert f"{batch.from_at:%Y-%m-%d %H:%M}" == "2026-03-11 10:00"
    path.write_text(path.read_text() + f"blinks,04/11/2026 11:00,{serial_of(registration)}\n")
    assert "Taken in: 2 rows" in intake(str(path), "--source", "Bay"), "Remembered, it needs no --map."


def test_a_log_may_come_by_standard_input(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make_source(name="Bay")
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=io.BytesIO(log.read_bytes())))
    assert "Taken in: 24 rows" in intake("-", "--source", "Bay")


# --- choices that cannot be used ---------------------------------------------------------------------------------------

WRONG = [
    ({"zone": "Mars/X"}, "“Mars/X” is none of the choices"), ({"slot_offset": "x"}, "slot_offset must be a whole number"),
    ({"slot_offset": 99_999}, "Give at most 9000"), ({"others": "zzz"}, "There are refuse, ignore"),
    ({"receiver_code": "NOPE"}, "no receiver “NOPE”"), ({"columns": [1]}, "columns must be an object"),
    ({"columns": {"serial": "Time"}}, "chosen twice"), ({"words": [1]}, "words must be an object"),
    ({"words": {"E384": 5}}, "no kind of event “5”"), ({"head_row": "x"}, "head_row must be a whole number"),
    ({"head_row": -1}, "from 0 on"), ({"time_format": "dym"}, "There are iso, dmy"), ({"every_row": "bang"}, "There are check_in"),
    ({"sheet": "May"}, "no sheet “May”"), ({"zone": None}, "zone must be text"), ({"columns": {"time": [1]}}, "has no column"), ({"words": {"a\0": "tamper"}}, "cannot be printed"), ([1], "must be a JSON object"),
]  # fmt: skip


def test_choices_that_are_no_json_end_with_2(log: Path, tmp_path: Path) -> None:
    make_source(name="Bay")
    (tmp_path / "map.json").write_bytes(b"\xff\xfe\x00")
    for given in (str(tmp_path / "map.json"), "zone=" + "x" * 400, "[" * 100_000):
        assert "--map is no JSON" in intake(str(log), "--source", "Bay", "--map", given, code=2)


@pytest.mark.parametrize("is_dry", [True, False])
@pytest.mark.parametrize(("given", "words"), WRONG)
def test_a_choice_that_cannot_be_used_ends_with_2_and_keeps_nothing(
    log: Path, given: Any, words: str, is_dry: bool
) -> None:
    if isinstance(given, dict) and given.get("columns") == {"serial": "Time"}:
        given = {"columns": {"serial": "Time", "time": "Time"}}
    source = make_source(name="Bay")
    before = source.column_map
    args = ["--dry-run"] if is_dry else []
    assert words in intake(str(log), "--source", "Bay", "--map", json.dumps(given), *args, code=2)
    source.refresh_from_db()
    assert source.column_map == before
    assert not Upload.objects.exists()


def test_a_dry_run_keeps_neither_choices_nor_file_nor_job(log: Path) -> None:
    source = make_source(name="Bay")
    before = source.column_map
    intake(str(log), "--source", "Bay", "--dry-run", "--map", '{"zone": "Asia/Tokyo"}')
    source.refresh_from_db()
    assert source.column_map == before
    assert not any(model.objects.exists() for model in (Upload, Job, IntakeBatch, ChangeRow))


BROKEN: list[tuple[dict[str, Any], str]] = [
    ({"zone": "Mars/X"}, "the time zone"), ({"slot_offset": "x"}, "the number of the first zone"), ({"receiver_code": "NOPE"}, "the receiver"),
    ({"columns": [1]}, "the columns"), ({"columns": {"time": 1}}, "the columns"), ({"words": [1]}, "some words"),
    ({"words": {"check-in": "bang"}}, "some words"), ({"time_format": 5}, "the form of the times"), ({"every_row": "bang"}, "every row is"),
]  # fmt: skip


@pytest.mark.parametrize(("kept", "words"), BROKEN)
def test_a_source_that_remembers_what_cannot_be_used_asks_again_on_its_page(
    world: World, log: Path, kept: dict[str, Any], words: str
) -> None:
    from company import jobs
    from tests.devices.event_log_files import hand_over
    from tests.devices.test_event_file_pages import checked

    source = make_source(name="Bay", column_map={"zone": "Europe/London"} | kept)
    upload = hand_over(source, log.read_text(), by=world.office)
    client = world.client("office")
    page = client.get(reverse("devices:event_file_map", args=[upload.uuid]))
    assert page.status_code == 200
    assert "was left aside" in page.content.decode()
    assert words in page.content.decode()
    over = {"zone": "Europe/London"}
    assert checked(client, upload, **over).context["seen"]["n_events"] == 24
    jobs.run_ready()
    source.refresh_from_db()
    again = hand_over(source, log.read_text() + "\n", by=world.office)
    page = client.get(reverse("devices:event_file_map", args=[again.uuid])).content.decode()
    assert "was left aside" not in page, "What was chosen anew took its place."


@pytest.mark.parametrize(("kept", "words"), [one for one in BROKEN if "words" not in one[0]])
def test_and_stops_without_a_browser(log: Path, kept: dict[str, Any], words: str) -> None:
    make_source(name="Bay", column_map={"zone": "Europe/London"} | kept)
    assert words in intake(str(log), "--source", "Bay", code=2)
    assert not Upload.objects.exists()


def test_it_goes_on_once_the_command_says_what_holds_in_its_place(log: Path) -> None:
    source = make_source(name="Bay", column_map={"zone": "Mars/X"})
    assert "Taken in: 24 rows" in intake(str(log), "--source", "Bay", "--map", '{"zone": "UTC"}')
    source.refresh_from_db()
    assert source.column_map["zone"] == "UTC"


# --- words that nobody has seen ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("is_dry", [True, False])
def test_words_never_seen_before_stop_it_and_are_listed(log: Path, is_dry: bool) -> None:
    make_source(name="Bay")
    log.write_text(log.read_text() + "2026-11-02 23:10,AB-1,Smoke\n2026-11-02 23:20,AB-1,Zwiebelfisch\n")
    said = intake(str(log), "--source", "Bay", *(["--dry-run"] if is_dry else []), code=3)
    assert "“Smoke”, 1 rows: perhaps activation" in said
    assert "“Zwiebelfisch”, 1 rows: nobody can guess" in said
    assert not Upload.objects.exists()
    assert not IntakeBatch.objects.exists()


def test_words_that_the_command_says_are_taken_and_remembered(log: Path) -> None:
    make_source(name="Bay")
    log.write_text(log.read_text() + "2026-11-02 23:10,AB-1,Smoke\n")
    intake(str(log), "--source", "Bay", "--map", '{"words": {"Smoke": "ignore"}}')
    assert "left out: Smoke (1)" in intake(str(log), "--source", "Bay"), "Known now, it stops nothing."


def test_words_may_be_accepted_as_proposed_but_not_those_that_nobody_can_guess(log: Path) -> None:
    make_source(name="Bay")
    text = log.read_text()
    log.write_text(text + "2026-11-02 23:10,AB-1,Smoke\n2026-11-02 23:20,AB-1,Zwiebelfisch\n")
    intake(str(log), "--source", "Bay", "--accept-words", code=3)
    log.write_text(text + "2026-11-02 23:10,AB-1,Smoke\n")
    assert "set aside 1" in intake(str(log), "--source", "Bay", "--accept-words")


def test_leaving_other_words_out_is_said_of_one_file_and_names_them(log: Path) -> None:
    source = make_source(name="Bay")
    text = log.read_text()
    log.write_text(text + "2026-11-02 23:20,AB-1,Zwiebelfisch\n")
    ignoring = '{"others": "ignore"}'
    assert "left out: Zwiebelfisch (1)" in intake(str(log), "--source", "Bay", "--map", ignoring)
    source.refresh_from_db()
    assert "others" not in source.column_map
    log.write_text(text + "2026-11-02 23:20,AB-1,Zwiebelfisch\n2026-11-02 23:30,AB-1,Quastenflosser\n")
    said = intake(str(log), "--source", "Bay", code=3)
    assert "Quastenflosser" in said
    assert "Zwiebelfisch”" not in said


def test_of_two_sources_whose_names_differ_in_capitals_the_very_name_counts(log: Path) -> None:
    make_source(name="BAY")
    small = make_source(name="bay")
    intake(str(log), "--source", "bay")
    assert IntakeBatch.objects.get().source == small
    assert "Several sources" in intake(str(log), "--source", "Bay", code=2)
