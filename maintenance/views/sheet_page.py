"""What the sheet and the finish page show. Reads only; the number of queries does not grow with the slots."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from django.utils import timezone
from django.utils.translation import gettext as _

from devices.models import Fault, Fitting, PlannedChange, Receiver, Registration
from devices.rules.slot_map import SlotRow, due_words, urgency
from devices.rules.words import behaviour_words, span_words, window_words
from maintenance.actions.entries import register_again_slots
from maintenance.forms import visits as visit_forms
from maintenance.models import DueItem, Entry, Visit
from maintenance.querysets.days import due_on_visit, things_by_site, whys_now, work_until
from maintenance.querysets.faults_on_visit import by_receiver, latched_before, standing_at
from maintenance.rules.visits import (
    WORK,
    Gate,
    ReceiverState,
    Said,
    Standing,
    is_answered,
    is_named,
    is_on_test,
    receiver_state,
    standing_words,
    why_not_clear,
)
from maintenance.views.round_page import due_by_site
from maintenance.views.tech import about_site
from sites.models import MonitoringCentre

SHOWS = ("todo", "done", "all", "last")
"""Filters of the sheet; "last" are the receiver's last steps."""

DONE_KINDS = WORK | {"not_done", "note"}


@dataclass(slots=True)
class Card:
    """One slot on the sheet."""

    row: SlotRow
    state: str
    due_state: str
    due_text: str
    entries: list[Entry] = field(default_factory=list)
    is_open: bool = False
    unit_is_due: bool = False
    faults: list[Standing] = field(default_factory=list)

    @property
    def fault_words(self) -> list[str]:
        """What is on record as wrong with it."""
        over = _("%(kind)s, over, not cleared at the receiver")
        return [over % {"kind": fault.kind} if fault.is_over else fault.kind for fault in self.faults]

    @property
    def battery(self) -> Entry | None:
        """The battery change in force on this visit."""
        return next((e for e in reversed(self.entries) if e.kind == "battery"), None)

    @property
    def walk_test(self) -> Entry | None:
        """The last walk test in force on this visit."""
        return next((e for e in reversed(self.entries) if e.kind == "walk_test"), None)

    @property
    def done_words(self) -> str:
        """What was done, for the closed card."""
        words = []
        if self.battery:
            words.append(_("battery changed"))
        if self.walk_test:
            words.append(_("heard") if self.walk_test.facts.get("heard") else _("not heard"))
        words += [e.get_kind_display() for e in self.entries if e.kind in ("registered", "not_done", "note")]
        return ", ".join(dict.fromkeys(words))

    @property
    def supervision_words(self) -> str:
        """Supervision as a sentence: "missing after 4 h; checks in every 60 min"."""
        words = window_words(self.row.window_s)
        return (
            _("%(words)s; checks in every %(span)s") % {"words": words, "span": span_words(self.row.interval_s)}
            if self.row.interval_s
            else words
        )

    @property
    def output_words(self) -> list[str]:
        """Each output with its behaviour."""
        return [f"{use.number}, {behaviour_words(use.behaviour, use.pulse_s)}" for use in self.row.outputs]


