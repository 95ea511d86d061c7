"""The service report: everything that was recorded on a visit, put into words for the customer's file.

What a report should hold follows the union of the record fields that NFPA 72 (2019) chapter 14, BS 5839-1:2017 clause 45
and DIN VDE 0834-1:2016 clause 11.2 ask for, as far as the records here hold it. It claims none of these standards.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from django.utils.html import format_html
from django.utils.safestring import SafeString

from company.pdf import PdfFile
from company.spreadsheets import csv_bytes
from devices.rules.words import DUTY_ORDER, DUTY_WORDS, UNKNOWN, count_words, list_words
from maintenance.reports.base import Content, Report, day_short, day_text
from maintenance.reports.visit_facts import gather, load, months_later

__all__ = ["REPORT", "gather", "load", "months_later", "summary_words"]

DISPOSAL = (
    "Spent cells are taken away and collected separately. Tape the ends of lithium cells; do not short, charge, heat or "
    "crush them; keep button cells away from children. Other cells go to the collection point for batteries, never into "
    "household waste."
)


def moment_text(iso: str | None) -> str:
    """Say a local ISO moment as "14 March 2026, 09:40"."""
    return f"{day_text(iso[:10])}, {iso[11:16]}" if iso else "not recorded"


def _result(line: Mapping[str, Any]) -> str:
    if line["heard"] is None:
        return "not tried"
    margin = f", margin {line['margin_db']} dB" if line["margin_db"] is not None else ""
    return f"{'heard at the output' if line['heard'] else 'NOT heard at the output'}{margin}"


def _battery(battery: Mapping[str, Any] | None) -> str:
    if not battery:
        return ""
    parts = [battery["cells"] or UNKNOWN]
    if battery["lot"]:
        parts.append(f"lot {battery['lot']}")
    if battery["made_on"]:
        parts.append(f"made {day_short(battery['made_on'])}")
    old = f"old: {battery['old_cells']}, {battery['why']}" if battery["old_cells"] else f"old: {battery['why']}"
    if battery["old_v"] is not None:
        old += f", {battery['old_v']:g} V{' under load' if battery.get('old_under_load') else ''}"
    return f"{', '.join(parts)}; {old}"


def show(content: Content) -> dict[str, Any]:
    """Words of the page."""
    visit = content["visit"]
    return {
        "content": content,
        "visit": visit,
        "day": day_text((visit["finished"] or visit["planned_on"])[:10]),
        **{name: moment_text(visit[name]) for name in ("arrived", "finished", "on_test", "off_test")},
        "next_by": day_text(content["contract"]["next_by"]) if content["contract"]["next_by"] else "",
        "technicians": list_words(visit["technicians"]) or UNKNOWN,
        **_sum_up(content),
        "slots": [_slot_words(line) for line in content["slots"]],
        "receivers": [_receiver_words(row) for row in content["receivers"]],
        "outputs": [_output_words(row) for row in content["outputs"]],
        **{
            name: [{**row, "raised_words": moment_text(row["raised"])} for row in content[name]]
            for name in ("faults_cleared", "faults_left")
        },
        "since_words": since_words(content["faults_since"]),
        # Papers issued before this was worked out do not hold it.
        "left_due": [{**row, "due_words": day_text(row["due_on"])} for row in content.get("left_due", ())],
        "not_tested": [
            {**row, "duty_words": DUTY_WORDS.get(row["duty"], UNKNOWN)} for row in content.get("not_tested", ())
        ],
        "cells_removed": [{**row, "code": row["code"] or "unknown kind"} for row in content["cells_removed"]],
        "disposal": DISPOSAL,
        "signature": signature_svg(content["signature_path"], content["signed_name"]),
        "copies_words": list_words(content["copies_to"]),
    }


def _sum_up(content: Content) -> dict[str, Any]:
    tests = [line for line in content["slots"] if line["heard"] is not None]
    silent = [line for line in tests if not line["heard"]]
    n_changed = sum(1 for line in content["slots"] if line["battery"])
    left = [*silent, *content.get("left_due", ())]
    worst = min((line["duty"] for line in left), key=lambda duty: DUTY_ORDER.get(duty, 9), default="")
    return {
        "summary": summary_words(content),
        "n_changed": count_words(n_changed, "battery", "batteries"),
        "n_tests": (f"{len(tests) - len(silent)} of {len(tests)} heard" if tests else "no walk test")
        + (f", of {count_words(content['n_transmitters'], 'transmitter')}" if content.get("n_transmitters") else ""),
        "is_grave": worst == "life_safety",
    }


def _slot_words(line: Mapping[str, Any]) -> dict[str, Any]:
    return {
        **line,
        "duty_words": DUTY_WORDS.get(line["duty"], UNKNOWN),
        "did": ", ".join(dict.fromkeys(line["done"])) or "noted",
        "result": _result(line),
        "battery_words": _battery(line["battery"]),
        "note_words": "; ".join(line["notes"]),
    }


def _receiver_words(row: Mapping[str, Any]) -> dict[str, Any]:
    not_cleared = "NOT cleared" if row["is_worked"] else "no need: no slot worked on"
    return {
        **row,
        "volts_words": f"{row['volts']:g} V" if row["volts"] is not None else "not measured",
        "covers_words": moment_text(row["covers_at"]),
        "cleared_words": moment_text(row["cleared_at"]) if row["cleared_at"] else not_cleared,
    }


def _output_words(row: Mapping[str, Any]) -> dict[str, Any]:
    return {
        **row,
        "does_words": "; ".join(row["does"]),
        "worked": f"{row['heard']} of {row['tried']} heard" if row["tried"] else "not tried on this visit",
        "seen_words": f"{row['seen_by'] or 'seen'}, {day_short(row['seen_on'])}"
        if row["seen_on"]
        else "never recorded",
    }


_STROKES = re.compile(r"([ML])\s*(-?\d{1,5}(?:\.\d{1,3})?)[\s,]+(-?\d{1,5}(?:\.\d{1,3})?)\s*")


def signature_svg(path: str, name: str) -> SafeString:
    """Draw a signature from the strokes that a phone sent: moves and lines only, nothing else gets into the paper."""
    strokes = _STROKES.findall(path)
    if not strokes or _STROKES.sub("", path).strip():
        return SafeString("")
    xs, ys = [float(x) for _, x, _ in strokes], [float(y) for _, _, y in strokes]
    left, top = min(xs) - 4, min(ys) - 4
    box = f"{left:g} {top:g} {max(max(xs) + 4 - left, 8):g} {max(max(ys) + 4 - top, 8):g}"
    return format_html(
        '<svg viewBox="{}" preserveAspectRatio="xMinYMid" role="img" fill="none" stroke="#10293a" stroke-width="2" stroke-linecap="round" '
        'stroke-linejoin="round"><title>Signature of {}</title><path d="{}"/></svg>',
        box, name, " ".join(f"{kind}{x} {y}" for kind, x, y in strokes),
    )  # fmt: skip


def since_words(since: Mapping[str, Any]) -> str:
    """Say how many faults there were since the last visit."""
    if since["since"] is None:
        return "No earlier visit is on record here."
    counts = ", ".join(f"{count} {kind}" for kind, count in since["counts"]) or "none"
    return f"Faults since the last visit on {day_text(since['since'][:10])}: {counts}."


def summary_words(content: Content) -> str:
    """The visit in one or two honest sentences: what was left comes first."""
    left = []
    if content.get("left_due"):
        left.append(f"{count_words(len(content['left_due']), 'thing')} due and not changed")
    silent = [line for line in content["slots"] if line["heard"] is False]
    if silent:
        left.append(f"{count_words(len(silent), 'transmitter')} not heard at the output")
    # Papers issued before this was worked out do not hold it.
    if content.get("not_tested"):
        left.append(
            f"{count_words(len(content['not_tested']), 'transmitter')} changed on this visit and not walk-tested since"
        )
    if content["not_done"]:
        left.append(f"{count_words(len(content['not_done']), 'thing')} not done")
    if content["faults_left"]:
        left.append(f"{count_words(len(content['faults_left']), 'fault')} still standing")
    latched = [row["label"] for row in content["receivers"] if row["is_worked"] and row["cleared_at"] is None]
    if latched:
        left.append(f"not recorded as cleared: {list_words(latched)}")
    if content["visit"]["on_test"] and not content["visit"]["off_test"]:
        left.append("the monitoring centre was not recorded as off test")
    if left:
        return f"Left open: {'; '.join(left)}."
    return (
        "Everything recorded on this visit was left in normal state." if content["slots"] else "No slot was worked on."
    )


COLUMNS = (
    "Receiver", "Slot", "Serial", "Place", "Area", "What", "Duty", "Done", "Heard at the output", "Margin [dB]",
    "Cells fitted", "Changed on", "Lot", "Cell made on", "Why changed", "Cells removed", "Removed at [V]", "Notes",
)  # fmt: skip


def rows(content: Content) -> list[tuple[Any, ...]]:
    """The slots as a table, one line each; the writer guards against formulas."""
    table = []
    for line in content["slots"]:
        battery = line["battery"] or {}
        table.append(
            (
                line["receiver"], line["slot"], line["serial"], line["label"], line["area"], line["what"],
                DUTY_WORDS.get(line["duty"], UNKNOWN), ", ".join(line["done"]),
                {True: "yes", False: "no", None: ""}[line["heard"]], line["margin_db"],
                battery.get("cells", ""), battery.get("changed_on"), battery.get("lot", ""), battery.get("made_on"),
                battery.get("why", ""), battery.get("old_cells", ""), battery.get("old_v"), "; ".join(line["notes"]),
            )
        )  # fmt: skip
    return table


def files(data: Mapping[str, Any]) -> tuple[PdfFile, ...]:
    """The rows of the report as CSV."""
    paper = data["paper"]
    name = f"{paper['number']}-r{paper['revision']}-slots.csv"
    return (PdfFile(name, csv_bytes(COLUMNS, rows(data["content"])), "Rows of this report, one line per slot"),)


def title(content: Content) -> str:
    """Name of the paper: "Service report · Lantern House, 14 March 2026"."""
    visit = content["visit"]
    return f"Service report · {content['site']['name']}, {day_text((visit['finished'] or visit['planned_on'])[:10])}"


REPORT = Report(
    kind="service_report",
    label="Service report",
    template="pdf/service_report.html",
    variant="pdf/a-3a",
    title=title,
    show=show,
    files=files,
)
