"""Event logs that were not taken in, empty or wrong: what is said of them, and how they go away again."""

from __future__ import annotations

from typing import Any

import pytest
from django.urls import reverse

from company import jobs
from company.models import ChangeRow, Job, Upload
from company.spreadsheets import BadFile
from devices.imports import event_logs, log_check
from devices.imports.log_rows import open_log, refuse_large_log, refuse_log
from devices.models import IntakeBatch, IntakeSource
from tests.conftest import World
from tests.devices.event_log_files import hand_over, make_source
from tests.devices.test_event_file_pages import checked, detail_url, filled, log_of, map_url, send, taken, uploaded

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


UNREADABLE = b'Time,Serial,Event\n2026-11-21 10:00,"AB-1,check-in\n'


def remove(world: World, upload: Upload) -> str:
    answer = world.client("office").post(reverse("devices:event_file_remove", args=[upload.uuid]), follow=True)
    assert answer.status_code == 200
    return " ".join(answer.content.decode().split())


# --- words that are left out -------------------------------------------------------------------------------------------


def test_a_word_that_comes_for_the_first_time_is_asked_for_although_others_were_left_out(world: World) -> None:
    client = world.client("office")
    first = uploaded(client, log_of(world, "2026-11-22 09:00,,Lamp of the door"))
    checked(client, first, others="ignore")
    source = IntakeSource.objects.get()
    again = uploaded(
        client, log_of(world, "2026-11-22 09:00,,Lamp of the door", "2026-11-22 09:30,,Zwiebelfisch"),
        source=source.pk, name="",
    )  # fmt: skip
    page = client.get(map_url(again)).content.decode()
    assert "1 word of this file is new" in page
    form = client.get(map_url(again)).context["form"]
    assert {word.shown: (word.field.value(), word.is_new) for word in form.words} == {
        "check-in": ("check_in", False), "Lamp of the door": ("ignore", False), "Zwiebelfisch": ("", True),
    }  # fmt: skip
    assert client.post(map_url(again), filled(client, again)).status_code == 422


def test_the_preview_names_the_words_that_are_left_out_with_their_counts(world: World) -> None:
    client = world.client("office")
    rows = ("2026-11-22 09:00,,Lamp of the door", "2026-11-22 09:10,,Lamp of the door", "2026-11-22 09:20,,Bell")
    seen = checked(client, uploaded(client, log_of(world, *rows)), others="ignore")
    assert seen.context["seen"]["left"] == [["Lamp of the door", 2], ["Bell", 1]]
    page = " ".join(seen.content.decode().split())
    assert "<b>Lamp of the door</b> (2)" in page
    assert "<b>Bell</b> (1)" in page


# --- nothing in it -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("content", [b"Time,Serial,Event\n", b"Events of July\n\nTime;Serial;Event\n;;\n"])
def test_a_file_without_rows_leaves_no_new_source_behind(world: World, content: bytes) -> None:
    client = world.client("office")
    answer = send(client, content)
    assert answer.status_code == 422
    assert "holds no row under its headings" in answer.content.decode()
    assert (IntakeSource.objects.count(), Upload.objects.count(), Job.objects.count()) == (0, 0, 0)
    uploaded(client, log_of(world))
    assert IntakeSource.objects.get().name == "Bay Monitoring", "The name is free for the file with rows."


def test_a_file_of_headings_alone_of_a_source_on_record_is_told_of_as_that(world: World) -> None:
    client, source = world.client("office"), make_source()
    upload = uploaded(client, b"Time,Serial,Event\n", source=source.pk)
    page = client.get(map_url(upload)).content.decode()
    assert "holds no row under its headings" in page
    assert "Choose the column of the time" not in page
    assert "nothing to take" in client.get(reverse("devices:event_file_list")).content.decode()


def test_a_file_of_which_nothing_came_in_gets_no_tick(world: World) -> None:
    client = world.client("office")
    upload = uploaded(client, b"Time,Serial,Event\n2026-11-21 10:00,NOBODY-1,check-in\n")
    checked(client, upload)
    page = taken(client, upload).content.decode()
    assert "No row was taken in." in page
    assert "notice--fine" not in page
    assert "1 row could not be placed" in page
    assert "nothing taken" in client.get(reverse("devices:event_file_list")).content.decode()


# --- more problems than are listed -------------------------------------------------------------------------------------


