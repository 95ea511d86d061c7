"""The label inside a receiver's lid: A6 or 4 × 6 in, only what stays true until a slot is changed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from itertools import groupby
from typing import Any

from devices.models import Receiver
from maintenance.reports import slot_map
from maintenance.reports.base import Content, Report

SIZES = {"a4": ("A6", "A6"), "letter": ("4in 6in", "4 × 6 in")}
"""Paper of the customer to the label's size for the PDF engine and in words: labels are sold to go with the paper."""

# A label is stuck on once: battery dates move, and would make it wrong by themselves.
LEFT_OUT = ("cells", "has_cells", "changed_on", "change_by", "register_again")


def number_of(receiver: Receiver, on: date | None = None, paper: str = "") -> str:
    """Number of a receiver's lid label; one of another size than the customer's own is a paper of its own."""
    is_own = paper not in SIZES or paper == receiver.customer.paper
    return f"LL-{receiver.code}" + ("" if is_own else f"-{SIZES[paper][1].replace(' ', '').replace('×', 'X').upper()}")


def gather(receiver: Receiver, *, at: datetime, on: date | None = None, paper: str = "") -> Content:
    """Facts of a lid label: those of the slot map, less what moves without anybody touching the receiver.

    `paper` is a key of `SIZES`; empty for the customer's own.
    """
    content = slot_map.gather(receiver, at=at)
    if paper in SIZES:
        content["paper_size"] = paper
    slots = [{key: value for key, value in slot.items() if key not in LEFT_OUT} for slot in content["slots"]]
    return content | {"slots": slots}


def show(content: Content) -> dict[str, Any]:
    """Words of the label."""
    return {
        "content": content,
        "label_size": SIZES["letter" if content["paper_size"] == "letter" else "a4"][0],
        "slots": fold_spares(content["slots"]),
        "outputs": [
            f"Out {output['number']}: {'; '.join(output['behaviours'])}."
            for output in content["outputs"]
            if output["behaviours"]
        ],
    }


def fold_spares(slots: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Lines of the label: one a slot in use, one a run of spare slots; the area where two labels are the same."""
    labels = Counter(slot["label"] for slot in slots if not slot["spare"])
    lines: list[dict[str, Any]] = []
    for is_spare, run in groupby(slots, key=lambda slot: bool(slot["spare"])):
        group = list(run)
        if is_spare:
            first, last = group[0]["slot"], group[-1]["slot"]
            lines.append({"spare": True, "slot": str(first) if first == last else f"{first}–{last}"})
            continue
        lines += [
            {
                **slot,
                "where": slot["area"] if labels[slot["label"]] > 1 else "",
                "window": slot["window"].removeprefix("missing after "),
                "outputs_words": ", ".join(str(number) for number in slot["outputs"]) or "none",
                "letter": slot_map.DUTY_LETTERS.get(slot["duty"], "?"),
            }
            for slot in group
        ]
    return lines


def title(content: Content) -> str:
    """Name of the paper: "Lid label · Lantern House, receiver 1"."""
    return f"Lid label · {content['site']['name']}, {content['receiver']['label']}"


REPORT = Report(
    kind="lid_label",
    label="Lid label",
    template="pdf/lid_label.html",
    variant="pdf/ua-1",
    title=title,
    show=show,
)
