"""The export: what comes out goes in again, into an empty firm or the same one, and no access note is ever in it."""

from __future__ import annotations

import io
import zipfile
from datetime import date, timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.core.management import call_command
from django.urls import reverse
from django.utils import timezone

from company import jobs, sealed
from company.models import ChangeRow, Contact, Customer, Job, Upload
from company.sheets import Workbook
from company.spreadsheets import read_workbook
from devices import imports
from devices.actions import imports as actions
from devices.actions.exports import KIND
from devices.models import Fitting, Receiver, Registration, Transmitter, TransmitterType
from sites.models import AccessNote, Site
from tests import factories
from tests.devices.rules.import_world import right_sheets, workbook_file

ODD = "  =SUM(A1)  “quoted” 'and'\nsecond\tline "
MODELS = (Customer, Contact, Site, Receiver, Transmitter, Registration, Fitting)


@pytest.fixture(autouse=True)
def _catalogue(db: Any) -> None:
    call_command("load_catalogue", verbosity=0)


def bring_in(body: bytes, by: Any, name: str = "book.xlsx") -> dict[str, int]:
    """Import a file without pages and jobs; gives what was written."""
    mark = actions.change_mark()
    result = imports.judge(read_workbook([(name, body)]), timezone.now())
    assert result.checked.faults == ()
    if result.plan.is_empty:
        return {}
    book = actions.prepare_import(plan=result.plan, by=by, at=timezone.now(), reason="import", batch=uuid4())
    return actions.apply_import(book=book, plan=result.plan, mark=mark, finish=lambda counts: None)


def export(client: Any, **chosen: Any) -> bytes:
    """Ask on the page, let the job run, download the file."""
    answer = client.post(reverse("devices:export"), {"format": "xlsx", **chosen})
    assert answer.status_code == 302, answer.content.decode()
    jobs.run_ready()
    job = Job.objects.filter(handler="devices.imports.exports.make_export").latest("pk")
    assert job.state == Job.State.DONE, job.error
    file = client.get(reverse("devices:export_download", args=[job.result["upload"]]))
    assert file.status_code == 200
    return bytes(file.content)


def rows_of(body: bytes, name: str = "book.xlsx") -> dict[str, Any]:
    """Cells of every sheet but the notes."""
    book: Workbook = read_workbook([(name, body)])
    return {
        sheet.name: [sheet.header, *(row.cells for row in sheet.rows)]
        for sheet in book.sheets
        if not sheet.name.startswith("notes")
    }


def empty_the_firm() -> None:
    """Take every record away, as a firm that has only its people and the shipped catalogue."""
    from django.db import connection

    Registration.objects.update(replaces=None)
    names = connection.introspection.table_names()
    kept = ("django_", "company_user", "company_firm", "company_job", "company_upload", "company_riskpolicy", "auth_")
    kept += ("account_", "mfa_", "socialaccount", "usersessions", "sqlite_", "devices_batterytype",)  # fmt: skip
    kept += ("search_",)  # the tables of parts of words are kept true by triggers, never written by hand
    kept += ("devices_transmittertype", "devices_receivertype", "company_technician")
    with connection.cursor() as cursor:
        for _ in range(12):
            left = [name for name in names if not name.startswith(kept)]
            for name in left:
                cursor.execute(f'DELETE FROM "{name}"')


