"""The workbook import from upload to records: preview, all or nothing, the same file again changes nothing."""

from __future__ import annotations

from collections import Counter
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from company import jobs
from company.bulk import Statement
from company.models import ChangeRow, Contact, Customer, Job, Upload
from company.spreadsheets import csv_bytes
from devices import imports
from devices.models import Fitting, FittingEnd, Output, Receiver, Registration, RegistrationOutput, Transmitter
from devices.signals import slot_map_changed
from sites.models import Area, Site
from tests import factories
from tests.devices.rules.import_world import out_sheets, right_sheets, spoilt, workbook_file

LONDON = ZoneInfo("Europe/London")
MODELS = (
    Customer,
    Contact,
    Site,
    Area,
    Receiver,
    Output,
    Transmitter,
    Registration,
    RegistrationOutput,
    Fitting,
    ChangeRow,
)


@pytest.fixture(autouse=True)
def _catalogue(db: Any) -> None:
    call_command("load_catalogue", verbosity=0)


def everything() -> dict[str, list[dict[str, Any]]]:
    """Every row of every table an import may touch."""
    return {model.__name__: list(model.objects.order_by("pk").values()) for model in MODELS}


def upload(client: Any, *files: tuple[str, bytes]) -> str:
    """Upload through the page; gives the address of the import."""
    parts = [SimpleUploadedFile(name, body) for name, body in files]
    answer = client.post(reverse("devices:import_new"), {"workbook": parts})
    assert answer.status_code == 302, answer.content.decode()
    return answer.url


def check(client: Any, sheets: dict[str, list[dict[str, Any]]]) -> str:
    url = upload(client, ("book.xlsx", workbook_file(sheets)))
    jobs.run_ready()
    return url


def apply(client: Any, url: str) -> Any:
    """Press "Apply" on the preview and let the job run."""
    page = client.get(url)
    answer = client.post(f"{url}apply/", {"preview": page.context["seen"]["preview"]})
    jobs.run_ready()
    return answer


def bring_in(client: Any, sheets: dict[str, list[dict[str, Any]]]) -> str:
    url = check(client, sheets)
    apply(client, url)
    page = client.get(url)
    assert page.context["written"], page.content.decode()
    return url


def test_a_preview_writes_nothing_and_applying_writes_everything(world):
    client = world.client("office")
    before = everything()
    url = check(client, right_sheets())
    assert everything() == before
    page = client.get(url)
    assert dict(page.context["table"])["slots"] == [2, 0, 0, 0]
    assert "No fault was found" in page.content.decode()
    apply(client, url)
    customer = Customer.objects.get(code="HARB")
    assert (customer.name, customer.paper, customer.inspections_per_year, customer.response_hours) == (
        "Harbour Trust",
        "a4",
        2,
        24,
    )
    assert list(customer.contacts.values_list("name", "email", "phone")) == [("Ada Brook", "ada@example.org", "1")]
    site = Site.objects.get(code="HARB-1")
    assert (site.customer, site.latitude, site.time_zone) == (customer, 57.25, "Europe/London")
    assert list(site.areas.order_by("walk_order").values_list("path", flat=True)) == [
        "Plant room",
        "First floor",
        "Ground floor",
    ]
    receiver = Receiver.objects.get(site=site)
    assert (receiver.type.code, receiver.n_slots, receiver.evidence, receiver.cable_gauge) == (
        "receiver-8",
        8,
        "every",
        "1.5 mm²",
    )
    assert (receiver.standby_fitted_on, receiver.installed_on) == (None, date(2023, 5, 3))
    assert receiver.outputs.count() == 8
    assert receiver.outputs.get(number=8).kind == "fault"
    first, second = Registration.objects.filter(receiver=receiver).order_by("slot")
    assert first.registered_at == datetime(2023, 5, 3, 12, tzinfo=LONDON)
    assert (first.transmitter.serial, first.supervision, first.window_s, first.interval_s) == (
        "SK-00001",
        "on",
        14400,
        3600,
    )
    assert list(first.outputs.values_list("output__number", "behaviour", "seconds")) == [
        (1, "follower", None),
        (2, "momentary", 5),
    ]
    assert (second.supervision, second.window_s, second.interval_s, second.contact) == (
        "unknown",
        None,
        None,
        "unknown",
    )
    past, now = Fitting.objects.filter(transmitter=first.transmitter).order_by("fitted_at")
    assert (past.fitted_at, past.removed_at) == (
        datetime(2023, 5, 3, 12, tzinfo=LONDON),
        datetime(2024, 6, 1, 12, tzinfo=LONDON),
    )
    assert (past.removed_why, past.removed_v, now.lot, now.removed_at) == ("preventive", 2.9, "2405", None)
    end = FittingEnd.objects.get()
    assert (end.fitting, end.why, end.volts, end.by, end.corrects) == (past, "preventive", 2.9, world.office, None)
    assert "Applied" in client.get(url).content.decode()
    verbs = Counter(ChangeRow.objects.filter(customer=customer).values_list("verb", flat=True))
    assert verbs["register_transmitter"] == 2
    assert verbs["fit_battery"] == 2
    assert verbs["save_customer"] == verbs["save_site"] == verbs["add_receiver"] == 1
    assert set(ChangeRow.objects.filter(customer=customer).values_list("by", flat=True)) == {world.office.pk}


