"""Event logs as they really come: every kind of file, heading, time, word and slip, and what becomes of it."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from company.sheets import Row
from company.spreadsheets import BadFile, OutSheet, xlsx_bytes
from devices.imports.event_logs import looked_at
from devices.imports.log_rows import open_log
from devices.rules.event_log import LogMap, LogReader, Part, Place
from devices.rules.event_log_memory import remembered_columns, to_remember
from devices.rules.events import Event
from tests import factories


@dataclass
class Nowhere:
    """No receiver is on record but these."""

    known: dict[str, Place] = field(default_factory=lambda: {"4711": Place("RX1", 0), "500": Place("RX5", 100)})

    def find(self, place: str, receiver: str) -> Place:
        return self.known.get(place or receiver) or Place(place or receiver, is_unknown=True)


def look(content: bytes | str, name: str = "log.csv", **draft: Any) -> dict[str, Any]:
    body = content if isinstance(content, bytes) else content.encode()
    return looked_at(open_log(name, body), draft, {}, lambda n: None)


def read(content: bytes | str, name: str = "log.csv", **over: Any) -> Part:
    """All rows of a file, read as proposed, with some of it chosen otherwise."""
    body = content if isinstance(content, bytes) else content.encode()
    seen = look(body, name)
    words = {key: guess for key, _shown, _n, guess in seen["words"] if guess}
    fields = {
        "columns": seen["columns"], "head_row": seen["head_row"], "sheet": seen["sheet"], "words": words,
        "time_format": seen["time_format"] or "iso", "is_falling": seen["is_falling"], "zone": "Europe/London",
    }  # fmt: skip
    chosen = LogMap(**(fields | over))
    reader = LogReader(chosen, zone=ZoneInfo(chosen.zone), places=Nowhere(), now=factories.NOW)
    parts = list(reader.parts(open_log(name, body).rows(chosen.sheet)))
    assert len(parts) == 1, "The files of this table are small."
    return parts[0]


def workbook(*rows: list[Any], name: str = "Sheet1") -> bytes:
    return xlsx_bytes([OutSheet(name, rows[0], rows[1:])])


def zipped(**files: str) -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as archive:
        for name, text in files.items():
            archive.writestr(f"{name}.csv", text)
    return target.getvalue()


AT = datetime(2026, 11, 3, 14, 5, tzinfo=UTC)
LOW = ("low_battery", AT, "AB-1")

# A file, and the one event that it holds.
ONE: dict[str, tuple[bytes | str, str]] = {
    "commas": ("Time,Serial,Event\n2026-11-03 14:05,AB-1,E384\n", "log.csv"),
    "semicolons": ("Time;Serial;Event\n2026-11-03 14:05;AB-1;E384\n", "log.csv"),
    "semicolons and decimal commas": ("Time;Serial;Event;Margin\n2026-11-03 14:05;AB-1;E384;12,5\n", "log.csv"),
    "tabs": ("Time\tSerial\tEvent\n2026-11-03 14:05\tAB-1\tE384\n", "log.tsv"),
    "bars": ("Time|Serial|Event\n2026-11-03 14:05|AB-1|E384\n", "log.txt"),
    "sep line": ("sep=;\nTime;Serial;Event\n2026-11-03 14:05;AB-1;E384\n", "log.csv"),
    "a name ending in .log": ("Time,Serial,Event\n2026-11-03 14:05,AB-1,E384\n", "events.log"),
    "a name without an ending": ("Time,Serial,Event\n2026-11-03 14:05,AB-1,E384\n", "20261103"),
    "UTF-8 with a mark": ("\ufeffTime,Serial,Event\n2026-11-03 14:05,AB-1,E384\n".encode(), "log.csv"),
    "UTF-16 with a mark": ("Time,Serial,Event\n2026-11-03 14:05,AB-1,E384\n".encode("utf-16"), "log.csv"),
    "UTF-16 without one": ("Time,Serial,Event\n2026-11-03 14:05,AB-1,E384\n".encode("utf-16-le"), "log.csv"),
    "western letters": ("Time,Serial,Event,Text\n2026-11-03 14:05,AB-1,E384,Küche\n".encode("cp1252"), "log.csv"),
    "old line ends": ("Time,Serial,Event\r2026-11-03 14:05,AB-1,E384\r", "log.csv"),
    "windows line ends": ("Time,Serial,Event\r\n2026-11-03 14:05,AB-1,E384\r\n", "log.csv"),
    "no last line end": ("Time,Serial,Event\n2026-11-03 14:05,AB-1,E384", "log.csv"),
    "quoted cells": ('"Time","Serial","Event"\n"2026-11-03 14:05","AB-1","E384"\n', "log.csv"),
    "a line break in a cell": ('Time,Serial,Event,Text\n2026-11-03 14:05,AB-1,E384,"one\ntwo"\n', "log.csv"),
    "digits forced to text": ('Time,Serial,Event\n2026-11-03 14:05,="AB-1",E384\n', "log.csv"),
    "blanks round cells": ("Time , Serial , Event\n 2026-11-03 14:05 , AB-1 , E384 \n", "log.csv"),
    "no-break blanks": ("Time,Serial,Event\n2026-11-03\u00a014:05,AB-1,E384\n", "log.csv"),
    "empty rows between": ("Time,Serial,Event\n\n,,\n2026-11-03 14:05,AB-1,E384\n\n", "log.csv"),
    "a title above the headings": ("Event report\nfor Bay Care\n\nTime,Serial,Event\n2026-11-03 14:05,AB-1,E384\n", "log.csv"),
    "no headings": ("2026-11-03 14:05,E384,AB-1\n", "log.csv"),
    "headings in another order": ("Event,Serial,Time\nE384,AB-1,2026-11-03 14:05\n", "log.csv"),
    "strange headings": ("Quando,Cosa,Chi\n2026-11-03 14:05,E384,AB-1\n", "log.csv"),
    "headings run together": ("EventTime,SerialNumber,EventCode\n2026-11-03 14:05,AB-1,E384\n", "log.csv"),
    "a short last row": ("Time,Event,Serial,Text\n2026-11-03 14:05,E384,AB-1\n", "log.csv"),
    "day and time apart": ("Date,Time,Serial,Event\n2026-11-03,14:05,AB-1,E384\n", "log.csv"),
    "time in halves of the day": ("Date,Time,Serial,Event\n2026-11-03,2:05 PM,AB-1,E384\n", "log.csv"),
    "the T between": ("Time,Serial,Event\n2026-11-03T14:05:00,AB-1,E384\n", "log.csv"),
    "its own zone": ("Time,Serial,Event\n2026-11-03T09:05:00-05:00,AB-1,E384\n", "log.csv"),
    "Z for UTC": ("Time,Serial,Event\n2026-11-03T14:05:00.000Z,AB-1,E384\n", "log.csv"),
    "the month as a word": ("Time,Serial,Event\n3 Nov 2026 14:05,AB-1,E384\n", "log.csv"),
    "the month first as a word": ('Time,Serial,Event\n"Nov 3, 2026 2:05 pm",AB-1,E384\n', "log.csv"),
    "the weekday in front": ('Time,Serial,Event\n"Tue, 3 November 2026 14:05",AB-1,E384\n', "log.csv"),
    "seconds since 1970": ("Time,Serial,Event\n1793714700,AB-1,E384\n", "log.csv"),
    "milliseconds since 1970": ("Time,Serial,Event\n1793714700000,AB-1,E384\n", "log.csv"),
    "digits run together": ("Time,Serial,Event\n20261103140500,AB-1,E384\n", "log.csv"),
    "points for colons": ("Time,Serial,Event\n2026-11-03 14.05,AB-1,E384\n", "log.csv"),
    "slashes, year first": ("Time,Serial,Event\n2026/11/03 14:05,AB-1,E384\n", "log.csv"),
    "qualifier 1": ("Time,Serial,Event\n2026-11-03 14:05,AB-1,1384\n", "log.csv"),
    "the whole block": ("Time,Serial,Event\n2026-11-03 14:05,AB-1,1384 00 005\n", "log.csv"),
    "code and words": ("Time,Serial,Event\n2026-11-03 14:05,AB-1,E384 - RF low battery\n", "log.csv"),
    "DC-03 letters": ("Time,Serial,Event\n2026-11-03 14:05,AB-1,XT\n", "log.csv"),
    "code and state apart": ("Time,Serial,Event code,State\n2026-11-03 14:05,AB-1,384,New\n", "log.csv"),
    "plain words": ("Time,Serial,Event\n2026-11-03 14:05,AB-1,Low battery\n", "log.csv"),
    "words with the zone in them": ("Time,Serial,Event\n2026-11-03 14:05,AB-1,Low Battery - Zone 12\n", "log.csv"),
    "our own code": ("Time,Serial,Event\n2026-11-03 14:05,AB-1,low_battery\n", "log.csv"),
    "a formula's guard": ("Time,Serial,Event,Text\n2026-11-03 14:05,AB-1,E384,'=1+1\n", "log.csv"),
    "a workbook with times": (workbook(["Time", "Serial", "Event"], [datetime(2026, 11, 3, 14, 5), "AB-1", "E384"]), "log.xlsx"),
    "a workbook with text": (workbook(["Time", "Serial", "Event"], ["2026-11-03 14:05", "AB-1", "E384"]), "log.xlsx"),
    "a packed CSV": (zipped(events="Time,Serial,Event\n2026-11-03 14:05,AB-1,E384\n"), "log.zip"),
}  # fmt: skip


@pytest.mark.parametrize("case", ONE)
def test_a_file_of_this_kind_gives_its_event(case: str) -> None:
    part = read(*ONE[case])
    assert not part.problems
    assert [(event.kind, event.at, event.serial) for event in part.events] == [LOW]


def event_of(row: str, head: str = "Time,Serial,Event", **over: Any) -> Event:
    part = read(f"{head}\n{row}\n", **over)
    assert not part.problems
    return part.events[0]


def why(row: str, head: str = "Time,Serial,Event", **over: Any) -> tuple[int, str, str]:
    """The one problem of a file whose other row is sound."""
    n_cells = head.count(",")
    part = read(f"{head}\n{row}\n2026-11-03 14:05,AB-9,E384{',' * (n_cells - 2)}\n", **over)
    assert len(part.problems) == 1, part.problems
    assert len(part.events) == 1, "A bad row holds up no other."
    problem = part.problems[0]
    return problem.row, problem.field, problem.why


@pytest.mark.parametrize(
    ("row", "place", "words"),
    [
        ("2026-13-03 14:05,AB-1,E384", "time", "no day or time that there is"),
        ("2026-02-30 14:05,AB-1,E384", "time", "no day or time that there is"),
        ("2026-11-03 25:05,AB-1,E384", "time", "no day or time that there is"),
        ("2026-11-03 13:05 pm,AB-1,E384", "time", "no day or time that there is"),
        ("yesterday,AB-1,E384", "time", "no time in the form"),
        (",AB-1,E384", "time", "missing"),
        ("2026-11-27 14:05,AB-1,E384", "time", "more than a day ahead"),
        ("1999-11-27 14:05,AB-1,E384", "time", "no day or time that there is"),
        ("2026-03-29 01:30,AB-1,E384", "time", "left 01:30 out"),
        ("2026-11-03 14:05,,E384", "serial", "neither a serial nor a zone"),
        ("2026-11-03 14:05,n/a,E384", "serial", "neither a serial nor a zone"),
        (f"2026-11-03 14:05,{'X' * 41},E384", "serial", "at most 40"),
        ("2026-11-03 14:05,AB-1,", "kind", "does not say what happened"),
        ("2026-11-03 14:05,AB-1,Zwiebelfisch", "kind", "Nobody chose yet what “Zwiebelfisch” means"),
        ("2026-11-03 14:05,AB-1,E301", "receiver", "which receiver or account"),
    ],
)
def test_a_bad_row_comes_back_with_its_number_and_the_reason(row: str, place: str, words: str) -> None:
    number, field_name, said = why(row)
    assert (number, field_name) == (2, place)
    assert words in said


@pytest.mark.parametrize(
    ("row", "place", "words"),
    [
        ("2026-11-03 14:05,AB-1,E384,loud,", "margin_db", "no figure"),
        ("2026-11-03 14:05,AB-1,E384,500,", "margin_db", "between"),
        ("2026-11-03 14:05,AB-1,E384,,99", "battery_v", "between"),
    ],
)
def test_a_figure_that_cannot_be_is_told_and_costs_no_event(row: str, place: str, words: str) -> None:
    part = read(f"Time,Serial,Event,Margin,Volts\n{row}\n2026-11-03 14:05,AB-9,E384,12,\n")
    told = [(event.serial, event.margin_db, event.battery_v) for event in part.events]
    assert told == [("AB-1", None, None), ("AB-9", 12.0, None)]
    assert part.problems == []
    ((number, field_name, said),) = [(one.row, one.field, one.why) for one in part.unread]
    assert (number, field_name) == (2, place)
    assert words in said


@pytest.mark.parametrize("zone", ["hall", "2000"])
def test_a_zone_that_is_none_costs_the_event_only_where_no_serial_stands(zone: str) -> None:
    head = "Time,Serial,Zone,Account,Event"
    part = read(f"{head}\n2026-11-03 14:05,AB-1,{zone},4711,E384\n2026-11-03 14:05,,{zone},4711,E384\n")
    assert [(event.serial, event.slot) for event in part.events] == [("AB-1", None)]
    assert [(one.row, one.field) for one in part.unread] == [(2, "slot")]
    assert [(one.row, one.field) for one in part.problems] == [(3, "slot")]


@pytest.mark.parametrize(
    ("cell", "margin"), [("12", 12.0), ("12.5 dB", 12.5), ("-3", -3.0), ("−3", -3.0), ("n/a", None), ("-", None), ("", None)]
)  # fmt: skip
def test_margins_are_read_as_people_write_them(cell: str, margin: float | None) -> None:
    assert event_of(f"2026-11-03 14:05,AB-1,check-in,{cell}", head="Time,Serial,Event,Margin").margin_db == margin


@pytest.mark.parametrize(
    ("account", "zone", "receiver", "slot"),
    [("4711", "12", "RX1", 12), ("4711", "Zone 012", "RX1", 12), ("4711", "C007", "RX1", 7), ("500", "112", "RX5", 12), ("999", "4", "999", 4)],
)  # fmt: skip
def test_an_account_and_a_zone_name_a_slot(account: str, zone: str, receiver: str, slot: int) -> None:
    event = event_of(f"2026-11-03 14:05,{account},E384,{zone}", head="Time,Account,Event,Zone")
    assert (event.receiver, event.slot, event.serial) == (receiver, slot, "")


@pytest.mark.parametrize(
    ("zone", "words"), [("0", "would be slot 0"), ("5000", "go from 1"), ("kitchen", "no zone number")]
)
def test_a_zone_that_is_no_slot_is_told(zone: str, words: str) -> None:
    part = read(
        f"Time,Account,Event,Zone\n2026-11-03 14:05,4711,E384,{zone}\n",
        columns={"time": 0, "place": 1, "event": 2, "slot": 3},
    )
    assert words in part.problems[0].why


def test_of_two_columns_that_could_be_the_account_the_filled_one_is_proposed() -> None:
    seen = look("Time,Account No,Site,Event,Zone\n2026-11-03 14:05,,BAY,E384,1\n")
    assert seen["columns"]["place"] == 2


def test_the_zone_may_stand_in_the_code_or_the_words_alone() -> None:
    for word in ("1384 00 012", "Low battery zone 12"):
        event = event_of(f"2026-11-03 14:05,4711,{word}", head="Time,Account,Event")
        assert (event.receiver, event.slot) == ("RX1", 12)


def test_a_serial_counts_where_its_account_is_unknown() -> None:
    event = event_of("2026-11-03 14:05,999,E384,AB-1", head="Time,Account,Event,Serial")
    assert (event.receiver, event.serial) == ("", "AB-1")


def test_a_file_of_check_ins_alone_needs_no_column_of_words() -> None:
    event = event_of("2026-11-03 14:05,AB-1", head="Time,Serial", every_row="check_in")
    assert event.kind == "check_in"


def test_a_clock_a_little_ahead_is_cut_to_now_and_counted() -> None:
    part = read("Time,Serial,Event\n2026-11-25 10:30,AB-1,E384\n2026-11-25 10:04,AB-1,E384\n")
    assert part.n_clamped == 1
    assert [event.at for event in part.events] == [factories.NOW, factories.NOW]


def test_a_file_may_be_years_old() -> None:
    assert event_of("2021-05-03 14:05,AB-1,E384").at == datetime(2021, 5, 3, 13, 5, tzinfo=UTC)


def test_words_to_be_left_out_are_counted_and_not_lost() -> None:
    part = read("Time,Serial,Event\n2026-11-03 14:05,AB-1,E401\n2026-11-03 14:05,AB-1,E384\n")
    assert (part.n_rows, part.n_ignored, len(part.events)) == (2, 1, 1)


def test_row_numbers_are_those_of_a_spreadsheet_program() -> None:
    part = read('Report\n\nTime,Serial,Event,Text\n2026-11-03 14:05,AB-1,E384,"two\nlines"\n\nnever,AB-1,E384,\n')
    assert [problem.row for problem in part.problems] == [6]
    assert [event.row for event in part.events] == [4]


# --- day first or month first ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cells", "form"),
    [
        (["03/11/2026", "13/11/2026"], "dmy"), (["11/03/2026", "11/13/2026"], "mdy"), (["03.11.2026", "30.11.2026"], "dmy"),
        (["03-11-26 14:05", "31-10-26 2:05 pm"], "dmy"), (["2026-11-03"], "iso"), (["3 Nov 2026"], "iso"), (["1793714700"], "epoch"),
        (["20261103"], "ymd"),
    ],
)  # fmt: skip
def test_the_form_of_times_is_known_where_the_cells_tell(cells: list[str], form: str) -> None:
    seen = look("Time,Serial,Event\n" + "".join(f"{cell},AB-1,E384\n" for cell in cells))
    assert (seen["time_format"], seen["is_asked"]) == (form, False)


@pytest.mark.parametrize("cells", [["03/11/2026", "04/11/2026"], ["13/11/2026", "11/13/2026"]])
def test_day_and_month_are_asked_for_where_the_cells_do_not_tell(cells: list[str]) -> None:
    seen = look("Time,Serial,Event\n" + "".join(f"{cell},AB-1,E384\n" for cell in cells))
    assert (seen["time_format"], seen["is_asked"]) == ("", True)


@pytest.mark.parametrize(("form", "month"), [("dmy", 11), ("mdy", 3)])
def test_what_was_chosen_decides(form: str, month: int) -> None:
    assert event_of("03/11/2026 14:05,AB-1,E384", time_format=form).at.month == month


def test_a_number_above_12_anywhere_in_the_file_tells() -> None:
    rows = "".join(f"0{1 + n % 9}/11/2026 10:00,AB-1,E384\n" for n in range(3000))
    assert look(f"Time,Serial,Event\n{rows}25/11/2026 10:00,AB-1,E384\n")["time_format"] == "dmy"


# --- files that are none -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("body", "name", "words"),
    [
        (b"", "log.csv", "is empty"),
        (b"   \n  \n", "log.csv", "no filled row"),
        (b"%PDF-1.7", "log.pdf", "a PDF"),
        (b"\x89PNG\r\n", "log.png", "a picture"),
        (b"\x1f\x8b\x08", "log.gz", "a packed file"),
        (b"PK\x03\x04broken", "log.xlsx", "damaged"),
        (b"<!DOCTYPE html><table>", "log.csv", "a web page"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + "Workbook".encode("utf-16-le"), "log.xls", "old .xls kind"),
        (bytes(range(256)) * 8, "log.csv", "no text file"),
        (zipped(), "log.zip", "neither a workbook nor CSV"),
        (b"x" * 20_000_001, "log.csv", "at most 20 MB"),
    ],
)
def test_what_is_no_event_log_says_what_to_do(body: bytes, name: str, words: str) -> None:
    with pytest.raises(BadFile, match=words):
        list(open_log(name, body).rows())


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('Time,Serial\n1,"open\n2,x\n', "after row"),
        ("Time,Serial\n1," + "x" * 140_000 + "\n", "far too long"),
        ("a" + ",a" * 300 + "\n", "300|columns"),
    ],
)
def test_a_broken_row_is_named(text: str, words: str) -> None:
    with pytest.raises(BadFile, match=words):
        list(open_log("log.csv", text.encode()).rows())


# --- what is remembered ------------------------------------------------------------------------------------------------


def test_columns_are_found_again_by_their_headings_in_another_order() -> None:
    kept = to_remember({"columns": {"time": 0, "serial": 1}, "head_row": 1}, ["Time", "Unit"], {})
    assert remembered_columns(kept, ["UNIT", "Text", "time"], {}) == {"time": 2, "serial": 0}


def test_a_missing_heading_makes_the_whole_file_be_looked_at_afresh() -> None:
    kept = to_remember({"columns": {"time": 0, "serial": 1}, "head_row": 1}, ["Time", "Unit"], {})
    assert remembered_columns(kept, ["Time", "Device"], {}) is None


def test_a_column_that_the_last_file_did_not_have_is_taken_as_proposed_and_one_left_out_stays_out() -> None:
    kept = to_remember({"columns": {"time": 0, "serial": 1}, "head_row": 1}, ["Time", "Unit", "Text"], {})
    proposed = {"time": 0, "serial": 1, "note": 2, "margin": 3}
    assert remembered_columns(kept, ["Time", "Unit", "Text", "Margin"], proposed) == {
        "time": 0,
        "serial": 1,
        "margin": 3,
    }


def test_words_of_former_files_stay_remembered() -> None:
    kept = to_remember({"columns": {}, "words": {"b": "tamper"}}, [], {"words": {"a": "low_battery", "b": "ignore"}})
    assert kept["words"] == {"a": "low_battery", "b": "tamper"}


def test_a_column_of_free_text_does_not_fill_the_memory_of_a_source() -> None:
    before = {"words": {f"left out {n}": "ignore" for n in range(2_000)} | {"a": "low_battery"}}
    kept = to_remember({"columns": {}, "words": {"b": "ignore"}}, [], before)
    assert kept["words"] == {"a": "low_battery", "b": "ignore"}


def test_a_file_is_read_in_parts_that_are_the_same_each_time() -> None:
    rows = [Row(n, ("2026-11-03 14:05", f"AB-{n}")) for n in range(2, 12_003)]
    chosen = LogMap(columns={"time": 0, "serial": 1}, every_row="check_in")

    def sizes() -> list[tuple[int, int, int]]:
        reader = LogReader(chosen, zone=UTC, places=Nowhere(), now=factories.NOW)
        return [(part.number, part.n_rows, part.last_row) for part in reader.parts(rows)]

    assert sizes() == [(1, 5000, 5001), (2, 5000, 10_001), (3, 2001, 12_002)]
    assert sizes() == sizes()


def test_a_long_file_is_read_row_by_row_and_never_held_whole() -> None:
    n_read = 0

    def rows() -> Iterator[Row]:
        nonlocal n_read
        for n in range(2, 100_002):
            n_read += 1
            yield Row(n, ("2026-11-03 14:05", "AB-1"))

    chosen = LogMap(columns={"time": 0, "serial": 1}, every_row="check_in")
    next(LogReader(chosen, zone=UTC, places=Nowhere(), now=factories.NOW).parts(rows()))
    assert n_read == 5_001