def cards_of(
    visit: Visit, rows: list[SlotRow], entries: list[Entry], items: list[DueItem], said: list[Said],
    faults: Sequence[Standing] = (),
) -> list[Card]:  # fmt: skip
    """One card per taken slot of a receiver, in the order of the slots.

    A slot with a fault is to do until something was done there, or it was said why not.
    """
    today = timezone.localdate(timezone=visit.site.zone)
    by_slot: dict[int, list[Entry]] = {}
    for entry in entries:
        if entry.registration:
            by_slot.setdefault(entry.registration.slot, []).append(entry)
    wanted = {
        item.transmitter_id
        for item in items
        if item.transmitter_id
        and not is_answered(
            said, transmitter_id=item.transmitter_id, receiver_id=item.receiver_id, is_unit=item.kind == "unit"
        )
    }
    call = " ".join(str(line["text"]) for line in visit.why if line.get("code") == "call")
    units = {item.transmitter_id for item in items if item.kind == "unit"}
    cards = []
    for row in rows:
        own = by_slot.get(row.slot, [])
        is_todo = row.transmitter_pk in wanted or row.needs_registering
        if visit.kind in ("inspection", "commissioning") and not any(e.kind in ("walk_test", "not_done") for e in own):
            is_todo = True
        wrong = [fault for fault in faults if fault.slot == row.slot]
        if any(not fault.is_over for fault in wrong) and not any(e.kind in WORK | {"not_done"} for e in own):
            is_todo = True
        if not own and call and is_named(call, slot=row.slot, label=row.label, serial=row.serial or ""):
            is_todo = True
        state = "todo" if is_todo else "done" if any(e.kind in DONE_KINDS for e in own) else "rest"
        cards.append(Card(row, state, row.urgency(today), due_words(row.due_on, today), own))
        cards[-1].unit_is_due, cards[-1].faults = row.transmitter_pk in units, wrong
    return cards


@dataclass(slots=True)
class ReceiverTab:
    """One receiver with how far it is."""

    receiver: Receiver
    cards: list[Card]
    state: ReceiverState
    again: list[int]
    standby: DueItem | None = None
    standby_answered: bool = False
    faults: list[Standing] = field(default_factory=list)
    has_older: bool = False
    """Something that the receiver latches began before the visit: the work on it is no cause of that."""
    n_changes: int = 0
    """Planned changes that stand in "Changes to make here" above: the tab must not say that nothing is to do."""

    @property
    def n_todo(self) -> int:
        return sum(1 for card in self.cards if card.state == "todo") + self.standby_is_todo

    @property
    def n_done(self) -> int:
        return sum(1 for card in self.cards if card.state == "done")

    @property
    def standby_is_todo(self) -> bool:
        """Whether the standby battery is due and neither changed nor explained."""
        return self.standby is not None and not self.standby_answered

    @property
    def still_words(self) -> str:
        """Faults on record for this receiver and its slots, in a row; empty where there are none."""
        return standing_words(self.faults)

    @property
    def why_not(self) -> str:
        """Why the receiver cannot be recorded as cleared yet."""
        return why_not_clear(self.state, self.again)


def _changes(user: Any, visit: Visit) -> Counter[int]:
    """Receiver → how many planned changes are to be made there; none once the visit is over."""
    if visit.state not in ("open", "planned"):
        return Counter()
    plans = PlannedChange.objects.visible_to(user).open().filter(site=visit.site)
    return Counter(plans.order_by().values_list("receiver_id", flat=True))


def sheet_context(
    user: Any, visit: Visit, place: dict[str, str], *, refused_kind: str = "", bound: Any = None, refusal: str = ""
) -> dict[str, Any]:
    """Everything on the sheet of a visit read with `for_sheet`."""
    entries = list(Entry.objects.visible_to(user).filter(visit=visit).for_log())
    standing = [entry for entry in entries if not entry.is_withdrawn]
    said = _said(standing)
    tabs = _tabs(user, visit, standing, said)
    changes = _changes(user, visit)
    for tab in tabs:
        tab.n_changes = changes[tab.receiver.pk]
    shown = next((tab for tab in tabs if str(tab.receiver.pk) == place["r"]), None) or _first(tabs)
    context = {
        **about_site(user, visit.site), "visit": visit, "tabs": tabs, "tab": shown, "show": place["show"],
        "whys": _whys(user, visit) if visit.state == "planned" else [], "is_open": visit.state == "open", "on_test": is_on_test(said),
        "centres": list(MonitoringCentre.objects.visible_to(user).filter(site=visit.site).order_by("name", "pk")),
        "n_todo": sum(tab.n_todo for tab in tabs), "n_done": sum(tab.n_done for tab in tabs),
        "left": [tab for tab in tabs if tab.state.is_left], "refused": refusal, "refused_kind": refused_kind,
        "test_entries": [e for e in standing if e.kind in ("on_test", "off_test")], "bound": bound,
        "notes_of_visit": [e for e in standing if e.kind == "note" and not e.registration],
    }  # fmt: skip
    if shown is not None:
        context["cards"] = _shown_cards(shown, place)
        context["receiver_entries"] = [e for e in standing if e.receiver_id == shown.receiver.pk and not e.registration]
        _open_slot(user, context, place)
    if context["is_open"]:
        _forms(user, context)
    return context