def test_the_same_file_again_changes_nothing_at_all(world):
    client = world.client("office")
    bring_in(client, right_sheets())
    before = everything()
    url = check(client, right_sheets())
    page = client.get(url)
    assert {
        fate
        for _, numbers in page.context["table"]
        for fate, n in zip(page.context["fates"], numbers, strict=True)
        if n
    } == {"unchanged"}
    assert "on record already" in page.content.decode()
    assert everything() == before
    # Even a request made by hand has nothing to do.
    client.post(f"{url}apply/", {"preview": page.context["seen"]["preview"]})
    jobs.run_ready()
    assert everything() == before
    assert not Job.objects.filter(key__startswith=f"workbook-apply:{url.rstrip('/').rpartition('/')[2]}").exists()


def test_a_workbook_with_one_fault_writes_nothing(world):
    client = world.client("office")
    before = everything()
    url = check(client, spoilt("slots", "slot", 99, row=3))
    page = client.get(url)
    text = page.content.decode()
    assert "1 fault: nothing can be applied" in text
    assert "The receiver has no slot 99. It has slots 1 to 8." in text
    assert "Apply all of it" not in text
    assert dict(page.context["table"])["slots"] == [1, 0, 0, 1]
    client.post(f"{url}apply/", {"preview": page.context["seen"]["preview"]})
    jobs.run_ready()
    assert everything() == before
    download = client.get(f"{url}problems/")
    assert download["Content-Disposition"] == 'attachment; filename="import-faults.csv"'
    assert "slots,3,C,slot,99,fault,The receiver has no slot 99." in download.content.decode("utf-8-sig")


def test_a_changed_setting_ends_the_registration_and_begins_a_new_one(world):
    client = world.client("office")
    bring_in(client, right_sheets())
    url = check(client, spoilt("slots", "supervision window", "24 h"))
    page = client.get(f"{url}?view=rows&fate=changed")
    assert [row[4] for row in page.context["page"]] == [[["supervision window", "4 h", "24 h"]]]
    apply(client, url)
    old, new = Registration.objects.filter(receiver__site__code="HARB-1", slot=1).order_by("pk")
    assert old.removed_at == new.registered_at
    assert (old.window_s, new.window_s, new.replaces) == (14400, 86400, old)
    assert new.outputs.count() == 2
    change = ChangeRow.objects.get(verb="change_slot")
    assert (change.before["window_s"], change.after["window_s"]) == (14400, 86400)
    assert change.after["version"] == Receiver.objects.get(pk=new.receiver_id).version
    before = everything()
    check(client, spoilt("slots", "supervision window", "24 h"))
    assert everything() == before


def test_a_corrected_battery_is_shown_by_its_iec_code_and_remarked(world):
    client = world.client("office")
    bring_in(client, right_sheets())
    url = check(client, spoilt("fittings", "battery code", "LR6"))
    page = client.get(f"{url}?view=rows&fate=changed")
    assert [row[4] for row in page.context["page"]] == [[["battery code", "CR2450", "LR6"]]]
    assert "1 remark to look at" in page.content.decode()
    assert "takes CR2450" in client.get(f"{url}?view=remarks").content.decode()
    apply(client, url)
    assert Fitting.objects.get(transmitter__serial="SK-00001", removed_at=None).battery_type.iec_code == "LR6"
    assert Fitting.objects.filter(transmitter__serial="SK-00001").count() == 2


def test_changed_words_are_corrected_in_place(world):
    client = world.client("office")
    bring_in(client, right_sheets())
    bring_in(client, spoilt("slots", "label", "Pendant of room 5"))
    assert Registration.objects.filter(receiver__site__code="HARB-1", slot=1).get().label == "Pendant of room 5"


def test_a_setting_of_the_transmitter_asks_for_registering_again(world):
    client = world.client("office")
    bring_in(client, right_sheets())
    bring_in(client, spoilt("slots", "check-in interval", "30 min"))
    new = Registration.objects.get(receiver__site__code="HARB-1", slot=1, removed_at=None)
    assert new.interval_s == 1800
    assert new.register_again_since == new.registered_at


