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
    "outage", "receiver_power", "missing", "link_lost", "receiver_fault", "low_battery", "receiver_standby", "trouble",
    "interference", "tamper", "receiver_tamper",
)  # fmt: skip
"""Kinds of fault, worst first among those of one duty class. Own order: what takes most out of service comes first."""

OF_RECEIVER = frozenset(
    {"outage", "link_lost", "receiver_power", "receiver_standby", "receiver_fault", "receiver_tamper", "interference"}
)
DEAD = frozenset({"outage", "missing", "low_battery"})
"""What leaves somebody without help now or soon: worst of all on life safety."""

DEAD_RECEIVER = frozenset({"outage", "receiver_power", "link_lost", "receiver_fault"})
"""What leaves everybody whose life safety hangs on a receiver without help, or without anybody knowing."""

DUTY_ORDER = (LIFE_SAFETY, RECEIVER, "security", "convenience")

TOLD_ANYWAY_S = 900
"""A fault on life safety that was over before its mail went is still told if it stood for so long: somebody may have called
and not been heard. Own choice."""


def rank(kind: str, duty: str, *, hangs: bool = False) -> int:
    """How bad, 0 is worst: dead or dying life safety and a deaf receiver, then life safety and receivers, then the rest.

    `hangs`: life safety hangs on the receiver that has the fault, which then weighs as the worst of its slots.
    """
    if kind == "outage" or (duty == LIFE_SAFETY and kind in DEAD):
        return 0
    if duty == RECEIVER and hangs:
        return 0 if kind in DEAD_RECEIVER else 1 + DUTY_ORDER.index(LIFE_SAFETY)
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
    "outage": (
        "More than half of its transmitters fell silent at one time, which cells do not do: the receiver hears little or "
        "nothing."
    ),
    "missing": "It was not heard for longer than its supervision window allows.",
    "link_lost": "Nothing comes from there any more: we cannot tell whether its transmitters work.",
    "low_battery": "It says that its battery is low.",
    "receiver_power": "The receiver says that its mains or supply has failed.",
    "receiver_standby": "The receiver says that its standby battery is low or missing. Without mains it stops at once or soon.",
    "receiver_fault": "The receiver reports a fault of its own.",
    "trouble": "It says that its sensor or the wires to it do not work.",
    "interference": "The receiver is disturbed by another radio: signals may be missed while it lasts.",
    "tamper": "Its cover is open, or it was taken off its place.",
    "receiver_tamper": "The receiver's cover is open.",
}
_WAS = {
    "outage": (
        "More than half of its transmitters fell silent at one time, which cells do not do: the receiver heard little or "
        "nothing."
    ),
    "missing": _WHAT["missing"],
    "link_lost": "Nothing came from there: we could not tell whether its transmitters worked.",
    "low_battery": "It said that its battery was low.",
    "receiver_power": "The receiver said that its mains or supply had failed.",
    "receiver_standby": "The receiver said that its standby battery was low or missing.",
    "receiver_fault": "The receiver reported a fault of its own.",
    "trouble": "It said that its sensor or the wires to it did not work.",
    "interference": "The receiver was disturbed by another radio: signals may have been missed while it lasted.",
    "tamper": "Its cover was open, or it was taken off its place.",
    "receiver_tamper": "The receiver's cover was open.",
}
"""The same of a fault that is over."""
_DO = {
    "outage": "Ring the site and have somebody look after those who rely on it. Then see to aerial, supply and receiver.",
    "missing": "Ring the site. Is it out of the building, or its battery flat? Otherwise plan a visit.",
    "link_lost": "See whether the gateway, the line or the sender of the file has stopped. Until then only the site itself tells.",
    "low_battery": "Change the cells within the days that the policy allows; the due list has it already.",
    "receiver_power": "Ring the site: is the mains there off? Otherwise send somebody.",
    "receiver_standby": "Plan a visit to change it; if its mains is off as well, go now.",
    "receiver_fault": "Ring the site, have it read what the receiver shows, and plan a visit.",
    "trouble": "Ring the site; plan a visit to look at the sensor and its wiring.",
    "interference": "Ask what is new at the site. If it comes again, plan a visit with a radio test.",
    "tamper": "Ring the site and have the cover closed; then see that it is reported closed.",
    "receiver_tamper": "Ring the site: is somebody working there? Have the cover closed.",
}


