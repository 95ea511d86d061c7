"""What the rules must know to find what needs a person: many receivers at once, a fixed number of queries per time zone."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Exists, F, Max, OuterRef, Q
from django.utils import timezone

from company.models import ChangeRow, RiskPolicy
from devices.models import Fault, Fitting, Output, PlannedChange, Receiver, Registration, Transmitter
from devices.querysets import end_of_day
from devices.rules.findings import Loan, ReceiverFacts, WaitingPlan
from devices.rules.findings_facts import asks_with, is_wired
from devices.rules.slot_life import NO_TIME
from devices.rules.slot_map import OutputFacts, SlotRow
from maintenance.actions.findings_radio import Radio, read_radio
from maintenance.models import DueItem, Entry, IssuedReport, Visit, WalkTest
from maintenance.querysets.fits import fit_in_use
from maintenance.rules.findings import Hung, LateItem, OnTest, stood_at

DAYS_A_YEAR = 365.25
_WHAT = {"cells": "the cells", "standby": "the standby battery", "unit": "the whole unit"}
Days = dict[int, dict[int, date]]


@dataclass(slots=True)
class SiteFacts:
    """One site with those of its receivers that were asked for."""

    site: Any
    receivers: list[tuple[Receiver, ReceiverFacts, list[LateItem]]] = field(default_factory=list)
    on_test: list[OnTest] = field(default_factory=list)


@dataclass(slots=True)
class _Shelf:
    """Everything read, by receiver; filled query by query."""

    rows: dict[int, list[SlotRow]] = field(default_factory=dict)
    outputs: dict[int, list[OutputFacts]] = field(default_factory=dict)
    test_again: Days = field(default_factory=dict)
    low_since: Days = field(default_factory=dict)
    learnt_grace: dict[int, dict[int, int]] = field(default_factory=dict)
    shelf_ends: Days = field(default_factory=dict)
    not_heard: Days = field(default_factory=dict)
    elsewhere: dict[int, set[tuple[str, int]]] = field(default_factory=dict)
    loans: dict[int, list[Loan]] = field(default_factory=dict)
    plans: dict[int, list[WaitingPlan]] = field(default_factory=dict)
    visited: dict[int, date] = field(default_factory=dict)
    copies: dict[int, tuple[date, date]] = field(default_factory=dict)
    late: dict[int, list[LateItem]] = field(default_factory=dict)
    radio: Radio = field(default_factory=Radio)


def read_sites(receiver_ids: Sequence[int], at: datetime) -> dict[int, SiteFacts]:
    """Site → its facts and those of the receivers named that hang there now, at sites that are looked after."""
    receivers = list(
        Receiver.objects.open().filter(pk__in=receiver_ids, site__closed_at=None).select_related("site", "customer")
    )
    shelf, here = _Shelf(), {row.pk: row for row in receivers}
    zones: dict[str, list[int]] = {}
    for row in receivers:
        zones.setdefault(row.site.time_zone, []).append(row.pk)
    for zone, ids in zones.items():
        moment = end_of_day(at.astimezone(ZoneInfo(zone)).date(), ZoneInfo(zone))
        for slot in Registration.objects.filter(receiver__in=ids).slot_rows(moment, ZoneInfo(zone)):
            shelf.rows.setdefault(slot.receiver_pk or 0, []).append(slot)
    _read_outputs(shelf, here)
    _read_cells(shelf, here)
    _read_tests(shelf, here)
    _read_elsewhere(shelf, here)
    _read_loans(shelf, here)
    _read_plans(shelf, here)
    _read_late(shelf, here, timezone.localdate(at))
    shelf.radio = read_radio(here, shelf.rows, at)
    faults = Fault.objects.filter(receiver__in=here).told()
    _read_visits(shelf, here, [pk for pk, rows in faults.items() if any(row.is_over for row in rows)])
    _read_copies(shelf, here)
    policies = list(RiskPolicy.objects.all())
    found: dict[int, SiteFacts] = {}
    for row in receivers:
        facts = _facts(shelf, row, policies, faults.get(row.pk, ()), at)
        site = found.setdefault(row.site_id, SiteFacts(row.site))
        site.receivers.append((row, facts, shelf.late.get(row.pk, [])))
    _read_on_test(found)
    return found


def _facts(shelf: _Shelf, row: Receiver, policies: list[RiskPolicy], faults: Sequence[Any], at: datetime) -> Any:
    pk = row.pk
    copy = shelf.copies.get(pk, (None, None))
    return ReceiverFacts(
        where=str(row), n_slots=row.n_slots, rows=shelf.rows.get(pk, []), outputs=shelf.outputs.get(pk, []),
        today=at.astimezone(row.site.zone).date(), elsewhere=frozenset(shelf.elsewhere.get(pk, ())),
        asks=asks_with((policy.duty, policy.longest_window_s, policy.source_note) for policy in policies), faults=faults,
        grace_days={policy.duty: policy.grace_days for policy in policies}, learnt_grace=shelf.learnt_grace.get(pk, {}),
        low_since=shelf.low_since.get(pk, {}), not_heard=shelf.not_heard.get(pk, {}),
        shelf_ends=shelf.shelf_ends.get(pk, {}), test_again=shelf.test_again.get(pk, {}),
        loans=shelf.loans.get(pk, ()), plans=shelf.plans.get(pk, ()), visited_on=shelf.visited.get(pk),
        links=shelf.radio.links.get(pk, {}), silent=shelf.radio.silent.get(pk, {}), radio=shelf.radio.records.get(pk, {}),
        watched=shelf.radio.watched.get(pk, {}), strangers=shelf.radio.strangers.get(pk, ()),
        map_issued_on=copy[0], slots_changed_on=copy[1],
    )  # fmt: skip


def _zone(here: dict[int, Receiver], pk: int) -> ZoneInfo:
    return ZoneInfo(here[pk].site.time_zone)


def _slots_of(shelf: _Shelf) -> dict[int, list[tuple[int, SlotRow]]]:
    """Transmitter → receiver and slot of each place it stands in."""
    places: dict[int, list[tuple[int, SlotRow]]] = {}
    for pk, rows in shelf.rows.items():
        for row in rows:
            if row.transmitter_pk is not None:
                places.setdefault(row.transmitter_pk, []).append((pk, row))
    return places


def _read_outputs(shelf: _Shelf, here: dict[int, Receiver]) -> None:
    for row in Output.objects.filter(receiver__in=here).order_by("receiver", "number"):
        shelf.outputs.setdefault(row.receiver_id, []).append(
            OutputFacts(
                number=row.number, kind=row.kind, drives=row.drives.strip(), terminals=row.terminals,
                is_wired=is_wired(row.drives, row.terminals), effect_seen_on=row.end_effect_seen_on,
                effect_seen_by=row.end_effect_seen_by, cleared_by=row.clears.strip(),
            )
        )  # fmt: skip
        if row.test_again_since:
            since = row.test_again_since.astimezone(_zone(here, row.receiver_id)).date()
            shelf.test_again.setdefault(row.receiver_id, {})[row.number] = since


def _read_cells(shelf: _Shelf, here: dict[int, Receiver]) -> None:
    """First low-battery signal and end of the shelf life of the cells in use, where there is one to tell; learnt grace."""
    places, fit = _slots_of(shelf), fit_in_use()
    rows = Fitting.objects.open().filter(
        transmitter__registrations__receiver__in=here, transmitter__registrations__removed_at=None
    )
    for transmitter, low_at, made_on, fitted_at, years, *types in rows.values_list(
        "transmitter_id", "first_low_at", "made_on", "fitted_at", "battery_type__shelf_life_years", "transmitter__type_id",
        "battery_type_id",
    ):  # fmt: skip
        grace = fit.grace_of(*types)
        for pk, row in places.get(transmitter, ()):
            if math.isfinite(grace):
                shelf.learnt_grace.setdefault(pk, {})[row.slot] = int(grace)
            if low_at:
                shelf.low_since.setdefault(pk, {})[row.slot] = low_at.astimezone(_zone(here, pk)).date()
            begun = made_on or (fitted_at.astimezone(_zone(here, pk)).date() if fitted_at else None)
            if begun and years:
                shelf.shelf_ends.setdefault(pk, {})[row.slot] = begun + timedelta(days=round(years * DAYS_A_YEAR))


def _read_tests(shelf: _Shelf, here: dict[int, Receiver]) -> None:
    """Walk tests that were not heard, are newer than any that was, and were made of what stands there now."""
    slots = {(pk, row.slot): row for pk, rows in shelf.rows.items() for row in rows}
    tests = WalkTest.objects.standing().filter(registration__receiver__in=here, heard=False)
    for pk, number, transmitter, tested_at in tests.order_by("at", "pk").values_list(
        "registration__receiver_id", "registration__slot", "registration__transmitter_id", "at"
    ):
        row = slots.get((pk, number))
        if row is None or row.transmitter_pk != transmitter:
            continue
        newest = max((day for day in (row.walk_tested_at, row.registered_at) if day), default=None)
        if newest is None or tested_at > newest:
            shelf.not_heard.setdefault(pk, {})[number] = tested_at.astimezone(_zone(here, pk)).date()


def _read_elsewhere(shelf: _Shelf, here: dict[int, Receiver]) -> None:
    """Inputs that hold a slot in another receiver. Of two places at least one is declared: the database sees to that."""
    places = _slots_of(shelf)
    shared = Registration.objects.open().filter(is_shared=True, transmitter__registrations__receiver__in=here)
    for transmitter, number, receiver in shared.values_list("transmitter_id", "input_number", "receiver_id").distinct():
        for pk, row in places.get(transmitter, ()):
            if pk != receiver and row.input_number == number:
                shelf.elsewhere.setdefault(pk, set()).add((row.serial, number))


def _read_loans(shelf: _Shelf, here: dict[int, Receiver]) -> None:
    places = _slots_of(shelf)
    for pk, row in here.items():
        if row.loan_until:
            shelf.loans.setdefault(pk, []).append(Loan(row.loan_until))
    lent = Transmitter.objects.filter(loan_until__isnull=False, registrations__receiver__in=here).distinct()
    for transmitter, serial, until_on in lent.values_list("pk", "serial", "loan_until"):
        for pk, slot in places.get(transmitter, ()):
            shelf.loans.setdefault(pk, []).append(Loan(until_on, serial, slot.slot))


def _read_plans(shelf: _Shelf, here: dict[int, Receiver]) -> None:
    waiting = PlannedChange.objects.filter(receiver__in=here, done_at=None, dropped_at=None)
    for plan in waiting.order_by("planned_at", "pk"):
        day = plan.planned_at.astimezone(_zone(here, plan.receiver_id)).date()
        shelf.plans.setdefault(plan.receiver_id, []).append(WaitingPlan(plan.slot, plan.get_kind_display(), day))


def _read_late(shelf: _Shelf, here: dict[int, Receiver], today: date) -> None:
    """Life safety late whose site no published round names."""
    rows = DueItem.objects.open().filter(receiver__in=here, harm=0).late(today)
    for is_draft, items in ((False, rows.unplaced()), (True, rows.only_in_draft())):
        for pk, receiver, kind, due_on, slot, label in items.values_list(
            "pk", "receiver_id", "kind", "due_on", "registration__slot", "registration__label"
        ):
            place = f", slot {slot} ({label})" if slot else ""
            where = f"{here[receiver]}{place}"
            item = LateItem(pk, where, _WHAT.get(kind, kind), due_on, slot=slot, only_draft=is_draft)
            shelf.late.setdefault(receiver, []).append(item)


def _read_visits(shelf: _Shelf, here: dict[int, Receiver], latched: list[int]) -> None:
    """Day of the last finished visit on which somebody stood at receivers whose faults are over and not cleared.

    That something was recorded there shows it, except that there was no access; where nothing was recorded at any receiver,
    `stood_at` tells.
    """
    if not latched:
        return
    done = Entry.objects.standing().filter(receiver__in=latched, visit__state="finished").exclude(
        kind=Entry.Kind.NOT_DONE, facts__why="no_access"
    )  # fmt: skip
    last = dict(done.values_list("receiver").annotate(last=Max("visit__finished_at")).order_by())
    sites = {here[pk].site_id for pk in latched}
    at_receivers = Entry.objects.standing().filter(Q(receiver__isnull=False) | Q(registration__isnull=False))
    bare = Visit.objects.filter(site__in=sites, state=Visit.State.FINISHED).exclude(
        Exists(at_receivers.filter(visit=OuterRef("pk")))
    )  # fmt: skip
    there: dict[int, list[Hung]] = {}
    hung = Receiver.objects.filter(site__in=sites).order_by("pk")
    for pk, site, begun_on, ended_at in hung.values_list("pk", "site_id", "installed_on", "removed_at"):
        there.setdefault(site, []).append(Hung(pk, begun_on, ended_at))
    for site, zone, finished_at in bare.values_list("site_id", "site__time_zone", "finished_at"):
        stood = stood_at(finished_at.astimezone(ZoneInfo(zone)), there[site])
        if stood in latched:
            last[stood] = max(last.get(stood, finished_at), finished_at)
    for pk, finished_at in last.items():
        shelf.visited[pk] = finished_at.astimezone(_zone(here, pk)).date()


def _read_copies(shelf: _Shelf, here: dict[int, Receiver]) -> None:
    """When the customer's newest slot map was issued, and when a slot was changed after that."""
    copies = {
        pk: row.issued_at for pk, row in IssuedReport.objects.newest_of_receivers(list(here)).items() if row.in_portal
    }
    if not copies:
        return
    # What was taken back on its day never stood: nobody can miss it on the copy.
    stood = Registration.objects.filter(receiver__in=copies).exclude(removed_at__lte=F("registered_at") + NO_TIME)
    changed = stood.values_list("receiver").order_by()
    moments = [
        *changed.annotate(begun=Max("registered_at"), ended=Max("removed_at")),
        *((pk, at, None) for pk, at in _taken_back_since(copies)),
    ]
    newest: dict[int, datetime] = {}
    for pk, *known in moments:
        newest[pk] = max(moment for moment in (*known, newest.get(pk)) if moment)
    for pk, at in newest.items():
        if at > copies[pk]:
            zone = _zone(here, pk)
            shelf.copies[pk] = (copies[pk].astimezone(zone).date(), at.astimezone(zone).date())


