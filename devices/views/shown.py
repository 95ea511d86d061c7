"""Slots and findings as the templates print them: flat tuples of words, so that a page of 64 slots stays cheap."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from html import escape
from typing import Any

from django.utils.safestring import SafeString, mark_safe

from company.templatetags.days import dated
from devices.models import Output
from devices.rules.findings_facts import Finding, is_wired
from devices.rules.slot_map import OutputFacts, SlotRow, due_words
from devices.rules.supervision import StandingFault, faults_of
from devices.rules.words import DUTY_WORDS, behaviour_words, day_words, span_words, window_words

SHORT_LIST = 6

SHOWS = ("all", "late", "soon", "person", "spare")


@dataclass(frozen=True, slots=True)
class Cell:
    """One slot as a cell of the grid."""

    slot: int
    css: str
    url: str
    label: str
    what: str
    kind: str
    serial: str
    window: str
    outputs: str
    duty: str
    due_state: str
    due_text: str
    flags: tuple[str, ...]
    faults: tuple[str, ...]
    area: str
    shows: frozenset[str]
    spare_to: int = 0


def output_facts(output: Output) -> OutputFacts:
    """An output's row as the rules take it."""
    return OutputFacts(
        number=output.number,
        kind=output.kind,
        drives=output.drives.strip(),
        terminals=output.terminals,
        is_wired=is_wired(output.drives, output.terminals),
        effect_seen_on=output.end_effect_seen_on,
        effect_seen_by=output.end_effect_seen_by,
        cleared_by=output.clears.strip(),
    )


def _flags(row: SlotRow, today: date) -> Iterable[str]:
    if row.needs_registering:
        yield "register again"
    if row.is_away:
        yield f"away until {day_words(row.away_until, today=today)}" if row.away_until else "away"
    if row.is_portable:
        yield "leaves the site"
    if row.is_declared_twice:
        yield "stands in several slots"


def cell(
    row: SlotRow,
    *,
    url: str,
    today: date,
    is_today: bool,
    troubled: frozenset[int],
    faults: Sequence[StandingFault] = (),
    alarmed: tuple[str, ...] = (),
) -> Cell:
    """One slot as a cell; of a past day no due date is shown, because it was another one then.

    `alarmed` are words about the receiver that stand on every slot in use (`receiver_alarm.tile_words`).
    """
    state = row.urgency(today) if is_today else ""
    css = ""
    if row.is_spare:
        css = "slot--spare"
    elif state == "late":
        css = "slot--grave" if row.duty == "life_safety" else "slot--late"
    elif state == "soon":
        css = "slot--soon"
    shows = {"all"}
    if row.is_spare:
        shows.add("spare")
    if state in ("late", "soon"):
        shows.add(state)
    if row.slot in troubled:
        shows.add("person")
    return Cell(
        slot=row.slot,
        css=css,
        url=url,
        label=row.label,
        what=row.what_words,
        kind=row.kind or "unknown",
        serial=row.serial,
        window=window_words(row.window_s),
        outputs="out " + row.outputs_words.replace(" and ", "\u00a0and\u00a0") if row.outputs else "no output",
        duty=row.duty,
        due_state=state,
        due_text=dated(due_words(row.due_on, today)) if state else "",
        flags=tuple(dated(flag) for flag in _flags(row, today)),
        faults=tuple(dated(fault.words(today, with_place=False)) for fault in faults_of(row, faults))
        + (() if row.is_spare else alarmed),
        area=row.area,
        shows=frozenset(shows),
    )


def fold_spares(cells: Iterable[Cell]) -> list[Cell]:
    """One cell for every run of spare slots: the first of the run, with the number of the last."""
    folded: list[Cell] = []
    for one in cells:
        last = folded[-1] if folded else None
        is_run = last is not None and "spare" in last.shows and "spare" in one.shows
        if last is not None and is_run and one.slot == (last.spare_to or last.slot) + 1:
            folded[-1] = replace(last, spare_to=one.slot)
        else:
            folded.append(one)
    return folded


@dataclass(frozen=True, slots=True)
class FindingGroup:
    """Findings of one kind: said once, with the places it applies to."""

    what: str
    why: str
    do: str
    places: tuple[tuple[str, str], ...]
    since: str
    duty: str

    @property
    def links(self) -> SafeString:
        """The places as links, put together here: a finding may hold at every slot."""
        return mark_safe("".join(f'<a href="{escape(url)}">{escape(where)}</a>' for where, url in self.places))

    @property
    def is_long(self) -> bool:
        """More places than a person reads at a glance: they fold away."""
        return len(self.places) > SHORT_LIST


def group_findings(found: Sequence[Finding], slot_url: Callable[[int], str], today: date) -> list[FindingGroup]:
    """Put findings of one kind and wording together, with a link to each place and since when the oldest stands."""
    groups: dict[tuple[str, str, str], list[Finding]] = {}
    for one in found:
        groups.setdefault((one.code, one.what, one.do), []).append(one)
    return [
        FindingGroup(
            what=rows[0].what,
            why=rows[0].why,
            do=rows[0].do,
            places=tuple(_place(one, slot_url) for one in rows),
            since=_since(rows, today),
            duty=DUTY_WORDS.get(rows[0].duty, "") if rows[0].duty == "life_safety" else "",
        )
        for rows in groups.values()
    ]


def _since(rows: Sequence[Finding], today: date) -> str:
    days = sorted(one.since_on for one in rows if one.since_on)
    if not days:
        return ""
    first = day_words(days[0], today=today)
    return f"since {first}" if days[0] == days[-1] else f"the oldest since {first}"


def _place(one: Finding, slot_url: Callable[[int], str]) -> tuple[str, str]:
    if one.slot:
        return (f"slot {one.slot}", slot_url(one.slot))
    if one.output:
        return (f"output {one.output}", "#outputs")
    is_fault = one.code in ("standing_fault", "latched_after_visit")
    return (one.where.rpartition(", ")[2] if is_fault else "the receiver", "#main")


def registration_lines(registration: Any, zone: Any) -> list[tuple[str, str]]:
    """Settings of one registration in words, for the ledger of a slot."""
    outputs = sorted(registration.outputs.all(), key=lambda row: row.output.number)
    window_s = 0 if registration.supervision == "off" else registration.window_s
    lines = [
        ("Duty class", DUTY_WORDS.get(registration.duty, "not known")),
        ("Supervision", window_words(window_s)),
        ("Checks in every", span_words(registration.interval_s) if registration.interval_s else "not known"),
        ("Contact at rest", registration.get_contact_display()),
        (
            "Outputs",
            "; ".join(f"{row.output.number}: {behaviour_words(row.behaviour, row.seconds)}" for row in outputs)
            or "none",
        ),
    ]
    if registration.input_number != 1:
        lines.append(("Input", str(registration.input_number)))
    if registration.is_portable:
        lines.append(("Leaves the site", "yes"))
    if registration.is_shared:
        lines.append(("Declared", "stands in several slots"))
    if registration.note:
        lines.append(("Note", registration.note))
    return lines