def _whys(user: Any, visit: Visit) -> list[dict[str, Any]]:
    things = things_by_site(due_by_site(user, [visit.site_id]).get(visit.site_id, []))
    return whys_now(visit, things.get(visit.site_id, []), timezone.localdate(timezone=visit.site.zone))


def _said(entries: list[Entry]) -> list[Said]:
    return [
        Said(
            e.kind,
            e.made_at,
            e.pk,
            e.receiver_id,
            e.registration_id,
            e.registration.transmitter_id if e.registration else None,
        )
        for e in entries
    ]


def _tabs(user: Any, visit: Visit, entries: list[Entry], said: list[Said]) -> list[ReceiverTab]:
    receivers = list(
        Receiver.objects.visible_to(user).open().filter(site=visit.site).select_related("type").order_by("label", "pk")
    )
    now, here = timezone.now(), Registration.objects.visible_to(user).filter(site=visit.site)
    rows = here.with_failed_tests(here.slot_rows(now, visit.site.zone), now, visit.site.zone)
    again = register_again_slots([receiver.pk for receiver in receivers])
    items = due_on_visit(visit, work_until(visit))
    found = standing_at(Fault.objects.visible_to(user), visit.site_id)
    standing, older = by_receiver(found), latched_before(found, visit.arrived_at)
    tabs = []
    for receiver in receivers:
        wrong = standing.get(receiver.pk, [])
        own_items = [item for item in items if item.kind != "standby"]
        cards = cards_of(
            visit, [row for row in rows if row.receiver_pk == receiver.pk],
            [e for e in entries if e.receiver_id == receiver.pk], own_items, said, wrong,
        )  # fmt: skip
        standby = next((i for i in items if i.kind == "standby" and i.receiver_id == receiver.pk), None)
        answered = standby is not None and is_answered(said, transmitter_id=None, receiver_id=receiver.pk)
        tabs.append(
            ReceiverTab(
                receiver,
                cards,
                receiver_state(said, receiver.pk),
                again.get(receiver.pk, []),
                standby,
                answered,
                wrong,
                receiver.pk in older,
            )
        )
    return tabs


def _first(tabs: list[ReceiverTab]) -> ReceiverTab | None:
    """The receiver to begin with: the first with something to do, else one that is left, else the first."""
    return (
        next((t for t in tabs if t.n_todo), None)
        or next((t for t in tabs if t.state.is_left), None)
        or (tabs[0] if tabs else None)
    )


def _shown_cards(tab: ReceiverTab, place: dict[str, str]) -> list[Card]:
    """Cards of the filter; the open one stays even when what was recorded moved it elsewhere."""
    for card in tab.cards:
        card.is_open = str(card.row.slot) == place["slot"]
    if place["show"] == "all":
        return tab.cards
    return [card for card in tab.cards if card.state == place["show"] or card.is_open]