_STANDBY = {
    True: (
        "Its standby battery carries it only until it is empty.",
        "Ring the site: is the mains there off? Otherwise send somebody before the standby battery is empty.",
    ),
    False: (
        "Its type has no standby battery: it may be out of service already, and every slot with it.",
        "Ring the site now and have somebody look after those who rely on it: is the mains there off? Otherwise send "
        "somebody at once.",
    ),
    None: (
        "Whether a standby battery carries it on is not on record: take it that none does.",
        "Ring the site now: is the mains there off? Otherwise send somebody at once.",
    ),
}
"""What a failed supply means with a standby battery, without one, and where nobody knows; and what to do."""


def meaning(kind: str, duty: str, transmitter_kind: str = "", *, has_standby: bool | None = None) -> Meaning:
    """What a fault of this kind means and what to do; `has_standby` says it of the receiver, None where it is not known.

    On life safety it says first to tell the person in charge; where a person calls for help by the transmitter and it is
    silent, to look after the person before the device.
    """
    what, do = _WHAT.get(kind, "A fault was reported."), _DO.get(kind, "Ring the site and plan a visit.")
    if kind == "receiver_power":
        lasts, do = _STANDBY[has_standby]
        return Meaning(f"{what} {lasts}", do)
    if duty != LIFE_SAFETY or kind in OF_RECEIVER:
        return Meaning(what, do)
    if kind == "missing" and transmitter_kind in HELP_CALLS:
        return Meaning(what, "See to the person first: a call for help from it may not arrive. " + do)
    return Meaning(what, "Tell the person in charge at the site: it may not work when it is needed. " + do)


def was(kind: str) -> str:
    """What a fault of this kind meant that is over; what came of it is told by `fault_ends.left_to_do`."""
    return _WAS.get(kind, "A fault was reported.")


_PORTAL = {
    "missing": "A call from it may not arrive. Look whether it is where it belongs and whole; until we have been, look in on "
    "whoever relies on it.",
    "low_battery": "Its battery is running out, and it may fail when it is needed. We change it; until then try it each day if "
    "somebody relies on it.",
    "trouble": "It may not notice what it is there for. Look whether it is damaged or covered.",
    "tamper": "Look whether its cover is closed and it sits in its place.",
    "outage": "Calls may not arrive. Look in on whoever relies on them until we say that it is in order again.",
    "link_lost": "We hear nothing from there at present. Try a call: whether it arrives at your place does not need us.",
    "receiver_power": "Look whether the mains is off or a fuse has gone, and tell us. A standby battery, if it has one, "
    "carries it only until it is empty; after that no call arrives.",
    "receiver_standby": "It works as long as the mains is there. Tell us before the mains is switched off.",
    "receiver_fault": "Calls may not arrive. Look in on whoever relies on them until we say that it is in order again.",
    "interference": "Calls may be missed while it lasts. Tell us of any new radio equipment near it.",
    "receiver_tamper": "Look whether the cover of the receiver is closed, and who was at it.",
}


def portal_words(kind: str) -> str:
    """What people at the site can do themselves about a standing fault; empty for a kind of which nothing can be said."""
    return _PORTAL.get(kind, "")


SOURCE_LENGTH = 40
"""Letters of a source's name that are kept with a fault."""


def source_words(source: str) -> str:
    """Name of a source as it is kept with a fault; one that was cut says so."""
    return f"{source.rstrip()}…" if len(source) >= SOURCE_LENGTH else source


def span_words(span: timedelta) -> str:
    """A length of time as it is said of a fault: "4 min", "3 h", "2 d"."""
    minutes = max(0, int(span.total_seconds() // 60))
    if minutes < 1:
        return "under a minute"
    if minutes < 120:
        return f"{minutes} min"
    return f"{minutes // 60} h" if minutes < 60 * 48 else f"{minutes // 1440} d"
