"""The workbook import from upload to records: preview, all or nothing, the same file again changes nothing."""

from __future__ import annotations

from collections import Counter
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import call_command
from django.urls import reverse

from company import jobs
from company.models import ChangeRow, Contact, Customer, Job
from company.spreadsheets import csv_bytes
from devices.models import Fitting, FittingEnd, Output, Receiver, Registration, RegistrationOutput, Transmitter
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


def test_closed_sites_and_retired_transmitters_are_named(world):
    client = world.client("office")
    bring_in(client, right_sheets())
    Site.objects.filter(code="HARB-1").update(closed_at=factories.NOW)
    Transmitter.objects.filter(serial="SK-00002").update(retired_at=factories.NOW)
    text = client.get(check(client, right_sheets())).content.decode()
    assert "The site “HARB-1” is closed on record" in text
    assert "Transmitter SK-00002 was taken out of use on record" in text
