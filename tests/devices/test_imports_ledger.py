"""What an import does to the ledger beyond the plain cases: absences, spare slots, shared transmitters, types found out."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo

import pytest
from django.core.management import call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from company.actions import keep_upload
from company.models import ChangeRow
from company.spreadsheets import OutSheet, read_workbook, xlsx_bytes
from devices import imports
from devices.actions import import_undo
from devices.actions import imports as actions
from devices.actions.import_book import moment
from devices.actions.import_slots import DatedTooEarly
from devices.models import Away, Fitting, Receiver, Registration, Transmitter
from tests import factories
from tests.devices.rules.import_world import right_sheets, spoilt, workbook_file

LONDON = ZoneInfo("Europe/London")


@pytest.fixture(autouse=True)
def _catalogue(db: Any) -> None:
    call_command("load_catalogue", verbosity=0)


@pytest.fixture
def office(db: Any) -> Any:
    return factories.make_user("office")


def bring_in(office: Any, sheets: dict[str, list[dict[str, Any]]]) -> dict[str, int]:
    """Judge and apply without pages and jobs."""
    mark = actions.change_mark()
    result = imports.judge(read_workbook([("book.xlsx", workbook_file(sheets))]), timezone.now())
    assert result.checked.faults == ()
    book = actions.prepare_import(
        plan=result.plan, by=office, at=timezone.now(), reason="import of book.xlsx", batch=uuid4()
    )
    return actions.apply_import(book=book, plan=result.plan, mark=mark, finish=lambda counts: None)


def slot(number: int) -> Any:
    return Registration.objects.filter(receiver__site__code="HARB-1", slot=number).order_by("pk")


def test_an_absence_goes_on_under_the_new_registration_of_the_same_transmitter(office):
    bring_in(office, right_sheets())
    row = slot(1).get()
    Away.objects.create(
        customer_id=row.customer_id,
        site_id=row.site_id,
        registration=row,
        from_on=date(2026, 1, 1),
        reason="holiday",
        agreed_with="Ada",
    )
    bring_in(office, spoilt("slots", "supervision window", "24 h"))
    old, new = slot(1)
    assert Away.objects.get(registration=old).ended_on is not None
    assert (Away.objects.get(registration=new).reason, Away.objects.get(registration=new).ended_on) == ("holiday", None)


def test_an_absence_ends_with_a_transmitter_that_gives_way(office):
    bring_in(office, right_sheets())
    row = slot(1).get()
    Away.objects.create(
        customer_id=row.customer_id,
        site_id=row.site_id,
        registration=row,
        from_on=date(2026, 1, 1),
        reason="holiday",
        agreed_with="Ada",
    )
    bring_in(office, spoilt("slots", "transmitter serial", "SK-00009"))
    assert Away.objects.get().ended_on is not None


def test_a_spare_slot_is_not_taken_at_a_time_when_it_was_in_use(office):
    bring_in(office, right_sheets())
    ended = datetime(2024, 8, 1, 9, tzinfo=UTC)
    slot(1).update(removed_at=ended)
    with pytest.raises(DatedTooEarly, match=r"in use until 1 August 2024\. Correct"):
        bring_in(office, right_sheets())
    sheets = right_sheets()
    for row in sheets["slots"]:
        if row["slot"] == 1:
            row["registered on"] = date(2024, 8, 1)
    bring_in(office, sheets)
    old, new = slot(1)
    assert (old.removed_at, new.registered_at.date()) == (ended, date(2024, 8, 1))
    assert new.registered_at >= ended


def test_a_transmitter_declared_shared_stands_in_both_slots_and_keeps_one_battery(office):
    sheets = right_sheets()
    sheets["slots"][0]["declared shared"] = "yes"
    sheets["slots"][1] |= {
        "transmitter serial": "SK-00001",
        "transmitter type code": "pendant-long",
        "declared shared": "yes",
    }
    counts = bring_in(office, sheets)
    assert (counts["transmitters"], counts["slots"]) == (1, 2)
    assert Transmitter.objects.get().registrations.count() == 2
    assert Fitting.objects.filter(removed_at=None).count() == 1
    assert bring_in(office, sheets) == {}


def test_a_type_that_is_found_out_is_written_to_the_transmitter_alone(office):
    sheets = spoilt("slots", "transmitter type code", "unknown")
    bring_in(office, sheets)
    assert Transmitter.objects.get(serial="SK-00001").type is None
    version = Receiver.objects.get().version
    assert bring_in(office, right_sheets()) == {"transmitters": 1}
    assert Transmitter.objects.get(serial="SK-00001").type.code == "pendant-long"
    assert slot(1).count() == 1
    assert Receiver.objects.get().version == version + 1
    # "unknown" afterwards takes nothing back.
    assert bring_in(office, sheets) == {}


def test_a_receiver_of_unknown_type_has_the_slots_counted_and_outputs_as_driven(office):
    sheets = spoilt("receivers", "receiver type code", "unknown")
    sheets["receivers"][0]["slots"] = 6
    bring_in(office, sheets)
    receiver = Receiver.objects.get()
    assert (receiver.type, receiver.n_slots) == (None, 6)
    assert set(receiver.outputs.values_list("number", flat=True)) == {1, 2, 8}
    assert bring_in(office, sheets) == {}
    # Its type is found out later: the same receiver, now with every output of the type.
    assert bring_in(office, right_sheets()) == {"receivers": 1}
    receiver.refresh_from_db()
    assert (receiver.n_slots, receiver.outputs.count()) == (8, 8)


def test_a_past_fitting_ends_cells_that_were_still_in_on_record(office):
    sheets = right_sheets()
    del sheets["past fittings"]
    bring_in(office, sheets)
    later = {"past fittings": [right_sheets()["past fittings"][0] | {"fitted on": date(2024, 6, 1), "removed on": date(2025, 9, 1)}],
             "fittings": [right_sheets()["fittings"][0] | {"fitted on": date(2025, 9, 1)}]}  # fmt: skip
    bring_in(office, later)
    old, new = Fitting.objects.order_by("fitted_at")
    assert (old.removed_at, old.removed_why, old.removed_v) == (new.fitted_at, "preventive", 2.9)
    assert bring_in(office, later) == {}


def test_every_version_in_the_log_is_the_one_the_receiver_has_then(office):
    bring_in(office, right_sheets())
    bring_in(office, spoilt("slots", "supervision window", "24 h"))
    receiver = Receiver.objects.get()
    newest = ChangeRow.objects.filter(verb="change_slot").get()
    assert newest.after["version"] == receiver.version
    assert newest.after["receiver"] == receiver.pk
    assert newest.reason == "import of book.xlsx"


def test_a_site_in_another_time_zone_keeps_its_days(office):
    sheets = right_sheets()
    sheets["sites"][0]["time zone"] = "Pacific/Auckland"
    bring_in(office, sheets)
    assert slot(1).get().registered_at == datetime(2023, 5, 3, 12, tzinfo=ZoneInfo("Pacific/Auckland"))
    assert bring_in(office, sheets) == {}


@pytest.mark.parametrize(
    ("day", "expected"),
    [
        (date(2026, 3, 1), datetime(2026, 3, 1, 12, tzinfo=LONDON)),
        (date(2026, 3, 14), datetime(2026, 3, 14, 9, tzinfo=UTC)),
        (date(2026, 3, 15), datetime(2026, 3, 15, 0, tzinfo=LONDON)),
    ],
)
def test_a_day_becomes_its_noon_but_never_later_than_now_on_that_day(day, expected):
    assert moment(day, LONDON, datetime(2026, 3, 14, 9, tzinfo=UTC)) == expected


def test_codes_match_whatever_their_capital_letters(office):
    bring_in(office, right_sheets())
    sheets = right_sheets()
    for rows in sheets.values():
        for row in rows:
            for heading in ("customer code", "site code"):
                if heading in row:
                    row[heading] = row[heading].lower()
    assert bring_in(office, sheets) == {}


def test_a_workbook_of_customers_alone_is_enough(office):
    body = xlsx_bytes([OutSheet("customers", ["customer code", "name"], [["FERRY", "Ferry Company"]])])
    mark = actions.change_mark()
    result = imports.judge(read_workbook([("book.xlsx", body)]), timezone.now())
    book = actions.prepare_import(plan=result.plan, by=office, at=timezone.now(), reason="import", batch=uuid4())
    counts = actions.apply_import(book=book, plan=result.plan, mark=mark, finish=lambda counts: None)
    assert counts == {"customers": 1}


@pytest.mark.parametrize("deed", ["import", "undo"])
def test_the_writing_transaction_makes_the_same_number_of_statements_however_many_rows(office, deed):
    numbers = []
    for n, code in ((2, "A"), (40, "B")):
        body = workbook_file(many_slots(n, code))
        mark = actions.change_mark()
        result = imports.judge(read_workbook([("book.xlsx", body)]), timezone.now())
        upload = keep_upload(kind=imports.KIND, name="book.xlsx", content=body, by=office, at=timezone.now())
        book = actions.prepare_import(
            plan=result.plan, by=office, at=timezone.now(), reason="import", batch=upload.uuid
        )
        with CaptureQueriesContext(connection) as queries:
            actions.apply_import(book=book, plan=result.plan, mark=mark, finish=lambda counts: None)
        if deed == "undo":
            now, mark = timezone.now(), actions.change_mark()
            prepared = import_undo.prepare_taking_back(upload=upload, by=office, at=now)
            with CaptureQueriesContext(connection) as queries:
                import_undo.take_back_import(
                    prepared=prepared, upload=upload, mark=mark, by=office, at=now, finish=lambda counts: None
                )
        numbers.append(len(queries))
        assert Registration.objects.filter(receiver__site__code=code).count() == (n if deed == "import" else 0)
    assert numbers[0] == numbers[1]


def many_slots(n: int, code: str) -> dict[str, list[dict[str, Any]]]:
    """A site of its own whose receiver has `n` slots taken."""
    sheets = right_sheets()
    slot, cells = sheets["slots"][0] | {"outputs": "1 follower"}, sheets["fittings"][0]
    sheets["receivers"][0] |= {"receiver type code": "receiver-64", "serial": f"RX-{code}"}
    sheets["slots"] = [{**slot, "slot": i + 1, "transmitter serial": f"{code}-{i:05d}"} for i in range(n)]
    sheets["fittings"] = [{**cells, "transmitter serial": f"{code}-{i:05d}"} for i in range(n)]
    del sheets["past fittings"], sheets["outputs"]
    sheets["customers"][0]["customer code"] = sheets["sites"][0]["customer code"] = code
    return {
        name: [row | ({"site code": code} if "site code" in row else {}) for row in rows]
        for name, rows in sheets.items()
    }
