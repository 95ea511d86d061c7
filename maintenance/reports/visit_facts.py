"""What was recorded on a visit, as plain facts: the content of a service report before anything is put into words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Any

from company.actions import ensure_firm
from company.models import Contact
from devices.models import Fault, Fitting, Output, Receiver, Registration
from devices.models.batteries import WhyOut
from devices.rules.words import behaviour_words
from maintenance.models import Entry, Visit
from maintenance.querysets.walk_tests_on_visit import owed_on_visit
from maintenance.reports.base import Content, firm_facts, language_facts
from maintenance.reports.left_due import left_facts
from maintenance.rules.visits import WORK
from maintenance.rules.walk_tests import HOW_WORDS
from sites.models import MonitoringCentre

SLOT_KINDS = ("battery", "walk_test", "registered", "note", "not_done")


def load(visit_pk: int) -> Visit:
    """A visit with all that `gather` reads of it."""
    return (
        Visit.objects.select_related("site", "customer", "round", "finished_by")
        .prefetch_related("crew__user")
        .get(pk=visit_pk)
    )


def gather(visit: Visit) -> Content:
    """Facts of a finished visit, from its standing entries; a corrected entry counts as it was corrected."""
    entries = list(
        Entry.objects.filter(visit=visit, is_withdrawn=False)
        .select_related("by", "receiver", "registration__transmitter__type", "registration__receiver")
        .order_by("made_at", "pk")
    )
    for row in entries:
        # The site's zone is asked of every row; without this each would read visit and site again.
        row.visit = visit
    swaps = cell_swaps(entries)
    left, explained, n_transmitters = left_facts(visit, entries, text_of)
    receivers = sorted(
        {row.receiver_id: row.receiver for row in entries if row.receiver_id}.values(), key=lambda r: r.label
    )
    return {
        "firm": firm_facts(ensure_firm()),
        "paper_size": visit.customer.paper,
        **language_facts(visit.customer),
        "customer": visit.customer.name,
        "contract": contract_facts(visit),
        "site": site_facts(visit),
        "visit": visit_facts(visit),
        "slots": slot_lines(entries, swaps),
        "receivers": [receiver_line(receiver, entries, visit) for receiver in receivers],
        "outputs": output_lines(receivers, entries),
        "n_transmitters": n_transmitters,
        "left_due": left,
        "not_tested": not_tested(visit),
        "not_done": [not_done_line(row) for row in entries if row.kind == "not_done" and row.pk not in explained],
        "notes": [text_of(row) for row in entries if row.kind == "note" and not row.registration_id and text_of(row)],
        "faults_cleared": fault_lines(entries, visit),
        "faults_left": faults_left(visit),
        "faults_since": faults_since(visit),
        "cells_removed": removed_cells(swaps.values()),
        "remark": visit.remark,
        "signed_name": visit.signed_name,
        "signature_path": visit.signature_path,
        "refused_why": visit.refused_why,
        "copies_to": list(
            Contact.objects.filter(customer=visit.customer, gets_reports=True)
            .order_by("name")
            .values_list("name", flat=True)
        ),
    }


def clock(moment: datetime | None, visit: Visit) -> str | None:
    """Local time at the site as ISO text to the minute."""
    return moment.astimezone(visit.site.zone).strftime("%Y-%m-%dT%H:%M") if moment else None


def text_of(entry: Entry) -> str:
    """What a person wrote in an entry, after the reason they picked from a list."""
    written = str(entry.facts.get("text") or entry.facts.get("note") or entry.facts.get("reason") or "").strip()
    picked = str(entry.facts.get("why_words") or "").strip()
    return ": ".join(part for part in (picked, written) if part)


def contract_facts(visit: Visit) -> dict[str, Any]:
    """What was agreed, and by when the next visit is due under it."""
    customer = visit.customer
    done_on = visit.finished_at.astimezone(visit.site.zone).date() if visit.finished_at else visit.planned_on
    per_year = customer.inspections_per_year
    return {
        "customer_code": customer.code,
        "inspections_per_year": per_year,
        "response_hours": customer.response_hours,
        "next_by": months_later(done_on, 12 // per_year).isoformat() if 1 <= per_year <= 12 else None,
    }


def months_later(day: date, months: int) -> date:
    """The same day some months on, or the last day of that month."""
    year, month = divmod(day.month - 1 + months, 12)
    for last in (day.day, 30, 29, 28):
        try:
            return date(day.year + year, month + 1, last)
        except ValueError:
            continue
    raise AssertionError("every month has a 28th day")


def site_facts(visit: Visit) -> dict[str, Any]:
    """The property and whom to meet there."""
    site = visit.site
    return {
        "name": site.name,
        "code": site.code,
        "address": ", ".join(part for part in (site.address, f"{site.postcode} {site.town}".strip()) if part),
        "contact": ", ".join(part for part in (site.person_to_meet, site.phone) if part),
        "monitoring": list(MonitoringCentre.objects.filter(site=site).order_by("name").values_list("name", flat=True)),
    }


def visit_facts(visit: Visit) -> dict[str, Any]:
    """Who was there when, who was told, and when the monitoring centre was put on and off test."""
    return {
        "kind": visit.get_kind_display(),
        "planned_on": visit.planned_on.isoformat(),
        "arrived": clock(visit.arrived_at, visit),
        "finished": clock(visit.finished_at, visit),
        "zone": visit.site.time_zone,
        "technicians": sorted(row.user.name for row in visit.crew.all())
        or ([visit.finished_by.name] if visit.finished_by else []),
        "told_before": visit.told_before,
        "told_after": visit.told_after,
        "on_test": clock(visit.on_test_at, visit),
        "off_test": clock(visit.off_test_at, visit),
    }


# --- slots ------------------------------------------------------------------------------------------------------------


def cell_swaps(entries: Iterable[Entry]) -> dict[int, tuple[Fitting | None, Fitting | None]]:
    """New and old cells of each battery entry, by the entry's key."""
    rows = [row for row in entries if row.kind == "battery"]
    new = Fitting.objects.select_related("battery_type").in_bulk(
        [row.facts["fitting"] for row in rows if "fitting" in row.facts]
    )
    old = {
        (fitting.transmitter_id, fitting.removed_at): fitting
        for fitting in Fitting.objects.filter(
            transmitter__in=[fitting.transmitter_id for fitting in new.values()], removed_at__isnull=False
        ).select_related("battery_type")
    }
    swaps = {}
    for row in rows:
        fitted = new.get(row.facts.get("fitting"))
        swaps[row.pk] = (fitted, old.get((fitted.transmitter_id, fitted.fitted_at)) if fitted else None)
    return swaps


