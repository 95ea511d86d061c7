"""Pages of event logs: from the upload to what came in, as a person in the office goes through them."""

from __future__ import annotations

from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from company import jobs
from company.models import Job, Upload
from devices.models import CheckInDay, IntakeBatch, IntakeSource
from tests.conftest import World
from tests.devices.event_log_files import job_of, make_source

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def log_of(world: World, *more: str) -> bytes:
    serial = world.own_registration.transmitter.serial
    rows = [f"2026-11-2{day} 0{hour}:00,{serial},check-in" for day in (1, 2) for hour in range(4)]
    return "\n".join(["Time,Serial,Event", *rows, *more]).encode()


def send(client: Client, content: bytes, file_name: str = "log.csv", **fields: Any) -> Any:
    data = {"name": "Bay Monitoring", "zone": "Europe/London", "log": SimpleUploadedFile(file_name, content)} | fields
    return client.post(reverse("devices:event_file_new"), data)


def uploaded(client: Client, content: bytes, **fields: Any) -> Upload:
    answer = send(client, content, **fields)
    assert answer.status_code == 302, answer.content.decode()
    jobs.run_ready()
    return Upload.objects.filter(kind="event_log").latest("pk")


def map_url(upload: Upload) -> str:
    return reverse("devices:event_file_map", args=[upload.uuid])


def detail_url(upload: Upload) -> str:
    return reverse("devices:event_file_detail", args=[upload.uuid])


def filled(client: Client, upload: Upload, **over: Any) -> dict[str, Any]:
    """What the page of columns would send if nothing were touched."""
    form = client.get(map_url(upload)).context["form"]
    data = {name: form[name].value() for name in form.fields}
    look = job_of(f"event-log-look:{upload.uuid}:").pk
    return {name: value for name, value in ({"look": look} | data | over).items() if value is not None}


def checked(client: Client, upload: Upload, **over: Any) -> Any:
    answer = client.post(map_url(upload), filled(client, upload, **over))
    assert answer.status_code == 302, answer.content.decode()
    jobs.run_ready()
    return client.get(detail_url(upload))


def taken(client: Client, upload: Upload) -> Any:
    check = job_of(f"event-log-check:{upload.uuid}:")
    client.post(reverse("devices:event_file_take", args=[upload.uuid]), {"check": check.uuid})
    jobs.run_ready()
    return client.get(detail_url(upload))


def test_a_file_goes_from_the_upload_to_the_days_of_its_transmitter(world: World) -> None:
    client = world.client("office")
    upload = uploaded(client, log_of(world))
    page = client.get(map_url(upload)).content.decode()
    assert "check-in" in page
    assert "21 Nov 2026" in page, "The first rows are shown as they will be understood."
    seen = checked(client, upload)
    assert seen.context["seen"]["n_events"] == 8
    assert "cannot be taken back" in seen.content.decode()
    assert not IntakeBatch.objects.exists(), "Nothing is written before a person says so."
    assert "8 rows were taken in" in taken(client, upload).content.decode()
    assert CheckInDay.objects.count() == 2


@pytest.mark.parametrize("page_url", [map_url, detail_url])
def test_progress_that_asks_after_the_job_is_over_has_the_whole_page_loaded_anew(world: World, page_url: Any) -> None:
    client = world.client("office")
    upload = uploaded(client, log_of(world))
    checked(client, upload)
    answer = client.get(page_url(upload), headers={"HX-Request": "true", "HX-Target": "progress"})
    assert answer.headers["HX-Refresh"] == "true"
    assert not answer.content, "A page within the page would have two menus."


def test_the_list_teaches_while_it_is_empty_and_then_says_where_each_file_stands(world: World) -> None:
    client = world.client("office")
    assert "Ask the monitoring centre" in client.get(reverse("devices:event_file_list")).content.decode()
    upload = uploaded(client, log_of(world))
    assert "columns to choose" in client.get(reverse("devices:event_file_list")).content.decode()
    checked(client, upload)
    assert "ready to take in" in client.get(reverse("devices:event_file_list")).content.decode()
    taken(client, upload)
    page = client.get(reverse("devices:event_file_list")).content.decode()
    assert "taken in" in page
    assert world.office.name in page


