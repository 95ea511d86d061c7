"""The slot map of one receiver on paper: to hang beside it, so it says dates and never what is late "today"."""

from __future__ import annotations

from collections import Counter
from datetime import date, datetime
from typing import Any

from company.actions import ensure_firm
from company.lengths import METRES, length_words
from devices.models import Receiver, Registration
from devices.querysets import end_of_day
from devices.rules.slot_map import OutputFacts, SlotRow, fill_slots, sum_up_outputs
from devices.rules.words import DUTY_WORDS, UNKNOWN, count_words, list_words, window_words
from maintenance.reports.base import (
    Content,
    Report,
    code_link,
    day_brief,
    day_short,
    day_text,
    firm_facts,
    language_facts,
)

ROOMY_SLOTS = 24
"""Up to this many slots two wide columns fit on a page; more stand in four narrow ones."""

DUTY_LETTERS = {"life_safety": "L", "security": "S", "convenience": "C"}


def number_of(receiver: Receiver, on: date | None) -> str:
    """Number of a receiver's slot map; the map as of a past day is a paper of its own."""
    return f"SM-{receiver.code}" + (f"-{on.isoformat()}" if on else "")


def gather(receiver: Receiver, *, at: datetime, on: date | None = None) -> Content:
    """Facts of a slot map at a moment; receiver with site, customer and type loaded.

    `on` is named on paper only for a past day: the present map's content must not change from day to day.
    """
    firm = ensure_firm()
    moment = end_of_day(on, receiver.site.zone) if on else at
    rows = fill_slots(
        receiver.n_slots,
        Registration.objects.filter(receiver=receiver).slot_rows(
            moment.astimezone(receiver.site.zone), receiver.site.zone
        ),
    )
    summed = sum_up_outputs(_output_facts(receiver), rows)
    mixed = {output.number for output in summed if len(output.behaviours) > 1}
    return {
        "firm": firm_facts(firm),
        "paper_size": receiver.customer.paper,
        **language_facts(receiver.customer),
        "customer": receiver.customer.name,
        "site": {"name": receiver.site.name, "code": receiver.site.code, "address": place_words(receiver)},
        "receiver": {
            "label": receiver.label,
            "area": receiver.area,
            "serial": receiver.serial,
            "type": receiver.type.label if receiver.type else "",
            "supply": supply_words(receiver, firm.units),
            "evidence": receiver.evidence,
            "n_slots": receiver.n_slots,
        },
        "link": code_link(receiver.code),
        "on": on.isoformat() if on else None,
        "outputs": [
            {
                "number": output.number,
                "kind": output.kind,
                "drives": output.drives,
                "behaviours": list(output.behaviours),
                "cleared_by": output.facts.cleared_by,
            }
            for output in summed
        ],
        # Estimates are worked out for today only: beside the cells of a past day they would say what nobody knew then.
        "slots": [slot_facts(row, mixed) | ({"change_by": None} if on and not row.is_spare else {}) for row in rows],
    }


def _output_facts(receiver: Receiver) -> list[OutputFacts]:
    return [
        OutputFacts(
            number=output.number, kind=output.kind, drives=output.drives, effect_seen_on=output.end_effect_seen_on,
            effect_seen_by=output.end_effect_seen_by, cleared_by=output.clears,
        )
        for output in receiver.outputs.order_by("number")
    ]  # fmt: skip


def place_words(receiver: Receiver) -> str:
    """Postal address on one line."""
    site = receiver.site
    return ", ".join(part for part in (site.address, f"{site.postcode} {site.town}".strip()) if part)


def supply_words(receiver: Receiver, units: str = METRES) -> str:
    """What feeds the receiver: "12 V from the panel, 18 m of cable"."""
    volts = f"{receiver.supply_v:g} V" if receiver.supply_v else ""
    source = f"from {receiver.fed_from}" if receiver.fed_from else ""
    cable = f"{length_words(receiver.cable_m, units)} of cable" if receiver.cable_m else ""
    return ", ".join(part for part in (f"{volts} {source}".strip(), cable) if part)


def slot_facts(row: SlotRow, mixed: set[int] = frozenset()) -> dict[str, Any]:  # type: ignore[assignment]
    """One slot as plain facts; `mixed` are outputs whose slots behave differently, so that each must say how."""
    if row.is_spare:
        return {"slot": row.slot, "spare": True}
    uses = [use.words.replace(", ", " ", 1) if use.number in mixed else str(use.number) for use in row.outputs]
    return {
        "slot": row.slot,
        "spare": False,
        "label": row.label,
        "area": row.area,
        "what": row.what_words,
        "serial": row.serial,
        "input": row.input_number,
        "duty": row.duty,
        "window": window_words(row.window_s),
        "outputs": uses,
        "register_again": row.needs_registering,
        "cells": f"{row.n_cells} × {row.battery_code}" if row.n_cells and row.battery_code else "",
        "has_cells": row.has_cells,
        "changed_on": row.fitted_on.isoformat() if row.fitted_on else None,
        "change_by": row.due_on.isoformat() if row.due_on else None,
    }