def odd_world(office: Any) -> None:
    """Records of every odd kind that a workbook must carry there and back."""
    sheets = right_sheets()
    place = {"site code": "HARB-1", "receiver": "Main"}
    sheets["receivers"].append(
        {
            **sheets["receivers"][0],
            "receiver": "'=Attic",
            "receiver type code": "unknown",
            "slots": 20,
            "serial": "007",
            "installed on": None,
            "standby battery fitted on": None,
        }
    )
    sheets["receivers"][0]["slots"] = None
    sheets["sites"].append(
        {
            **sheets["sites"][0],
            "site code": "0042",
            "name": "Far side",
            "time zone": "Pacific/Auckland",
            "latitude": 0.1 + 0.2,
            "longitude": -36.123456789012345,
        }
    )
    sheets["receivers"].append({**sheets["receivers"][0], "site code": "0042", "receiver": "One", "serial": "0012"})
    sheets["slots"] += [
        {**place, "slot": 5, "transmitter serial": "unknown", "transmitter type code": None, "duty class": "convenience",
         "label": "nobody knows", "supervision window": "off", "check-in interval": "unknown", "outputs": "none"},
        {**place, "slot": 6, "transmitter serial": "00123", "transmitter type code": "unknown", "duty class": "security",
         "label": "two places", "supervision window": "60 min", "check-in interval": "90 s", "outputs": "3 momentary 2.5 s; 4",
         "declared shared": "yes", "registered on": date(2024, 2, 29)},
        {**place, "receiver": "'=Attic", "slot": 20, "transmitter serial": "00123", "transmitter type code": "unknown",
         "duty class": "security", "label": "two places", "outputs": "2 toggle", "declared shared": "yes"},
        {**place, "site code": "0042", "receiver": "One", "slot": 1, "transmitter serial": "NZ-1",
         "transmitter type code": "pendant-long", "registered on": date(2025, 7, 1)},
    ]  # fmt: skip
    two = next(t.code for t in TransmitterType.objects.order_by("pk") if t.n_inputs > 1)
    sheets["slots"] += [
        {
            **place,
            "slot": n,
            "transmitter serial": "IN-2",
            "transmitter type code": two,
            "input": n - 6,
            "label": f"input {n}",
        }
        for n in (7, 8)
    ]
    sheets["fittings"] += [
        {"transmitter serial": "00123", "battery code": "unknown", "fitted on": "unknown"},
        {
            "transmitter serial": "NZ-1",
            "battery code": "CR2450",
            "fitted on": date(2025, 7, 1),
            "cell made on": date(2024, 1, 1),
        },
    ]
    sheets["past fittings"].append(
        {"transmitter serial": "00123", "battery code": "unknown", "fitted on": "unknown", "removed on": date(2024, 3, 1),
         "why it came out": "wrong type"}
    )  # fmt: skip
    heads = {name: list(dict.fromkeys(key for row in rows for key in row)) for name, rows in sheets.items()}
    full = {name: [{head: row.get(head) for head in heads[name]} for row in rows] for name, rows in sheets.items()}
    bring_in(workbook_file(full), office)
    customer = Customer.objects.get(code="HARB")
    for phone in ("1", "2"):
        Contact.objects.create(customer=customer, name="Reception", phone=phone)
    Site.objects.filter(code="0042").update(address=ODD, town="-5", person_to_meet="@home")
    Registration.objects.filter(slot=5).update(label="+44 or = or\nboth", area="  two  spaces ")
    Fitting.objects.filter(removed_at__isnull=False, battery_type=None).update(removed_why="")


@pytest.mark.parametrize("format", ["xlsx", "csv"])
def test_an_export_brought_into_an_empty_firm_comes_out_the_same_cell_for_cell(world, format):
    office, client = world.office, world.client("office")
    odd_world(office)
    name = "all.xlsx" if format == "xlsx" else "all.zip"
    body = export(client, format=format)
    first = rows_of(body, name)
    assert len(first["slots"]) > 8
    assert len(first["contacts"]) >= 3
    empty_the_firm()
    assert not any(model.objects.exists() for model in MODELS)
    bring_in(body, office, name)
    assert rows_of(export(client, format=format), name) == first


def test_no_standby_battery_goes_in_as_none_and_comes_out_as_none(world):
    sheets = right_sheets()
    sheets["receivers"][0]["standby battery fitted on"] = "none"
    bring_in(workbook_file(sheets), world.office)
    rows = rows_of(export(world.client("office"), format="xlsx"), "all.xlsx")["receivers"]
    assert ("HARB-1", "none") in {(str(row[0]), str(row[-1])) for row in rows}


