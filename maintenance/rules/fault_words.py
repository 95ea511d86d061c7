"""What a fault means and what to do about it, in words of our own; which one is worse. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import timedelta

LIFE_SAFETY = "life_safety"
RECEIVER = "receiver"
HELP_CALLS = frozenset({"pendant", "pull_cord", "wall_button"})
"""Kinds of transmitter by which a person calls for help."""

KINDS = (
    "outage", "missing", "link_lost", "low_battery", "receiver_power", "receiver_fault", "receiver_standby", "trouble",
    "interference",
    "tamper", "receiver_tamper",
)  # fmt: skip
"""Kinds of fault, worst first among those of one duty class. Own order: what takes most out of service comes first."""

OF_RECEIVER = frozenset(
    {"outage", "link_lost", "receiver_power", "receiver_standby", "receiver_fault", "receiver_tamper", "interference"}
)
DEAD = frozenset({"outage", "missing", "low_battery"})
"""What leaves somebody without help now or soon: worst of all on life safety."""

DUTY_ORDER = (LIFE_SAFETY, RECEIVER, "security", "convenience")

TOLD_ANYWAY_S = 900
"""A fault on life safety that was over before its mail went is still told if it stood for so long: somebody may have called
and not been heard. Own choice."""


def rank(kind: str, duty: str) -> int:
    """How bad, 0 is worst: dead or dying life safety and a deaf receiver, then life safety and receivers, then the rest."""
    if kind == "outage" or (duty == LIFE_SAFETY and kind in DEAD):
        return 0
    return 1 + DUTY_ORDER.index(duty) if duty in DUTY_ORDER else len(DUTY_ORDER)


def in_order(kinds_and_duties: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """Kinds with their duties, worst first."""
    return sorted(kinds_and_duties, key=lambda one: (rank(*one), kind_order(one[0])))


def kind_order(kind: str) -> int:
    """Place of a kind among those of its duty."""
    return KINDS.index(kind) if kind in KINDS else len(KINDS)


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a fault says, and what to do about it."""

    what: str
    do: str


_WHAT = {
    "outage": "The receiver is there, but hears none of its transmitters.",
    "missing": "It was not heard for longer than its supervision window allows.",
    "link_lost": "Nothing comes from there any more: we cannot tell whether its transmitters work.",
    "low_battery": "It says that its battery is low.",
    "receiver_power": "The receiver says that its mains or supply has failed. On its standby battery it lasts for hours.",
    "receiver_standby": "The receiver says that its standby battery is low or missing. Without mains it stops at once or soon.",
    "receiver_fault": "The receiver reports a fault of its own.",
    "trouble": "It says that its sensor or the wires to it do not work.",
    "interference": "The receiver is disturbed by another radio: signals may be missed while it lasts.",
    "tamper": "Its cover is open, or it was taken off its place.",
    "receiver_tamper": "The receiver's cover is open.",
}
_DO = {
    "outage": "Ring the site and have somebody look after those who rely on it. Then see to aerial, supply and receiver.",
    "missing": "Ring the site. Is it out of the building, or its battery flat? Otherwise plan a visit.",
    "link_lost": "See whether the gateway, the line or the sender of the file has stopped. Until then only the site itself tells.",
    "low_battery": "Change the cells within the days that the policy allows; the due list has it already.",
    "receiver_power": "Ring the site: is the mains there off? Otherwise send somebody before the standby battery is empty.",
    "receiver_standby": "Plan a visit to change it; if its mains is off as well, go now.",
    "receiver_fault": "Ring the site, have it read what the receiver shows, and plan a visit.",
    "trouble": "Ring the site; plan a visit to look at the sensor and its wiring.",
    "interference": "Ask what is new at the site. If it comes again, plan a visit with a radio test.",
    "tamper": "Ring the site and have the cover closed; then see that it is reported closed.",
    "receiver_tamper": "Ring the site: is somebody working there? Have the cover closed.",
}


def meaning(kind: str, duty: str, transmitter_kind: str = "") -> Meaning:
    """What a fault of this kind means and what to do.

    On life safety it says first to tell the person in charge; where a person calls for help by the transmitter and it is
    silent, to look after the person before the device.
    """
    what, do = _WHAT.get(kind, "A fault was reported."), _DO.get(kind, "Ring the site and plan a visit.")
    if duty != LIFE_SAFETY or kind in OF_RECEIVER:
        return Meaning(what, do)
    if kind == "missing" and transmitter_kind in HELP_CALLS:
        return Meaning(what, "See to the person first: a call for help from it may not arrive. " + do)
    return Meaning(what, "Tell the person in charge at the site: it may not work when it is needed. " + do)


def span_words(span: timedelta) -> str:
    """A length of time as it is said of a fault: "4 min", "3 h", "2 d"."""
    minutes = max(0, int(span.total_seconds() // 60))
    if minutes < 1:
        return "under a minute"
    if minutes < 120:
        return f"{minutes} min"
    return f"{minutes // 60} h" if minutes < 60 * 48 else f"{minutes // 1440} d"