def slot_lines(
    entries: Sequence[Entry], swaps: Mapping[int, tuple[Fitting | None, Fitting | None]]
) -> list[dict[str, Any]]:
    """One line per slot that was worked on, by receiver and slot, with everything recorded about it."""
    by_slot: dict[int, list[Entry]] = {}
    for row in entries:
        if row.registration_id and row.kind in SLOT_KINDS:
            by_slot.setdefault(row.registration_id, []).append(row)
    lines = [slot_line(rows[0].registration, rows, swaps) for rows in by_slot.values()]  # type: ignore[arg-type]
    return sorted(lines, key=lambda line: (line["receiver"], line["slot"]))


def slot_line(
    registration: Registration, rows: Sequence[Entry], swaps: Mapping[int, tuple[Fitting | None, Fitting | None]]
) -> dict[str, Any]:
    """What was done at one slot, in the order it was done; the last walk test is its result."""
    transmitter = registration.transmitter
    line: dict[str, Any] = {
        "receiver": registration.receiver.label,
        "slot": registration.slot,
        "serial": transmitter.serial if transmitter else "",
        "label": registration.label,
        "area": registration.area,
        "what": transmitter.type.label if transmitter and transmitter.type else "",
        "duty": registration.duty,
        "done": [],
        "heard": None,
        "margin_db": None,
        "battery": None,
        "notes": [],
    }
    for row in rows:
        if row.kind == "battery":
            line["done"].append("battery changed")
            line["battery"] = battery_facts(row, *swaps.get(row.pk, (None, None)))
        elif row.kind == "walk_test":
            line["done"].append("walk test")
            line["heard"], line["margin_db"] = bool(row.facts.get("heard")), row.facts.get("margin_db")
        elif row.kind == "registered":
            line["done"].append("registered again")
        elif row.kind == "not_done":
            line["done"].append("not done")
        if text_of(row):
            line["notes"].append(text_of(row))
    return line


