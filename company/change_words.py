"""What a row of the change log says, in words: the deed, the kind of record, what differs. Reads no database.

What a column is called and what its codes stand for is taken from the model that the row is about.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import date, datetime, tzinfo
from functools import lru_cache
from typing import Any

from django.apps import apps
from django.core.exceptions import FieldDoesNotExist
from django.db.models import Field, Model
from django.utils import timezone
from django.utils.dateformat import format as date_format
from django.utils.translation import get_language_info

DEEDS = {
    "acknowledge_fault": "fault acknowledged", "say_fault_over": "fault said to be over", "save_notice_rule": "rule for mails about faults saved",
    "switch_notice_rule": "rule for mails about faults switched on or off", "try_notice_again": "mail sent again",
    "remove_notice_rule": "rule for mails about faults removed", "try_notice_rule": "test mail sent",
    "add_access_note": "access note added", "add_closures": "closures added from a file", "add_stop": "stop added",
    "add_transmitter": "transmitter added", "cancel_round": "round cancelled", "change_access_note": "access note changed",
    "close_site": "site closed", "closures_from_file": "closures added from a file",
    "correct_fitting": "fitting of cells corrected", "edit_round": "round edited",
    "edit_transmitter": "transmitter edited", "merge_area": "area merged into another",
    "move_floor_plan": "order of the floor plans changed", "move_stop": "stop moved to another round",
    "order_stops": "stops put in order", "publish_round": "round published", "pull_into_round": "stop taken into the round",
    "put_back_floor_plan": "floor plan put back", "remove_area": "area removed", "remove_floorplan": "floor plan removed",
    "remove_hazard": "hazard removed", "remove_monitoringcentre": "monitoring centre removed",
    "remove_siteclosure": "closure removed", "remove_stop": "stop taken out of the round", "rename_area": "area renamed",
    "rename_floor_plan": "floor plan renamed", "reopen_site": "site opened again", "save_area": "area saved",
    "save_hazard": "hazard saved", "save_monitoringcentre": "monitoring centre saved", "save_siteclosure": "closure saved",
    "set_stop_minutes": "minutes of a stop changed", "shift_stop": "stop moved within the round",
    "adapt_plan": "planned change adapted", "add_days_off": "days off added", "add_type": "type added",
    "area_renamed": "area renamed", "change_type": "type changed", "deactivate_person": "person deactivated",
    "end_sessions": "sessions ended", "hand_out_link": "link for a forgotten password handed out",
    "export_records": "records exported", "invite_person": "person invited",
    "move_area": "area moved", "offer_type": "type offered again", "output_works_again": "output seen to work again",
    "reactivate_person": "person let in again", "remove_access_note": "access note removed",
    "remove_days_off": "days off removed", "reopen_plan": "planned change opened again",
    "reseal_access_notes": "access notes sealed with a new key", "reseal_second_factors": "second factors sealed with a new key",
    "reset_second_factor": "second factor reset",
    "retire_type": "type retired", "save_profile": "own page saved", "save_theme": "look chosen",
    "snooze_finding": "finding snoozed", "take_plan_back": "planned change taken back",
    "undo_snoozing": "snoozing taken back", "wake_finding": "finding woken",
    "withdraw_invitation": "invitation withdrawn",
    "add_floor_plan": "floor plan added", "add_receiver": "receiver added", "add_to_recall": "added to a recall",
    "ask_to_register_again": "to be registered again", "bulk_change_slot": "slot changed with others", "change_slot": "slot changed", "clear_hazard": "hazard cleared",
    "adopt_set_aside": "transmitter adopted", "place_set_aside": "events set aside placed",
    "clear_latched_faults": "latched faults cleared", "close_customer": "customer closed",
    "close_recall": "recall closed", "correct_end": "end of the cells corrected", "edit_receiver": "receiver edited",
    "end_away": "back again", "end_portal_access": "portal access ended", "end_round": "round ended",
    "finish_visit": "visit finished", "fit_battery": "cells fitted", "give_portal_access": "portal access given",
    "issue_report": "report issued", "latch_faults_again": "faults latched again", "low_signal_settled": "low-battery signal settled",
    "mark_registered": "registered again",
    "move_request": "request moved on", "move_transmitter": "transmitter moved", "open_recall": "recall opened",
    "open_request": "request opened", "plan_round": "round planned", "plan_change": "change planned", "drop_plan": "planned change dropped",
    "drop_checkin_days": "old days of check-ins dropped",
    "carry_out_plan": "planned change carried out", "extend_away": "absence extended", "place_pin": "pin placed",
    "remove_pin": "pin removed", "replace_floor_plan": "floor plan replaced", "swap_receiver": "receiver swapped",
    "swap_transmitter": "transmitter swapped", "put_back": "put back",
    "register_transmitter": "transmitter registered", "release_to_portal": "shown in the portal",
    "remark_visit": "remark on a visit", "remove_battery": "cells taken out", "remove_contact": "contact removed",
    "remove_output": "output dropped", "remove_receiver": "receiver taken down",
    "remove_transmitter": "transmitter removed", "reopen_customer": "customer taken back", "save_contact": "contact saved",
    "save_customer": "customer saved", "save_firm": "settings of the firm saved", "save_output": "output saved",
    "save_person": "person saved", "save_policy": "policy changed", "save_site": "site saved",
    "save_technician": "working day saved", "set_portal_sites": "sites of a portal access set",
    "set_recall_state": "recall moved on", "set_visit_crew": "crew of a visit set",
    "set_loan_day": "day of return of a loan changed", "set_visiting_hours": "visiting hours set", "start_away": "away", "start_call_out": "call-out begun",
    "add_source": "source of check-ins added", "change_source": "source of check-ins changed",
    "make_token": "token made", "take_up_token": "new token in use", "revoke_token": "token ended", "retire_source": "source of check-ins retired",
    "reopen_source": "source of check-ins taken into use again", "dismiss_set_aside": "set-aside events dismissed",
    "dismiss_many_set_aside": "several units set aside dismissed, one of them",
    "map_event_log": "columns of an event log chosen", "take_event_log": "event log taken in",
    "remove_event_log": "event log removed, not taken in", "remove_source": "source of check-ins removed, never used",
    "connect_panel": "panel connected", "change_panel": "panel changed", "close_panel": "panel closed",
    "reopen_panel": "panel taken into use again", "set_panel_key": "key of a panel set", "drop_panel_key": "key of a panel taken out",
    "dismiss_stranger": "unknown panel dismissed", "reseal_panel_keys": "keys of panels sealed with a new key",
    "start_visit": "visit begun", "take_back": "taken back", "take_back_fitting": "fitting of cells taken back",
}  # fmt: skip
KINDS = {
    "accessnote": "access note", "area": "area", "contact": "contact", "customer": "customer", "firm": "firm",
    "fitting": "cells", "intakesource": "source of check-ins", "setaside": "events set aside", "floorplan": "floor plan", "hazard": "hazard", "issuedreport": "report",
    "monitoringcentre": "monitoring centre", "output": "output", "plannedchange": "planned change", "planpin": "pin",
    "portalaccess": "portal access", "receiver": "receiver", "recall": "recall", "recallitem": "unit of a recall",
    "registration": "slot", "request": "request", "riskpolicy": "policy", "round": "round", "site": "site",
    "siteclosure": "closure", "technician": "technician’s day", "transmitter": "transmitter", "user": "person",
    "panelaccount": "panel", "panelstranger": "unknown panel", "noticerule": "rule for mails about faults", "faultnotice": "mail about faults",
    "visit": "visit", "visitinghours": "visiting hours", "findingrecord": "finding", "fault": "fault",
    "transmittertype": "transmitter type", "receivertype": "receiver type", "batterytype": "battery type",
}  # fmt: skip
FIELDS = {
    "label": "place", "duty": "duty class", "is_portable": "leaves the site", "window_s": "supervision window",
    "interval_s": "checks in every", "input_number": "input", "is_shared": "declared to stand in several slots",
    "registered_at": "in force since", "removed_at": "ended", "register_again_since": "to be registered again since",
    "n_slots": "slots", "rest": "at rest", "eol_part": "end-of-line part", "clears": "who clears it",
    "slot_offset": "zone of slot 1, less 1", "supervised_s": "a message at least every", "has_key": "key is set",
    "reports_for": "reports for", "checkin_months": "months of check-ins kept", "checkins_from": "days of check-ins kept from",
    "away_from": "away from", "away_ended": "back on", "end_effect_seen_by": "end effect seen by",
    "end_effect_seen_on": "end effect seen on", "contact": "contact at rest",
}  # fmt: skip
CODES = {
    "life_safety": "life safety", "latching": "stays on until cleared", "follower": "follows the contact",
    "toggle": "changes over each time", "momentary": "on for a set time", "nc": "normally closed",
    "no": "normally open", "every": "every check-in reaches us", "exceptions": "only exceptions reach us",
    "visits": "only visits tell",
}  # fmt: skip
HIDDEN = frozenset({
    "receiver", "version", "recorded_at", "visit", "from_receiver", "registration", "stood", "to_receiver",
})  # fmt: skip
"""Facts that serve the program, not the reader."""
DIGEST = re.compile(r"[0-9a-f]{64}")
"""How the log keeps a picture or a file: what tells one from another, and nothing that a person could read."""
OURS = ("company", "sites", "devices", "maintenance")


def deed_words(verb: str) -> str:
    """What was done: `change_slot` is "slot changed"; a verb nobody has worded is read as it stands."""
    return DEEDS.get(verb) or verb.replace("_", " ")


def kind_words(kind: str) -> str:
    """What kind of record: "registration" is a slot, "fitting" cells."""
    return KINDS.get(kind, kind)


def length_words(seconds: float) -> str:
    """A length of time [s] as it is spoken of: 14400 is "4 h"."""
    whole = int(seconds)
    if whole >= 7200 and whole % 3600 == 0:
        return f"{whole // 3600} h"
    return f"{whole // 60} min" if whole >= 120 and whole % 60 == 0 else f"{whole} s"


def _moment(text: str, zone: tzinfo | None) -> str:
    """Dates and moments as the log keeps them, in words; anything else as it is."""
    if len(text) < 10 or text[4:5] != "-" or text[7:8] != "-":
        return text
    try:
        if len(text) == 10:
            return date_format(date.fromisoformat(text), "j M Y")
        at = datetime.fromisoformat(text)
    except ValueError:
        return text
    return date_format(timezone.localtime(at, zone) if timezone.is_aware(at) else at, "j M Y, H:i")


def _day_words(text: str, zone: tzinfo | None, in_style: Callable[[str], str]) -> str:
    """A text that the log keeps; only days are written anew: words of a person stay as they were entered."""
    words = _moment(text, zone)
    return words if words == text else in_style(words)


def _output(use: Any) -> str:
    if not isinstance(use, list | tuple) or len(use) != 3:
        return str(use)
    number, behaviour, seconds = use
    return f"{number}: {CODES.get(behaviour, behaviour)}" + (f", {seconds:g} s" if seconds else "")


def model_of(kind: str) -> type[Model] | None:
    """The model that a kind of record is named after; None for a word that names none of ours."""
    for app in OURS:
        try:
            return apps.get_model(app, kind)
        except (LookupError, ValueError):
            continue
    return None


@lru_cache(maxsize=512)
def _column(kind: str, name: str) -> Field[Any, Any] | None:
    """Column of the model that a kind of record is named after; None for a fact that is no column."""
    model = model_of(kind)
    try:
        found = model._meta.get_field(name) if model is not None else None
    except FieldDoesNotExist:
        return None
    return found if isinstance(found, Field) else None


def _name_words(kind: str, name: str) -> str:
    column = _column(kind, name)
    return FIELDS.get(name) or (str(column.verbose_name) if column else name.replace("_", " "))


def _code_words(kind: str, name: str, value: str) -> str:
    """What a code of the record stands for: "month_day" is "May 3, 2025"; empty where it is no code."""
    column = _column(kind, name)
    for code, words in column.flatchoices if column else ():
        if code == value:
            return str(words)
    if name == "language":
        try:
            return str(get_language_info(value)["name_local"])
        except KeyError:
            return ""
    return ""


def value_words(
    name: str, value: Any, zone: tzinfo | None = None, kind: str = "", in_style: Callable[[str], str] = str
) -> str:
    """One fact of the log as a person reads it; nothing recorded is "nothing".

    `kind` is the row's kind of record; `in_style` writes a day anew, as the firm writes days.
    """
    if value is None or value in ("", [], {}):
        return "nothing"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if name in ("window_s", "interval_s") and isinstance(value, int | float):
        return length_words(value)
    if name == "outputs" and isinstance(value, list):
        return "; ".join(_output(use) for use in value)
    if isinstance(value, str):
        if DIGEST.fullmatch(value):
            return "a picture" if name == "logo" else "a file"
        return CODES.get(value) or _code_words(kind, name, value) or _day_words(value, zone, in_style)
    if isinstance(value, list):
        return ", ".join(value_words("", one, zone, in_style=in_style) for one in value)
    return str(value)


def lines_of(
    before: Mapping[str, Any] | None,
    after: Mapping[str, Any] | None,
    zone: tzinfo | None = None,
    kind: str = "",
    in_style: Callable[[str], str] = str,
) -> list[tuple[str, str, str]]:
    """What differs: name, before, after; nothing where one side is not known (a new record). `in_style` writes days anew."""
    if not before or not after:
        return []
    lines = []
    for name, value in after.items():
        if name in HIDDEN or name not in before or before[name] == value:
            continue
        if isinstance(value, dict) or isinstance(before[name], dict):
            lines += _lines_within(before[name], value, zone, in_style)
            continue
        was, now = (value_words(name, fact, zone, kind, in_style) for fact in (before[name], value))
        if was == now and isinstance(value, str) and DIGEST.fullmatch(value):
            now = now.replace("a ", "another ", 1)
        lines.append((_name_words(kind, name), was, now))
    return lines


def _lines_within(
    before: Mapping[str, Any] | None,
    after: Mapping[str, Any] | None,
    zone: tzinfo | None,
    in_style: Callable[[str], str],
) -> list[tuple[str, str, str]]:
    """What differs in a fact of several: the settings that a planned change wants for a slot."""
    was, now = before or {}, after or {}
    names = dict.fromkeys((*now, *was))
    before, after = ({name: side.get(name) for name in names} for side in (was, now))
    return lines_of(before, after, zone, "registration", in_style)
