"""A small right workbook of the Isle of Skarrow, the shipped catalogue as facts, and helpers that spoil one cell."""

import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import devices
from company.spreadsheets import OutSheet, read_workbook, xlsx_bytes
from devices.rules.import_facts import BatteryTypeFacts, Catalogue, OnRecord, ReceiverTypeFacts, TransmitterTypeFacts
from devices.rules.workbook_rows import CheckedWorkbook, check_workbook

TODAY = date(2026, 3, 14)
TIME_ZONES = frozenset({"Europe/London", "Europe/Berlin", "UTC"})


def _tables(name: str, key: str) -> list[dict[str, Any]]:
    path = Path(devices.__file__).parent / "catalogue" / f"{name}.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))[key]


def shipped_catalogue() -> Catalogue:
    """The catalogue as the program ships it."""
    return Catalogue(
        {
            r["code"]: ReceiverTypeFacts(
                r["code"], r["n_slots"], r["n_outputs"], tuple(r["windows_s"]), frozenset(r["behaviours"]),
                r["can_switch_supervision_off"], r["momentary_min_s"], r["momentary_max_s"],
                r["has_standby_battery"],
            )
            for r in _tables("receiver_types", "receiver_type")
        },
        {
            r["code"]: TransmitterTypeFacts(
                r["code"], r["label"], r["default_interval_s"], r["default_window_s"], r["default_duty"], r["is_portable"],
                r["n_inputs"], r.get("battery_type", ""), r["cells_series"] * r["cells_parallel"],
            )
            for r in _tables("transmitter_types", "transmitter_type")
        },
        {
            r["code"]: BatteryTypeFacts(r["code"], r["iec_code"], r.get("ansi_code", ""), tuple(r.get("aliases", ())))
            for r in _tables("battery_types", "battery_type")
        },
    )  # fmt: skip


def right_sheets() -> dict[str, list[dict[str, Any]]]:
    """Sheets without a fault: one customer, one site, an 8-slot receiver, two slots, cells now and before."""
    place = {"site code": "HARB-1", "receiver": "Main"}
    return {
        "customers": [{"customer code": "HARB", "name": "Harbour Trust", "language": "en", "paper": "A4", "inspections a year": 2,
                       "response hours": 24, "contact name": "Ada Brook", "contact email": "ada@example.org", "contact phone": "1"}],
        "sites": [{"site code": "HARB-1", "customer code": "HARB", "name": "Harbour office", "kind": "office", "address": "1 Quay",
                   "latitude": 57.25, "longitude": -6.5, "time zone": "Europe/London"}],
        "receivers": [{**place, "receiver type code": "receiver-8", "area": "Plant room", "serial": "RX-1", "evidence": "every",
                       "supply volts": 12, "cable metres": 18, "cable gauge": "1.5 mm2", "measured volts": 12.4,
                       "installed on": date(2023, 5, 3), "standby battery fitted on": "unknown"}],
        "outputs": [{**place, "output number": 1, "kind": "signal", "drives": "Desk sounder", "contact": "NO", "rest": "de-energised"},
                    {**place, "output number": 8, "kind": "fault", "drives": "Fault lamp", "contact": "NC", "rest": "energised"}],
        "slots": [{**place, "slot": 1, "transmitter serial": "SK-00001", "transmitter type code": "pendant-long", "input": 1,
                   "label": "Pendant of room 4", "area": "First floor", "duty class": "life safety", "portable": "no",
                   "supervision window": "4 h", "check-in interval": "60 min", "outputs": "1 follower; 2 momentary 5 s",
                   "contact": "none", "registered on": date(2023, 5, 3), "declared shared": "no"},
                  {**place, "slot": 2, "transmitter serial": "SK-00002", "transmitter type code": "wall-button", "input": 1,
                   "label": "Button at the desk", "area": "Ground floor", "duty class": "security", "portable": "no",
                   "supervision window": "unknown", "check-in interval": "unknown", "outputs": "1 latching",
                   "contact": "unknown", "registered on": "unknown", "declared shared": "no"}],
        "fittings": [{"transmitter serial": "SK-00001", "battery code": "CR2450", "cells": 1, "fitted on": date(2024, 6, 1),
                      "lot or date code": "2405"}],
        "past fittings": [{"transmitter serial": "SK-00001", "battery code": "CR2450", "cells": 1, "fitted on": date(2023, 5, 3),
                           "removed on": date(2024, 6, 1), "why it came out": "preventive", "measured volts": 2.9}],
    }  # fmt: skip


def out_sheets(sheets: dict[str, list[dict[str, Any]]]) -> list[OutSheet]:
    """Sheets as they are written to a file: the headings are those of the first row."""
    return [
        OutSheet(name, list(rows[0]), [[row.get(heading) for heading in rows[0]] for row in rows])
        for name, rows in sheets.items()
    ]


def workbook_file(sheets: dict[str, list[dict[str, Any]]]) -> bytes:
    """The sheets as a real XLSX file."""
    return xlsx_bytes(out_sheets(sheets))


def spoilt(sheet: str, heading: str, value: Any, *, row: int = 2) -> dict[str, list[dict[str, Any]]]:
    """The right workbook with one cell changed (row as the spreadsheet shows it)."""
    sheets = right_sheets()
    sheets[sheet][row - 2][heading] = value
    return sheets


def check_file(body: bytes, name: str = "book.xlsx", on_record: OnRecord | None = None) -> CheckedWorkbook:
    """Read and check a file as the product does."""
    return check_workbook(
        read_workbook([(name, body)]),
        catalogue=shipped_catalogue(),
        on_record=on_record or OnRecord(),
        today=TODAY,
        time_zones=TIME_ZONES,
    )


def check(sheets: dict[str, list[dict[str, Any]]], on_record: OnRecord | None = None) -> CheckedWorkbook:
    """Write the sheets to a real file, read it back and check it."""
    return check_file(workbook_file(sheets), on_record=on_record)