def battery_facts(row: Entry, fitted: Fitting | None, removed: Fitting | None) -> dict[str, Any]:
    """Cells that went in, and why the old ones came out."""
    why = (removed.removed_why if removed else row.facts.get("old_why", "")) or "unknown"
    return {
        "cells": cells_words(fitted),
        "lot": fitted.lot if fitted else "",
        "made_on": fitted.made_on.isoformat() if fitted and fitted.made_on else None,
        "changed_on": clock(row.made_at, row.visit)[:10] if row.made_at else None,  # type: ignore[index]
        "why": {code: str(words) for code, words in WhyOut.choices}.get(why, why),
        "old_cells": cells_words(removed),
        "old_v": removed.removed_v if removed else row.facts.get("old_v"),
        "old_under_load": removed.removed_v_under_load if removed else bool(row.facts.get("old_under_load")),
    }


def cells_words(fitting: Fitting | None) -> str:
    """Say a set of cells: "2 × CR123A"."""
    if fitting is None:
        return ""
    return f"{fitting.n_cells} × {fitting.battery_type.iec_code if fitting.battery_type else 'cells of unknown kind'}"


def not_done_line(row: Entry) -> dict[str, Any]:
    """What was left, and why."""
    registration = row.registration
    return {
        "receiver": row.receiver.label if row.receiver else "",
        "slot": registration.slot if registration else None,
        "label": registration.label if registration else "",
        "reason": text_of(row) or "no reason recorded",
    }


def not_tested(visit: Visit) -> list[dict[str, Any]]:
    """Slots registered, set or given new cells on the visit in which no walk test was heard until its end."""
    if visit.finished_at is None:
        return []
    # What was tried and not heard stands in the line of its slot.
    owed = [one for one in owed_on_visit(Registration.objects.all(), visit, visit.finished_at) if one.how]
    return [
        {"receiver": one.receiver, "slot": one.slot, "label": one.label, "duty": one.duty, "how": HOW_WORDS[one.how]}
        for one in owed
    ]


def removed_cells(swaps: Iterable[tuple[Fitting | None, Fitting | None]]) -> list[dict[str, Any]]:
    """Spent cells by code; a set that came out of unknown kind is counted as such."""
    counted: Counter[str] = Counter()
    for _, removed in swaps:
        if removed is not None:
            counted[removed.battery_type.iec_code if removed.battery_type else ""] += removed.n_cells
    return [{"code": code, "count": count} for code, count in sorted(counted.items())]


# --- receivers, outputs, faults ---------------------------------------------------------------------------------------


def receiver_line(receiver: Receiver, entries: Sequence[Entry], visit: Visit) -> dict[str, Any]:
    """Supply, covers and clearing of one receiver; the last entry of a kind counts."""
    last = {row.kind: row for row in entries if row.receiver_id == receiver.pk}
    volts, covers, cleared = last.get("volts"), last.get("covers"), last.get("cleared")
    return {
        "label": receiver.label,
        "area": receiver.area,
        "serial": receiver.serial,
        "is_worked": any(row.receiver_id == receiver.pk and row.kind in WORK for row in entries),
        "volts": volts.facts.get("volts") if volts else None,
        "covers_at": clock(covers.made_at, visit) if covers else None,
        "cleared_at": clock(cleared.made_at, visit) if cleared else None,
        "cause": str(cleared.facts.get("cause", "")) if cleared else "",
    }