def _open_slot(user: Any, context: dict[str, Any], place: dict[str, str]) -> None:
    """The one open slot: who changed its cells last, and what the forms offer."""
    card = next((card for card in context["cards"] if card.is_open), None)
    context["card"] = card
    if card is None:
        return
    registration = (
        Registration.objects.visible_to(user)
        .select_related("transmitter__type__battery_type")
        .get(pk=card.row.registration_pk)
    )
    context["registration"] = registration
    fitting = (
        Fitting.objects.visible_to(user)
        .open()
        .filter(transmitter=registration.transmitter_id)
        .select_related("battery_type")
        .first()
        if registration.transmitter_id
        else None
    )
    context["fitting"] = fitting
    if fitting is not None:
        change = Entry.objects.visible_to(user).standing().filter(kind="battery", facts__fitting=fitting.pk)
        context["changed_by"] = next((e.by.name for e in change.select_related("by")[:1]), "")
    kind = registration.transmitter.type if registration.transmitter else None
    offered = kind.battery_type if kind and kind.battery_type else (fitting.battery_type if fitting else None)
    context["offered"] = offered
    context["takes_cells"] = registration.transmitter is not None and not (
        kind and (kind.power == "mains" or kind.welded_cell)
    )
    context["battery_initial"] = {
        "cells": offered.code if offered else "",
        "n_cells": kind.n_cells if kind else (fitting.n_cells if fitting else 1),
        "old_why": "low_battery" if fitting and fitting.first_low_at else "preventive",
    }


def _forms(user: Any, context: dict[str, Any]) -> None:
    """One form per thing that can be recorded here; the refused one keeps what was typed."""
    makers: dict[str, Any] = {"on_test": {}, "off_test": {}, "site_note": {}}
    if context.get("tab") is not None:
        # What it was is asked, not proposed, where it was there before anybody came.
        cause = {"initial": {"cause": ""}} if context["tab"].has_older else {}
        makers |= {"volts": {}, "covers": {}, "cleared": cause}
        if context["tab"].standby is not None:
            makers |= {"standby": {}, "standby_not_done": {}}
    if context.get("card") is not None:
        makers |= {"walk_test": {}, "registered": {}, "note": {}, "not_done": {}}
        if context["takes_cells"]:
            makers["battery"] = {"initial": context["battery_initial"]}
    kinds = {"site_note": "note", "standby_not_done": "not_done"}
    forms: dict[str, Any] = {}
    for name, extra in makers.items():
        prefix = f"{name}_%s"
        if name == "standby":
            forms[name] = visit_forms.StandbyForm(auto_id=prefix)
        else:
            forms[name] = visit_forms.entry_form(kinds.get(name, name), user, auto_id=prefix, **extra)
    bound = context["bound"]
    if bound is not None:
        name = _refused_name(context, bound)
        bound.auto_id = f"{name}_%s"
        if name in forms:
            forms[name] = bound
    context["forms"] = forms


def _refused_name(context: dict[str, Any], bound: Any) -> str:
    """Which of the forms on the page came back: some kinds stand there twice."""
    kind, has_slot = context["refused_kind"], bool(bound.data.get("registration"))
    if kind == "note" and not has_slot:
        return "site_note"
    if kind == "not_done" and not has_slot:
        return "standby_not_done"
    if kind == "battery" and not has_slot:
        return "standby"
    return str(kind)


def entry_initial(entry: Entry) -> dict[str, Any]:
    """What the form of a correction begins with: the facts as they were recorded."""
    facts = dict(entry.facts)
    if entry.kind == "walk_test":
        facts["heard"] = "yes" if facts.get("heard") else "no"
    facts.pop("key", None)
    return facts


def finish_context(user: Any, visit: Visit, form: Any, gates: list[Gate], refusal: str = "") -> dict[str, Any]:
    """What was done, what was left, what stands in the way."""
    entries = list(Entry.objects.visible_to(user).filter(visit=visit).standing().for_log())
    done: dict[str, list[Entry]] = {}
    for entry in entries:
        done.setdefault(entry.receiver.label if entry.receiver else _("The visit"), []).append(entry)
    today = timezone.localdate(timezone=visit.site.zone)
    left = [
        {
            "item": item, "why": why, "text": text, "key": key, "state": urgency(item.due_on, today),
            "words": due_words(item.due_on, today),
        }
        for item, why, text, key in form.rows()
    ]  # fmt: skip
    return {
        "visit": visit, "form": form, "done": sorted(done.items(), key=lambda group: (group[0] != "The visit", group[0])), "left": left, "refused": refusal, "section": "today",
        "gates": [gate for gate in gates if gate.code != "not_done"],
    }  # fmt: skip