def _taken_back_since(copies: dict[int, datetime]) -> Iterator[tuple[int, datetime]]:
    """Receiver and moment of each change of a slot that its copy shows, and that was taken back after the copy."""
    rows = ChangeRow.objects.filter(
        subject_kind="registration", undoes__isnull=False, at__gt=min(copies.values()),
        subject_id__in=Registration.objects.filter(receiver__in=copies).values("pk"),
    )  # fmt: skip
    for facts, at, entered in rows.values_list("after", "at", "undoes__at"):
        pk = (facts or {}).get("receiver")
        if pk in copies and entered <= copies[pk] < at:
            yield pk, at


def _read_on_test(found: dict[int, SiteFacts]) -> None:
    """Tests that nobody has ended, not even on another visit to the site since."""
    visits = Visit.objects.filter(site__in=found, on_test_at__isnull=False)
    ended: dict[int, datetime] = dict(
        visits.filter(off_test_at__isnull=False).values_list("site").annotate(last=Max("off_test_at")).order_by()
    )
    for visit in visits.filter(off_test_at=None).order_by("on_test_at", "pk"):
        facts = found[visit.site_id]
        assert visit.on_test_at is not None
        if visit.site_id in ended and ended[visit.site_id] > visit.on_test_at:
            continue
        is_over = visit.state in (Visit.State.FINISHED, Visit.State.CANCELLED)
        began = visit.on_test_at.astimezone(facts.site.zone)
        facts.on_test = [OnTest(visit.pk, facts.site.name, began, is_over)]