@pytest.mark.parametrize("format", ["xlsx", "csv"])
def test_an_export_imported_into_the_same_firm_changes_nothing(world, format):
    odd_world(world.office)
    body = export(world.client("office"), format=format)
    n_before = ChangeRow.objects.count()
    assert bring_in(body, world.office, "all.xlsx" if format == "xlsx" else "all.zip") == {}
    assert ChangeRow.objects.count() == n_before


def test_one_customer_and_one_site_stand_alone(world):
    odd_world(world.office)
    client = world.client("office")
    customer = rows_of(export(client, customer=Customer.objects.get(code="HARB").pk))
    assert [row[0] for row in customer["customers"][1:]] == ["HARB"]
    assert sorted(row[0] for row in customer["sites"][1:]) == ["0042", "HARB-1"]
    site = rows_of(export(client, site=Site.objects.get(code="0042").pk))
    assert {row[0] for row in site["slots"][1:]} == {"0042"}
    assert {row[0] for row in site["fittings"][1:]} == {"NZ-1"}
    empty_the_firm()
    assert bring_in(export_body_of(site), world.office)["slots"] == 1


def export_body_of(rows: dict[str, Any]) -> bytes:
    """The rows as a file again."""
    return workbook_file(
        {name: [dict(zip(table[0], row, strict=True)) for row in table[1:]] for name, table in rows.items() if len(table) > 1}
    )  # fmt: skip


def test_no_access_note_is_ever_exported(world):
    odd_world(world.office)
    site = Site.objects.get(code="HARB-1")
    secret = "door code 4711-planted"
    AccessNote.objects.create(customer=site.customer, site=site, title="key safe planted", cipher=sealed.seal(secret))
    client = world.client("office")
    for format in ("xlsx", "csv"):
        body = export(client, format=format)
        with zipfile.ZipFile(io.BytesIO(body)) as archive:
            parts = b"".join(archive.read(part) for part in archive.namelist())
        assert b"HARB-1" in parts
        for planted in (b"4711", b"planted"):
            assert planted not in parts


def test_closed_sites_and_what_an_import_would_refuse_are_left_out_and_told(world):
    odd_world(world.office)
    Site.objects.filter(code="0042").update(closed_at=timezone.now())
    Receiver.objects.filter(serial="007").update(cable_gauge="thick")
    body = export(world.client("office"), customer=Customer.objects.get(code="HARB").pk)
    assert [row[0] for row in rows_of(body)["sites"][1:]] == ["HARB-1"]
    notes = next(sheet for sheet in read_workbook([("all.xlsx", body)]).sheets if sheet.name.startswith("notes"))
    assert any("thick" in row.cells and "cable gauge" in row.cells for row in notes.rows)
    assert Job.objects.latest("pk").result["left_out"] == 1


def test_the_export_is_logged_and_its_file_goes_after_a_week(world):
    client = world.client("office")
    export(client)
    assert ChangeRow.objects.filter(verb="export_records", by=world.office).count() == 1
    Upload.objects.filter(kind=KIND).update(at=timezone.now() - timedelta(days=8))
    export(client)
    assert Upload.objects.filter(kind=KIND).count() == 1
    assert "no longer kept" in client.get(reverse("devices:export")).content.decode()


def test_a_site_of_another_customer_is_refused(world):
    odd_world(world.office)
    other = factories.make_site()
    answer = world.client("office").post(
        reverse("devices:export"),
        {"format": "xlsx", "customer": Customer.objects.get(code="HARB").pk, "site": other.pk},
    )
    assert answer.status_code == 422
    assert "is not a site of" in answer.content.decode()
    assert not Job.objects.filter(handler__contains="make_export").exists()