def output_lines(receivers: Sequence[Receiver], entries: Sequence[Entry]) -> list[dict[str, Any]]:
    """Each output of the receivers worked on: how often a walk test worked it, and who last saw its end effect."""
    heard: Counter[int] = Counter()
    tried: Counter[int] = Counter()
    tests = {row.registration_id: bool(row.facts.get("heard")) for row in entries if row.kind == "walk_test"}
    rows = Registration.objects.filter(pk__in=[pk for pk in tests if pk]).prefetch_related("outputs")
    behaviours: dict[int, set[str]] = {}
    for registration in rows:
        for use in registration.outputs.all():
            tried[use.output_id] += 1
            heard[use.output_id] += tests[registration.pk]
            behaviours.setdefault(use.output_id, set()).add(behaviour_words(use.behaviour, use.seconds))
    outputs = Output.objects.filter(receiver__in=[r.pk for r in receivers]).select_related("receiver")
    return [
        {
            "receiver": output.receiver.label,
            "number": output.number,
            "kind": output.kind,
            "drives": output.drives,
            "does": sorted(behaviours.get(output.pk, ())),
            "tried": tried[output.pk],
            "heard": heard[output.pk],
            "seen_by": output.end_effect_seen_by,
            "seen_on": output.end_effect_seen_on.isoformat() if output.end_effect_seen_on else None,
        }
        for output in outputs.order_by("receiver__label", "number")
    ]


def fault_lines(entries: Sequence[Entry], visit: Visit) -> list[dict[str, Any]]:
    """Latched faults that clearing the receivers took away, each with its cause."""
    pks = [pk for row in entries if row.kind == "cleared" for pk in row.facts.get("faults", [])]
    rows = Fault.objects.filter(pk__in=pks).select_related("receiver", "registration", "transmitter")
    return [fault_facts(fault, visit) for fault in rows.order_by("raised_at", "pk")]


def faults_left(visit: Visit) -> list[dict[str, Any]]:
    """Faults that stood when the visit was finished."""
    if visit.finished_at is None:
        return []
    rows = Fault.objects.filter(site=visit.site, raised_at__lte=visit.finished_at).select_related(
        "receiver", "registration", "transmitter"
    )
    left = [fault for fault in rows.order_by("raised_at", "pk") if stood_at(fault, visit.finished_at)]
    return [fault_facts(fault, visit) for fault in left]


def stood_at(fault: Fault, moment: datetime) -> bool:
    """Whether a fault still showed at a moment: the condition was there, or it was latched and not cleared."""
    if fault.cleared_at is None or fault.cleared_at > moment:
        return True
    return fault.is_latched and (fault.latch_cleared_at is None or fault.latch_cleared_at > moment)


def fault_facts(fault: Fault, visit: Visit) -> dict[str, Any]:
    """One fault."""
    return {
        "kind": fault.get_kind_display(),
        "receiver": fault.receiver.label,
        "slot": fault.registration.slot if fault.registration else None,
        "label": fault.registration.label if fault.registration else "",
        "serial": fault.transmitter.serial if fault.transmitter else "",
        "raised": clock(fault.raised_at, visit),
        "cause": fault.cause,
    }


def faults_since(visit: Visit) -> dict[str, Any]:
    """Faults raised since the last finished visit, counted by kind."""
    begins = visit.arrived_at or visit.finished_at
    before = (
        Visit.objects.filter(site=visit.site, state="finished", finished_at__lt=begins).order_by("-finished_at").first()
        if begins
        else None
    )
    if before is None:
        return {"since": None, "counts": []}
    rows = Fault.objects.filter(site=visit.site, raised_at__gt=before.finished_at, raised_at__lte=begins)
    counts = Counter(fault.get_kind_display() for fault in rows)
    return {"since": clock(before.finished_at, before), "counts": sorted(counts.items())}