def test_the_example_file_is_understood_without_a_choice_but_for_its_account(world: World) -> None:
    client = world.client("office")
    upload = uploaded(client, client.get(reverse("devices:event_file_example")).content)
    seen = checked(client, upload).context["seen"]
    assert seen["n_events"] == 5
    assert [name for name, _n in seen["nowhere"]] == ["4711"]


def test_a_source_is_made_on_the_spot_for_a_site_with_the_clock_of_that_site(world: World) -> None:
    world.own_site.time_zone = "Europe/Helsinki"
    world.own_site.save()
    upload = uploaded(world.client("office"), log_of(world), site=world.own_site.pk, zone="")
    source = IntakeSource.objects.get(name="Bay Monitoring")
    assert (source.kind, source.customer, source.site) == ("file", world.own, world.own_site)
    assert filled(world.client("office"), upload)["zone"] == "Europe/Helsinki"


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"name": ""}, "name a new one"),
        ({"log": SimpleUploadedFile("a.csv", b"")}, "The file is empty"),
        ({"log": SimpleUploadedFile("a.pdf", b"%PDF-1.7 x")}, "a PDF"),
        ({"log": ""}, "Choose a file first"),
        ({"zone": "Mars/North"}, "none of the choices"),
    ],
)  # fmt: skip
def test_an_upload_that_cannot_be_is_refused_and_leaves_nothing(
    world: World, fields: dict[str, Any], words: str
) -> None:
    answer = send(world.client("office"), log_of(world), **fields)
    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert not Upload.objects.exists()
    assert not IntakeSource.objects.exists()


def test_a_site_of_another_customer_is_refused(world: World) -> None:
    answer = send(world.client("office"), log_of(world), customer=world.own.pk, site=world.other_site.pk)
    assert answer.status_code == 422
    assert not IntakeSource.objects.exists()


def test_a_name_taken_by_another_source_is_refused(world: World) -> None:
    make_source(name="Bay monitoring")
    assert "Another source has this name" in send(world.client("office"), log_of(world)).content.decode()


def test_day_or_month_first_is_asked_and_remembered_for_the_next_file(world: World) -> None:
    client = world.client("office")
    serial = world.own_registration.transmitter.serial
    body = f"Date,Serial,Event\n03/11/2026 10:00,{serial},check-in\n04/11/2026 10:00,{serial},check-in\n".encode()
    upload = uploaded(client, body)
    page = client.get(map_url(upload))
    assert "Day or month first?" in page.content.decode()
    refused = client.post(map_url(upload), filled(client, upload))
    assert refused.status_code == 422
    assert "whether the day or the month comes first" in refused.content.decode()
    seen = checked(client, upload, time_format="dmy").context["seen"]
    assert seen["from"] == "2026-11-03T10:00:00+00:00"
    source = IntakeSource.objects.get()
    again = uploaded(client, body + f"05/11/2026 10:00,{serial},check-in\n".encode(), source=source.pk, name="")
    assert filled(client, again)["time_format"] == "dmy"
    assert "Filled in as for the last file" in client.get(map_url(again)).content.decode()


def test_a_word_that_nobody_knows_is_asked_for_and_remembered(world: World) -> None:
    client = world.client("office")
    serial = world.own_registration.transmitter.serial
    body = log_of(world, f"2026-11-22 09:00,{serial},Zwiebelfisch", f"2026-11-22 10:00,{serial},Zwiebelfisch")
    upload = uploaded(client, body)
    form = client.get(map_url(upload)).context["form"]
    at = [word.shown for word in form.words].index("Zwiebelfisch")
    assert form.words[at].n == 2
    refused = client.post(map_url(upload), filled(client, upload))
    assert refused.status_code == 422
    assert "Say what it means" in refused.content.decode()
    assert checked(client, upload, **{f"word_{at}": "tamper"}).context["kinds"] == [("check-in", 8), ("tamper", 2)]
    source = IntakeSource.objects.get()
    again = uploaded(client, body.replace(b"Zwiebelfisch", b"ZWIEBELFISCH"), source=source.pk, name="")
    assert filled(client, again)[f"word_{at}"] == "tamper", "Capitals do not matter."


