"""What an import changes, in the words of the sheets: before and after. Pure."""

from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import Any

from company.sheets import UNKNOWN, is_same, shown
from devices.rules.import_records import Change, Known
from devices.rules.slot_rows import DrivenOutput
from devices.rules.words import span_words


def say(value: Any) -> str:
    """Write a value of a record in the words of the sheet."""
    if value is None or value == "":
        return UNKNOWN if value is None else "–"
    if isinstance(value, datetime):
        return value.date().isoformat()
    return shown(value)


def new_slot(
    serial: str, fields: Mapping[str, Any], outputs: tuple[DrivenOutput, ...], type_code: str, begins_on: date | None
) -> list[tuple[str, Change]]:
    """List how a spare slot will be set, defaults of the type among them; what is not known is not named."""
    titles = {"label": "label", "area": "area", "duty": "duty class", "contact": "contact"}
    values = {"transmitter serial": serial or UNKNOWN, "transmitter type code": type_code or UNKNOWN}
    values["input"] = say(fields["input_number"])
    values |= {title: say(fields[name]).replace("_", " ") for name, title in titles.items() if fields[name]}
    values["portable"] = say(fields["is_portable"])
    values["supervision window"] = _say_window(fields["supervision"], fields["window_s"])
    values["check-in interval"] = span_words(fields["interval_s"]) if fields["interval_s"] else UNKNOWN
    values["outputs"] = say_outputs(outputs)
    values["registered on"] = say(begins_on)
    if fields["is_shared"]:
        values["declared shared"] = say(True)
    return [("", (title, "", value)) for title, value in values.items() if value != UNKNOWN]


def slot_changes(
    old: Known, serial: str, fields: Mapping[str, Any], outputs: tuple[DrivenOutput, ...]
) -> list[tuple[str, Change]]:
    """List the settings that differ from the registration on record, with the field each belongs to."""
    facts = old.facts
    changes: list[tuple[str, Change]] = []
    if facts["serial"] != serial:
        changes.append(("serial", ("transmitter serial", facts["serial"] or UNKNOWN, serial or UNKNOWN)))
    titles = {
        "input_number": "input", "is_shared": "declared shared", "label": "label", "area": "area", "duty": "duty class",
        "is_portable": "portable", "contact": "contact",
    }  # fmt: skip
    for name, title in titles.items():
        if not is_same(facts[name], fields[name]):
            changes.append((name, (title, say(facts[name]).replace("_", " "), say(fields[name]).replace("_", " "))))
    window = (facts["supervision"], facts["window_s"]), (fields["supervision"], fields["window_s"])
    if window[0] != window[1]:
        changes.append(("window_s", ("supervision window", _say_window(*window[0]), _say_window(*window[1]))))
    if facts["interval_s"] != fields["interval_s"]:
        spans = [span_words(s) if s else UNKNOWN for s in (facts["interval_s"], fields["interval_s"])]
        changes.append(("interval_s", ("check-in interval", spans[0], spans[1])))
    if facts["outputs"] != outputs:
        changes.append(("outputs", ("outputs", say_outputs(facts["outputs"]), say_outputs(outputs))))
    return changes


def _say_window(supervision: str, window_s: int | None) -> str:
    return span_words(window_s) if window_s else supervision


def say_outputs(outputs: Iterable[DrivenOutput]) -> str:
    """Write driven outputs as the sheet takes them: "1 follower; 2 momentary 5 s"."""
    parts = []
    for driven in outputs:
        seconds = f" {driven.seconds:g} s" if driven.seconds else ""
        parts.append(f"{driven.number} {driven.behaviour or UNKNOWN}{seconds}")
    return "; ".join(parts) or "none"