def test_more_problems_than_are_listed_are_told_of_on_the_page_and_in_the_csv(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(log_check, "MOST_PROBLEMS", 30)
    client = world.client("office")
    upload = uploaded(client, log_of(world, *(f"day {n},AB-1,check-in" for n in range(40))))
    page = " ".join(checked(client, upload).content.decode().split())
    assert "The first 30 of 40 rows are listed" in page
    sheet = client.get(reverse("devices:event_file_problems", args=[upload.uuid])).content.decode()
    assert "10 more rows are not taken" in sheet.splitlines()[-1]


# --- removing ----------------------------------------------------------------------------------------------------------


def test_a_file_that_was_not_taken_in_is_removed_with_what_was_found_in_it(world: World) -> None:
    source = make_source(name="Bay", note="Monthly")
    upload = hand_over(source, log_of(world), by=world.office)
    checked(world.client("office"), upload)
    assert "Nothing of it had been taken in" in remove(world, upload)
    assert not Upload.objects.exists()
    assert not Job.objects.filter(key__startswith="event-log").exists()
    assert IntakeSource.objects.get() == source, "A source that has a history stays."
    assert ChangeRow.objects.get(verb="remove_event_log").reason == upload.name


def test_a_small_file_that_cannot_be_read_leaves_no_new_source_behind(world: World) -> None:
    answer = send(world.client("office"), UNREADABLE)
    assert answer.status_code == 422
    assert "a quotation mark is missing" in answer.content.decode()
    assert (IntakeSource.objects.count(), Upload.objects.count()) == (0, 0)


def test_the_source_that_was_named_for_an_unreadable_file_alone_goes_with_it(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(event_logs, "SMALL_BYTES", 0)  # As if the file were large: only the job sees what is wrong.
    client = world.client("office")
    upload = uploaded(client, UNREADABLE)
    assert "Bay Monitoring with it" in remove(world, upload)
    assert not IntakeSource.objects.exists()
    assert client.get(reverse("company:change_list")).status_code == 200
    uploaded(client, log_of(world))
    assert IntakeSource.objects.get().name == "Bay Monitoring", "Its name is free again."


def test_a_source_with_another_file_stays(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(event_logs, "SMALL_BYTES", 0)
    upload = uploaded(world.client("office"), UNREADABLE)
    hand_over(IntakeSource.objects.get(), log_of(world))
    remove(world, upload)
    assert IntakeSource.objects.exists()
    assert Upload.objects.count() == 1


def test_a_file_that_was_taken_in_stays(world: World) -> None:
    client = world.client("office")
    upload = uploaded(client, log_of(world))
    checked(client, upload)
    taken(client, upload)
    assert "Remove the file" not in client.get(detail_url(upload)).content.decode()
    assert "was taken in, so it stays" in remove(world, upload)
    assert Upload.objects.filter(pk=upload.pk).exists()
    assert IntakeBatch.objects.exists()


def test_a_file_that_is_being_read_stays_until_that_is_over(world: World) -> None:
    client = world.client("office")
    send(client, log_of(world))
    upload = Upload.objects.get()
    assert "Wait until that is over" in remove(world, upload)
    jobs.run_ready()
    assert "is removed" in remove(world, upload)


# --- finding one again -------------------------------------------------------------------------------------------------


def test_the_list_is_narrowed_by_name_source_and_what_waits(world: World) -> None:
    client, other = world.client("office"), make_source(name="Other")
    done = uploaded(client, log_of(world), file_name="october.csv")
    checked(client, done)
    taken(client, done)
    hand_over(other, log_of(world), name="november.csv")

    def shown(**asked: Any) -> list[str]:
        return [upload.name for upload, _ in client.get(reverse("devices:event_file_list"), asked).context["rows"]]

    assert set(shown()) == {"october.csv", "november.csv"}
    assert shown(show="open") == ["november.csv"]
    assert shown(source=other.pk) == ["november.csv"]
    assert shown(q="OCTO") == ["october.csv"]
    assert shown(q="june") == []
    assert "No such file" in client.get(reverse("devices:event_file_list"), {"q": "june"}).content.decode()


# --- what is said of files ---------------------------------------------------------------------------------------------


def refusal(name: str, body: bytes) -> str:
    with pytest.raises(BadFile) as told:
        refuse_log(name, body)
    return told.value.message


def test_a_picture_is_told_of_by_its_own_name() -> None:
    said = refusal("x.png", b"\x89PNG\r\n")
    assert "“x.png” is a picture" in said


def test_a_log_that_is_too_large_is_cut_by_days_and_not_by_site() -> None:
    with pytest.raises(BadFile) as told:
        refuse_large_log("log.csv", 22_000_000)
    assert "shorter span of days" in told.value.message
    assert "pictures" not in told.value.message


def test_a_file_that_is_broken_in_its_first_row_does_not_speak_of_row_0() -> None:
    with pytest.raises(BadFile) as told:
        list(open_log("log.csv", b'"Time,Serial,Event\n').rows())
    assert "from its first row on" in told.value.message


def test_a_row_ahead_of_the_clock_does_not_ask_for_the_row_to_be_sent_again(world: World) -> None:
    client = world.client("office")
    serial = world.own_registration.transmitter.serial
    page = checked(client, uploaded(client, log_of(world, f"2026-12-24 09:00,{serial},check-in"))).content.decode()
    assert "more than a day ahead" in page
    assert "send the row again" not in page


def test_no_form_of_event_logs_speaks_in_the_words_of_its_framework(world: World) -> None:
    client = world.client("office")
    upload = uploaded(client, log_of(world))
    wrong = {
        "time": "77",
        "zone": "Mars/X",
        "head_row": "x",
        "slot_offset": "99999",
        "others": "zzz",
        "every_row": "bang",
        "word_0": "bang",
    }
    pages = [
        client.post(map_url(upload), filled(client, upload, **wrong)),
        client.post(map_url(upload), filled(client, upload, time="", zone="", head_row="")),
        send(client, log_of(world), source="99999", zone="Mars/X", customer="99999", site="99999"),
    ]
    for page in pages:
        assert page.status_code == 422
        for words in ("This field", "Ensure this", "Enter a", "Select a valid choice"):
            assert words not in page.content.decode(), words


def test_the_name_of_a_new_source_is_not_called_optional(world: World) -> None:
    page = " ".join(world.client("office").get(reverse("devices:event_file_new")).content.decode().split())
    label = page[page.index("Name of a new source") :]
    assert "optional" not in label[: label.index("<input")]