def test_rows_of_words_without_a_choice_may_be_left_out(world: World) -> None:
    client = world.client("office")
    upload = uploaded(client, log_of(world, "2026-11-22 09:00,,Lamp of the door"))
    seen = checked(client, upload, others="ignore").context["seen"]
    assert (seen["n_events"], seen["n_ignored"], seen["n_refused"]) == (8, 1, 0)


def test_another_column_for_the_words_has_the_file_looked_at_again_with_the_other_choices_kept(world: World) -> None:
    client = world.client("office")
    serial = world.own_registration.transmitter.serial
    body = f"Time,Serial,Event,Remark\n2026-11-21 10:00,{serial},X1,Low battery\n".encode()
    upload = uploaded(client, body)
    answer = client.post(map_url(upload), filled(client, upload, event="3", note="", zone="Europe/Paris"))
    assert answer.status_code == 302
    assert "Waiting for its turn" in client.get(map_url(upload)).content.decode()
    jobs.run_ready()
    form = client.get(map_url(upload)).context["form"]
    assert [word.shown for word in form.words] == ["Low battery"]
    assert form["zone"].value() == "Europe/Paris"
    assert checked(client, upload).context["kinds"] == [("low battery", 1)]


def test_the_first_rows_can_be_shown_again_without_writing_anything(world: World) -> None:
    client = world.client("office")
    upload = uploaded(client, log_of(world))
    before = IntakeSource.objects.get().column_map
    answer = client.post(map_url(upload), filled(client, upload, zone="Asia/Tokyo", show="1"))
    assert answer.status_code == 200
    assert "Asia/Tokyo" in answer.content.decode()
    assert IntakeSource.objects.get().column_map == before
    assert not Job.objects.filter(key__startswith="event-log-check").exists()


def test_the_same_column_twice_is_refused(world: World) -> None:
    client = world.client("office")
    upload = uploaded(client, log_of(world))
    answer = client.post(map_url(upload), filled(client, upload, note="1"))
    assert answer.status_code == 422
    assert "chosen twice" in answer.content.decode()


def test_a_page_older_than_the_last_look_is_shown_anew(world: World) -> None:
    client = world.client("office")
    upload = uploaded(client, log_of(world))
    answer = client.post(map_url(upload), filled(client, upload, look="999999"))
    assert answer.status_code == 422
    assert "looked at again meanwhile" in answer.content.decode()


def test_rows_that_are_not_taken_are_listed_and_can_be_had_as_csv(world: World) -> None:
    client = world.client("office")
    upload = uploaded(client, log_of(world, "yesterday,AB-1,check-in"))
    assert "yesterday" in checked(client, upload).content.decode()
    sheet = client.get(reverse("devices:event_file_problems", args=[upload.uuid])).content.decode()
    assert "10,time," in sheet.replace('"', "")


def test_many_rows_with_one_fault_are_told_of_by_their_reason(world: World) -> None:
    client = world.client("office")
    upload = uploaded(client, log_of(world, *(f"day {n},AB-1,check-in" for n in range(40))))
    page = checked(client, upload)
    [(why, n)] = page.context["seen"]["whys"]
    assert n == 40
    assert why in page.content.decode()


def test_the_very_same_file_is_told_of_and_changes_nothing(world: World) -> None:
    client = world.client("office")
    first = uploaded(client, log_of(world))
    checked(client, first)
    taken(client, first)
    days = list(CheckInDay.objects.values())
    again = uploaded(client, log_of(world), source=IntakeSource.objects.get().pk, name="")
    page = " ".join(checked(client, again).content.decode().split())
    assert "This very file was taken in before" in page
    assert '<dt>Dealt with before</dt><dd class="num">8</dd></div><div><dt>New</dt><dd class="num">0</dd>' in page
    for other in ("Would be taken", "Nothing is written yet"):
        assert other not in page, "It would say the opposite of what stands above it."
    assert "All of it was here already" in taken(client, again).content.decode()
    assert list(CheckInDay.objects.values()) == days
    assert IntakeBatch.objects.count() == 1