def test_another_transmitter_in_the_slot_takes_over_from_the_day_given(world):
    client = world.client("office")
    bring_in(client, right_sheets())
    sheets = right_sheets()
    sheets["slots"][0] |= {"transmitter serial": "SK-00009", "registered on": date(2025, 2, 1)}
    bring_in(client, sheets)
    old, new = Registration.objects.filter(receiver__site__code="HARB-1", slot=1).order_by("pk")
    assert old.removed_at == new.registered_at == datetime(2025, 2, 1, 12, tzinfo=LONDON)
    assert (old.transmitter.serial, new.transmitter.serial, new.replaces) == ("SK-00001", "SK-00009", None)
    assert Fitting.objects.filter(transmitter=old.transmitter, removed_at=None).exists()


def test_two_transmitters_may_change_places(world):
    client = world.client("office")
    bring_in(client, right_sheets())
    sheets = right_sheets()
    one, two = sheets["slots"]
    one["slot"], two["slot"] = 2, 1
    bring_in(client, sheets)
    rows = Registration.objects.filter(receiver__site__code="HARB-1", removed_at=None).order_by("slot")
    assert [row.transmitter.serial for row in rows] == ["SK-00002", "SK-00001"]
    for serial in ("SK-00001", "SK-00002"):
        old, new = Registration.objects.filter(transmitter__serial=serial).order_by("pk")
        assert old.removed_at <= new.registered_at


def test_blank_cells_and_left_out_rows_leave_the_records_alone(world):
    client = world.client("office")
    bring_in(client, right_sheets())
    before = everything()
    place = {"site code": "HARB-1", "receiver": "Main"}
    url = check(client, {"slots": [{**place, "slot": 1, "transmitter serial": "SK-00001", "label": None}]})
    assert client.get(url).context["seen"]["is_empty"]
    assert everything() == before


def test_unknown_never_wipes_out_a_known_transmitter(world):
    client = world.client("office")
    bring_in(client, right_sheets())
    url = check(client, spoilt("slots", "transmitter serial", "unknown"))
    assert client.get(url).context["seen"]["is_empty"]


def test_a_transmitter_found_where_nothing_answered_keeps_the_thread(world):
    client = world.client("office")
    sheets = spoilt("slots", "transmitter serial", "unknown")
    sheets["slots"][0]["transmitter type code"] = "unknown"
    del sheets["fittings"], sheets["past fittings"]
    bring_in(client, sheets)
    assert Registration.objects.get(receiver__site__code="HARB-1", slot=1).transmitter is None
    sheets = right_sheets()
    bring_in(client, sheets)
    old, new = Registration.objects.filter(receiver__site__code="HARB-1", slot=1).order_by("pk")
    assert (new.replaces, new.transmitter.serial) == (old, "SK-00001")


def test_newer_cells_end_the_ones_on_record(world):
    client = world.client("office")
    bring_in(client, right_sheets())
    bring_in(
        client, spoilt("fittings", "fitted on", date(2025, 11, 3)) | {"past fittings": right_sheets()["past fittings"]}
    )
    rows = Fitting.objects.filter(transmitter__serial="SK-00001").order_by("fitted_at")
    assert [row.removed_why for row in rows] == ["preventive", "unknown", ""]
    assert rows[1].removed_at == rows[2].fitted_at == datetime(2025, 11, 3, 12, tzinfo=LONDON)
    # The older file says less than the records by now: it neither fails nor brings the old cells back.
    before = everything()
    url = check(client, right_sheets())
    assert client.get(url).context["seen"]["is_empty"]
    assert everything() == before


def test_cells_of_unknown_age_get_their_age_and_keep_their_row(world):
    client = world.client("office")
    sheets = spoilt("fittings", "fitted on", "unknown")
    bring_in(client, sheets)
    fitting = Fitting.objects.get(transmitter__serial="SK-00001", removed_at=None)
    assert fitting.fitted_at is None
    url = check(client, sheets)
    assert client.get(url).context["seen"]["is_empty"]
    bring_in(client, right_sheets())
    fitting.refresh_from_db()
    assert fitting.fitted_at == datetime(2024, 6, 1, 12, tzinfo=LONDON)


def test_several_csv_files_do_what_one_workbook_does(world):
    client = world.client("office")
    url = upload(client, *[(f"{s.name}.csv", csv_bytes(s.header, s.rows)) for s in out_sheets(right_sheets())])
    jobs.run_ready()
    apply(client, url)
    before = everything()
    assert Registration.objects.filter(receiver__site__code="HARB-1").count() == 2
    check(client, right_sheets())
    assert everything() == before


