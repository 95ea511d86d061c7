"""Pages of imports: files refused in words, progress, hostile names, who may."""

from __future__ import annotations

from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from company import jobs
from company.models import Upload
from devices import imports
from devices.models import Registration
from tests.devices.rules.import_world import right_sheets, spoilt, workbook_file
from tests.devices.test_imports import bring_in, check, everything, upload


@pytest.fixture(autouse=True)
def _catalogue(db: Any) -> None:
    call_command("load_catalogue", verbosity=0)


@pytest.mark.parametrize(
    ("name", "body", "words"),
    [
        ("book.pdf", b"%PDF-1.7", "is a PDF, not a workbook"),
        ("book.xlsx", b"PK\x03\x04 cut off", "damaged or was cut off"),
        ("book.exe", b"MZ", "no workbook we can read"),
    ],
)
def test_a_wrong_file_is_refused_at_once_in_words(world, name, body, words):
    answer = world.client("office").post(reverse("devices:import_new"), {"workbook": [SimpleUploadedFile(name, body)]})
    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert not Upload.objects.filter(kind=imports.KIND).exists()


def test_no_file_and_a_large_file_are_refused(world, monkeypatch):
    client = world.client("office")
    assert client.post(reverse("devices:import_new"), {}).status_code == 422
    monkeypatch.setattr("devices.views.imports.refuse_oversize.__defaults__", (10,))
    answer = client.post(reverse("devices:import_new"), {"workbook": [SimpleUploadedFile("book.xlsx", b"x" * 100)]})
    assert answer.status_code == 422
    assert "are read" in answer.content.decode()


def test_a_file_that_only_the_job_finds_unreadable_says_so_on_its_page(world):
    client = world.client("office")
    url = upload(client, ("sites.csv", b'site code,name\n"A-1,' + b"x" * 200_000))
    jobs.run_ready()
    text = client.get(url).content.decode()
    assert "The workbook could not be read." in text
    assert "a quotation mark is missing" in text
    assert "Start again" not in text


def test_hostile_names_stay_text_on_every_page(world):
    client = world.client("office")
    for name in ("<script>alert(1)</script>", "=cmd|' /C calc'!A0", "file:///etc/passwd"):
        sheets = spoilt("slots", "label", name)
        sheets["slots"][0]["slot"] = 99
        url = check(client, sheets)
        assert "<script>alert" not in client.get(f"{url}?view=rows").content.decode()
        bring_in(client, spoilt("slots", "label", name))
        assert Registration.objects.filter(label=name, removed_at=None).count() == 1
    sheets = spoilt("slots", "slot", "=cmd|' /C calc'!A0")
    url = check(client, sheets)
    assert "'=cmd|" in client.get(f"{url}problems/").content.decode("utf-8-sig")


def test_progress_is_shown_while_the_job_waits_and_the_page_reloads_itself_when_done(world):
    client = world.client("office")
    url = upload(client, ("book.xlsx", workbook_file(right_sheets())))
    assert "Waiting for its turn" in client.get(url).content.decode()
    asked = {"HTTP_HX_REQUEST": "true", "HTTP_HX_TARGET": "progress"}
    part = client.get(url, **asked)
    assert part.content.decode().lstrip().startswith("<section")
    assert "HX-Refresh" not in part.headers
    jobs.run_ready()
    assert client.get(url, **asked).headers["HX-Refresh"] == "true"


def test_the_list_makes_the_same_number_of_queries_however_long_it_is(world):
    client = world.client("office")
    numbers = []
    for n in (3, 20):
        for _ in range(n):
            upload(client, ("sites.csv", b"site code\n"))
        with CaptureQueriesContext(
            connection,
        ) as queries:
            client.get(reverse("devices:import_list"))
        numbers.append(len(queries))
    assert numbers[0] == numbers[1]


@pytest.mark.parametrize("who", ["technician", "own_user"])
def test_only_the_office_imports(world, who):
    client = world.client(who)
    url = check(world.client("office"), right_sheets())
    for path in (
        reverse("devices:import_list"),
        reverse("devices:import_new"),
        reverse("devices:import_template"),
        url,
        f"{url}problems/",
    ):
        assert client.get(path).status_code == 404
    assert client.post(f"{url}apply/").status_code == 404


def test_the_template_can_be_downloaded_and_uploaded_as_it_is(world):
    client = world.client("office")
    body = client.get(reverse("devices:import_template")).content
    before = everything()
    url = upload(client, ("template.xlsx", body))
    jobs.run_ready()
    assert client.get(url).context["seen"]["is_empty"]
    assert everything() == before