def test_a_double_click_takes_a_file_once(world: World) -> None:
    client = world.client("office")
    upload = uploaded(client, log_of(world))
    checked(client, upload)
    check = job_of(f"event-log-check:{upload.uuid}:")
    for _ in range(2):
        client.post(reverse("devices:event_file_take", args=[upload.uuid]), {"check": check.uuid})
    jobs.run_ready()
    assert Job.objects.filter(key__startswith="event-log-take").count() == 1
    assert IntakeBatch.objects.get().n_taken == 8


def test_what_was_looked_at_must_be_the_newest_check(world: World) -> None:
    client = world.client("office")
    upload = uploaded(client, log_of(world))
    checked(client, upload)
    old = job_of(f"event-log-check:{upload.uuid}:")
    checked(client, upload, zone="Asia/Tokyo")
    answer = client.post(reverse("devices:event_file_take", args=[upload.uuid]), {"check": old.uuid}, follow=True)
    assert "chosen anew meanwhile" in answer.content.decode()
    assert not Job.objects.filter(key__startswith="event-log-take").exists()


def test_a_file_without_one_row_to_take_cannot_be_taken(world: World) -> None:
    client = world.client("office")
    upload = uploaded(client, b"Time,Serial,Event\n2027-05-01 10:00,AB-1,check-in\n2027-05-02 10:00,AB-1,check-in\n")
    page = checked(client, upload)
    assert "No row of this file would be taken" in page.content.decode()
    assert "No row of this file would be taken" in taken(client, upload).content.decode()
    assert not IntakeBatch.objects.exists()


def test_a_file_that_cannot_be_read_says_so(world: World) -> None:
    client, source = world.client("office"), make_source()
    upload = uploaded(client, b'Time,Serial,Event\n2026-11-21 10:00,"AB-1,check-in\n', source=source.pk)
    page = client.get(map_url(upload)).content.decode()
    assert "a quotation mark is missing" in page
    assert client.get(detail_url(upload)).status_code == 200


def test_a_workbook_that_was_imported_is_no_event_log(world: World) -> None:
    upload = Upload.objects.create(kind="workbook", name="a.xlsx", sha256="", content=b"", by=world.office)
    for name in ("event_file_detail", "event_file_map", "event_file_problems"):
        assert world.client("office").get(reverse(f"devices:{name}", args=[upload.uuid])).status_code == 404


def test_a_technician_and_a_customer_find_no_event_logs(world: World) -> None:
    upload = uploaded(world.client("office"), log_of(world))
    for who in ("technician", "own_user"):
        assert world.client(who).get(detail_url(upload)).status_code == 404


def test_a_figure_that_cannot_be_costs_no_event_and_is_counted_before_and_told_after(world: World) -> None:
    client, serial = world.client("office"), world.own_registration.transmitter.serial
    rows = "".join(f"2026-11-21 {hour:02}:05,{serial},check-in,{volts}\n" for hour, volts in ((8, 99), (9, 2.9)))
    upload = uploaded(client, f"Time,Serial,Event,Volts\n{rows}".encode())
    assert "battery_v between" in client.get(map_url(upload)).content.decode(), "beside the row as it is understood"
    answer = checked(client, upload)
    seen = answer.context["seen"]
    assert (seen["n_events"], seen["n_refused"], seen["n_unread"]) == (2, 0, 1)
    assert "1 value is not read" in answer.content.decode()
    assert "2 rows were taken in" in taken(client, upload).content.decode()
    (left_out,) = IntakeBatch.objects.get().answer["left_out"]
    assert (left_out["row"], left_out["field"]) == (2, "battery_v")