def _slot_words(slot: dict[str, Any], *, is_roomy: bool, is_past: bool) -> dict[str, Any]:
    """One slot as the lines of its cell."""
    if slot["spare"]:
        return slot
    where = slot["area"] if slot["area"] and slot["area"].casefold() not in slot["label"].casefold() else ""
    word, day = ("output", day_short) if is_roomy else ("out", day_brief)
    outputs = f"{word} {list_words(slot['outputs'])}" if slot["outputs"] else "no output"
    if slot["has_cells"] or slot["change_by"]:
        by = f"{'change by' if is_roomy else 'by'} {day(slot['change_by'])}" if slot["change_by"] else "no estimate"
        cells = f"{slot['cells']} " if is_roomy and slot["cells"] else ""
        battery = f"{cells}changed {day(slot['changed_on'])}" + ("" if is_past else f" · {by}")
    else:
        battery = "no battery" if slot["serial"] else ""
    what = slot["what"] if slot["input"] == 1 else f"{slot['what']}, input {slot['input']}"
    return {
        **slot,
        "what": what,
        "where": where,
        "letter": DUTY_LETTERS.get(slot["duty"], "?"),
        "duty_words": DUTY_WORDS.get(slot["duty"], UNKNOWN),
        "duty_class": slot["duty"].replace("_", "-") or "unknown",
        "outputs_words": outputs,
        "battery": battery,
    }


def _output_words(output: dict[str, Any]) -> dict[str, Any]:
    """One output as the lines of its box."""
    return {
        **output,
        "does": "; ".join(output["behaviours"])
        or ("driven by the receiver's own faults" if output["kind"] == "fault" else "no slot uses it"),
        "is_fault": output["kind"] == "fault",
    }


def _in_rows(cells: list[dict[str, Any]], width: int) -> list[list[dict[str, Any] | None]]:
    """Cells in rows of a table, the last one filled up: the PDF engine lays out a table far cheaper than a grid."""
    filled: list[dict[str, Any] | None] = [*cells, *[None] * (-len(cells) % width)]
    return [filled[first : first + width] for first in range(0, len(filled), width)]


def show(content: Content) -> dict[str, Any]:
    """Words of the page."""
    slots = content["slots"]
    taken = [slot for slot in slots if not slot["spare"]]
    is_roomy = len(slots) <= ROOMY_SLOTS
    duties = Counter(slot["duty"] for slot in taken)
    receiver = content["receiver"]
    lines = [_slot_words(slot, is_roomy=is_roomy, is_past=bool(content["on"])) for slot in slots]
    return {
        "content": content,
        "is_roomy": is_roomy,
        "head_line": " · ".join(
            part for part in (receiver["area"], receiver["type"], receiver["supply"], receiver["serial"]) if part
        ),
        "used": f"{len(taken)} of {len(slots)}",
        "spare": count_words(len(slots) - len(taken), "spare slot"),
        "duties": ", ".join(f"{duties[code]} {words}" for code, words in DUTY_WORDS.items() if duties[code]) or "none",
        "state_on": day_text(content["on"]) if content["on"] else "",
        "output_rows": _in_rows([_output_words(output) for output in content["outputs"]], 4),
        "rows": _in_rows(lines, 2 if is_roomy else 4),
    }


def title(content: Content) -> str:
    """Name of the paper: "Slot map · Lantern House, receiver 1"."""
    return f"Slot map · {content['site']['name']}, {content['receiver']['label']}"


def changed_slots(old: Content, new: Content) -> str:
    """Say in one line what a new revision changes: "Slots 4, 7 and 12"."""
    before = {slot["slot"]: slot for slot in old.get("slots", [])}
    after = {slot["slot"]: slot for slot in new["slots"]}
    differ = [n for n in sorted(before.keys() | after.keys()) if before.get(n) != after.get(n)]
    parts = [f"{'slot' if len(differ) == 1 else 'slots'} {list_words(differ)}"] if differ else []
    if old.get("outputs") != new["outputs"]:
        parts.append("outputs")
    keys = ("receiver", "site", "customer", "firm", "paper_size", "link", "language")
    if any(old.get(key) != new.get(key) for key in keys):
        parts.append("head of the page")
    words = list_words(parts) or "nothing"
    return (words[:1].upper() + words[1:])[:300]


REPORT = Report(
    kind="slot_map",
    label="Slot map",
    template="pdf/slot_map.html",
    variant="pdf/ua-1",
    title=title,
    show=show,
)