def test_pressing_apply_twice_applies_once(world):
    client = world.client("office")
    url = check(client, right_sheets())
    preview = client.get(url).context["seen"]["preview"]
    for _ in range(2):
        client.post(f"{url}apply/", {"preview": preview})
    jobs.run_ready()
    client.post(f"{url}apply/", {"preview": preview})
    jobs.run_ready()
    assert Job.objects.filter(handler="devices.imports.apply_upload").count() == 1
    assert Registration.objects.filter(receiver__site__code="HARB-1").count() == 2


def test_an_apply_for_another_preview_is_refused(world):
    client = world.client("office")
    url = check(client, right_sheets())
    client.post(f"{url}apply/", {"preview": "0" * 64})
    assert not Job.objects.filter(handler="devices.imports.apply_upload").exists()


def test_records_that_changed_after_the_preview_are_shown_anew_and_nothing_is_written(world):
    client = world.client("office")
    bring_in(client, right_sheets())
    url = check(client, spoilt("slots", "supervision window", "24 h"))
    bring_in(client, spoilt("slots", "supervision window", "60 min"))
    before = everything()
    apply(client, url)
    assert everything() == before
    page = client.get(f"{url}?view=rows&fate=changed")
    assert "The records have changed since you looked" in page.content.decode()
    assert page.context["page"][0][4] == [["supervision window", "60 min", "24 h"]]
    apply(client, url)
    assert Registration.objects.get(receiver__site__code="HARB-1", slot=1, removed_at=None).window_s == 86400


def test_a_record_changed_between_reading_and_writing_makes_the_job_look_again(world, monkeypatch):
    client = world.client("office")
    url = check(client, right_sheets())
    real, seen = imports.actions.apply_import, []

    def meddled(**given: Any) -> Any:
        if not seen:
            ChangeRow.objects.create(
                verb="edit_receiver", subject_kind="receiver", subject_id=1, subject_text="x", by=world.office
            )
        seen.append(given["mark"])
        return real(**given)

    monkeypatch.setattr(imports.actions, "apply_import", meddled)
    apply(client, url)
    assert len(seen) == 2
    assert Registration.objects.filter(receiver__site__code="HARB-1").count() == 2


def test_a_crash_in_the_middle_leaves_nothing_and_the_job_runs_again(world, monkeypatch):
    client = world.client("office")
    url = check(client, right_sheets())
    before = everything()
    real, done = Statement.run, []

    def broken(self: Statement) -> None:
        real(self)
        done.append(Site.objects.filter(code="HARB-1").exists())
        if len(done) == 6:
            raise RuntimeError("power cut")

    with monkeypatch.context() as patch:
        patch.setattr(Statement, "run", broken)
        apply(client, url)
    assert done[-1], "the site had been written when the power went"
    assert everything() == before
    job = Job.objects.get(handler="devices.imports.apply_upload")
    assert job.state == Job.State.WAITING
    Job.objects.filter(pk=job.pk).update(not_before=job.created_at)
    jobs.run_ready()
    assert Registration.objects.filter(receiver__site__code="HARB-1").count() == 2
    assert client.get(url).context["written"]


def test_a_worker_that_lost_its_lease_writes_nothing(world):
    client = world.client("office")
    url = check(client, right_sheets())
    client.post(f"{url}apply/", {"preview": client.get(url).context["seen"]["preview"]})
    job = Job.objects.get(handler="devices.imports.apply_upload")
    jobs.claim(job.pk)
    before = everything()
    stolen = jobs.Handle(job=job, attempt=1)
    Job.objects.filter(pk=job.pk).update(attempts=2)
    with pytest.raises(jobs.LeaseLost):
        imports.apply_upload(stolen, **job.args)
    assert everything() == before


def test_due_dates_are_told_once_with_every_receiver(world, django_capture_on_commit_callbacks):
    client = world.client("office")
    url = check(client, right_sheets())
    heard: list[dict[str, Any]] = []

    def listen(**given: Any) -> None:
        heard.append(given)

    slot_map_changed.connect(listen)
    try:
        with django_capture_on_commit_callbacks(execute=True):
            apply(client, url)
    finally:
        slot_map_changed.disconnect(listen)
    receiver = Receiver.objects.get(site__code="HARB-1")
    assert [(h["receiver_ids"], h["site_ids"]) for h in heard] == [([receiver.pk], [receiver.site_id])]


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


def test_closed_sites_and_retired_transmitters_are_named(world):
    client = world.client("office")
    bring_in(client, right_sheets())
    Site.objects.filter(code="HARB-1").update(closed_at=factories.NOW)
    Transmitter.objects.filter(serial="SK-00002").update(retired_at=factories.NOW)
    text = client.get(check(client, right_sheets())).content.decode()
    assert "The site “HARB-1” is closed on record" in text
    assert "Transmitter SK-00002 was taken out of use on record" in text


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
