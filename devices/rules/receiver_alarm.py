"""What a fault of a receiver means for every slot that hangs on it, in words; pure Python."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from devices.rules.slot_map import SlotRow
from devices.rules.supervision import StandingFault
from devices.rules.words import count_words

LIFE_SAFETY = "life_safety"

_WHAT = {
    "outage": (
        "This receiver hears little or nothing since {since}: more than half of its transmitters fell silent at one time. "
        "Whatever its slots show, a call from them may not arrive."
    ),
    "link_lost": (
        "Nothing comes from this receiver to us since {since}. Whether its transmitters work, and what they report, cannot "
        "be told from here."
    ),
}
_ONE_WAY = (
    "Nothing comes from this receiver by {lost} since {since}; by {still} it still reaches us. What only {lost} would report "
    "is not known here."
)
_OTHER = {
    "receiver_power": "The receiver says that its mains or supply has failed, since {since}.",
    "receiver_standby": "The receiver says that its standby battery is low or missing, since {since}.",
    "receiver_fault": "The receiver reports a fault of its own, since {since}.",
    "receiver_tamper": "The receiver's cover is open, since {since}.",
    "interference": "Another radio disturbs the receiver, since {since}: signals may be missed while it lasts.",
}
_SLOT = {
    "outage": (
        "The receiver hears little or nothing since {since}: whatever this page shows, a call from this slot may not arrive."
    ),
    "link_lost": "Nothing comes from the receiver to us since {since}: what this page shows may be out of date.",
}
_TILE = {"outage": "receiver hears little or nothing", "link_lost": "link lost: not known"}
"""Words on every slot while the fault stands."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """A standing fault of the receiver itself, for the top of its pages.

    Attributes
    ----------
    pk : int or None
        Key of the fault.
    words : str
        What it means, as whole sentences.
    is_deaf : bool
        Whether it puts every slot in doubt.
    """

    pk: int | None
    words: str
    is_deaf: bool


def alarms_of(faults: Iterable[StandingFault], rows: Sequence[SlotRow], today: date) -> tuple[Alarm, ...]:
    """Faults of the receiver itself that are there now, those that put every slot in doubt first.

    Parameters
    ----------
    faults : iterable of StandingFault
        Every standing fault of the receiver.
    rows : sequence of SlotRow
        Its taken slots: those on life safety are counted.
    today : date
        Local day, for words.
    """
    n_grave = sum(1 for row in rows if row.duty == LIFE_SAFETY)
    hanging = (
        f" {count_words(n_grave, 'slot')} on life safety {'hangs' if n_grave == 1 else 'hang'} on it."
        if n_grave
        else ""
    )
    found = []
    for fault in _of_receiver(faults):
        text = _WHAT.get(fault.code) or _OTHER.get(fault.code, "Fault of this receiver: {kind}, since {since}.")
        text = _ONE_WAY if fault.still_by else text
        said = text.format(kind=fault.kind, since=fault.since(today), lost=fault.lost_way, still=fault.still_by)
        found.append(Alarm(fault.pk, f"{said}{hanging}", fault.code in _WHAT and not fault.still_by))
    return tuple(sorted(found, key=lambda one: not one.is_deaf))


def slot_alarms(faults: Iterable[StandingFault], today: date) -> tuple[Alarm, ...]:
    """The same for the page of one slot: only what puts the slot itself in doubt."""
    return tuple(
        Alarm(fault.pk, _SLOT[fault.code].format(since=fault.since(today)), True)
        for fault in _of_receiver(faults)
        if fault.code in _SLOT and not fault.still_by
    )


def tile_words(faults: Iterable[StandingFault]) -> tuple[str, ...]:
    """Words that stand on every taken slot while its receiver is deaf or out of reach by every way."""
    return tuple(_TILE[fault.code] for fault in _of_receiver(faults) if fault.code in _TILE and not fault.still_by)


def _of_receiver(faults: Iterable[StandingFault]) -> list[StandingFault]:
    return [fault for fault in faults if fault.is_of_receiver and not fault.is_over]
