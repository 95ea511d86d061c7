"""DC-05 and DC-03 events in our own words: kind of event, whether it concerns a transmitter, what is not for us; pure.

The table is trade.md 5.3; a code that does not stand there is unknown. Mains lost is one thing, the battery or supply that
runs low behind it another: the restore of one must not end the other. 110 is added from T02 and T03, which publish one
and the same fire event in both ways of writing.
"""

from __future__ import annotations

from dataclasses import dataclass

from devices.rules.dc09_blocks import NEW, RESTORED, STILL, Block
from devices.rules.events import OF_RECEIVER, RAISES, EventKind

K = EventKind

_PAIRS: dict[EventKind, EventKind] = {
    K.ACTIVATION: K.RESTORE, K.LOW_BATTERY: K.BATTERY_RESTORED, K.TAMPER: K.TAMPER_RESTORED,
    K.TROUBLE: K.TROUBLE_RESTORED, K.MISSING: K.MISSING_RESTORED, K.INTERFERENCE: K.INTERFERENCE_OVER,
    K.POWER_FAULT: K.POWER_RESTORED, K.RECEIVER_TAMPER: K.RECEIVER_TAMPER_RESTORED,
    K.STANDBY_LOW: K.STANDBY_RESTORED, K.RECEIVER_FAULT: K.RECEIVER_RESTORED, K.LINK_TEST: K.LINK_TEST,
    K.UNREGISTERED: K.UNREGISTERED,
}  # fmt: skip

DC05: dict[str, tuple[EventKind | None, str]] = {
    "384": (K.LOW_BATTERY, "transmitter low battery"),
    "381": (K.MISSING, "loss of radio supervision"),
    "383": (K.TAMPER, "sensor tamper"),
    "144": (K.TAMPER, "sensor tamper, alarm"),
    "137": (K.TAMPER, "tamper, alarm"),
    "380": (K.TROUBLE, "sensor trouble"),
    "393": (K.TROUBLE, "maintenance wanted"),
    "616": (None, "service request"),
    "344": (K.INTERFERENCE, "radio interference"),
    "341": (K.RECEIVER_TAMPER, "receiver tamper"),
    "145": (K.RECEIVER_TAMPER, "receiver tamper, alarm"),
    "333": (K.RECEIVER_FAULT, "receiver module failure"),
    "334": (K.RECEIVER_FAULT, "repeater failure"),
    "337": (K.STANDBY_LOW, "low supply of the receiver"),
    "338": (K.STANDBY_LOW, "low supply of the receiver"),
    "301": (K.POWER_FAULT, "mains"),
    "302": (K.STANDBY_LOW, "system battery low"),
    "311": (K.STANDBY_LOW, "system battery missing"),
    "100": (K.ACTIVATION, "medical"),
    "101": (K.ACTIVATION, "help call"),
    "102": (None, "failed to report in"),
    "110": (K.ACTIVATION, "fire"),
    "111": (K.ACTIVATION, "smoke"),
    "120": (K.ACTIVATION, "panic"),
    "121": (K.ACTIVATION, "duress"),
    "122": (K.ACTIVATION, "silent alarm"),
    "130": (K.ACTIVATION, "door or intrusion"),
    "140": (K.ACTIVATION, "general alarm"),
    "601": (K.LINK_TEST, "manual test"),
    "602": (K.LINK_TEST, "automatic test"),
    "607": (None, "walk test on or off"),
    "611": (K.ACTIVATION, "walk test: point passed"),
    "612": (None, "walk test: point not tested"),
    "613": (K.ACTIVATION, "walk test: point passed"),
    "614": (K.ACTIVATION, "walk test: point passed"),
}
"""Code → kind of a new event (None: known, and nothing for the ledger), words."""

_DC03_PAIRS: tuple[tuple[str, str, EventKind, str], ...] = (
    ("XT", "XR", K.LOW_BATTERY, "transmitter low battery"),
    ("TT TA", "TR", K.TAMPER, "sensor tamper"),
    ("UT BT FT PT QT HT", "UJ BJ FJ PJ QJ HJ", K.TROUBLE, "sensor trouble"),
    ("UY UZ BZ FY FZ YC", "YK", K.MISSING, "loss of radio supervision"),
    ("YX", "YZ", K.TROUBLE, "maintenance wanted"),
    ("XQ", "XH", K.INTERFERENCE, "radio interference"),
    ("XS ES", "XJ EJ", K.RECEIVER_TAMPER, "receiver tamper"),
    ("ET", "ER", K.RECEIVER_FAULT, "receiver module or repeater failure"),
    ("YP", "YQ", K.STANDBY_LOW, "low supply of the receiver"),
    ("AT", "AR", K.POWER_FAULT, "mains"),
    ("YT YM", "YR", K.STANDBY_LOW, "system battery"),
    ("QA", "QR", K.ACTIVATION, "help call"),
    ("MA", "MR", K.ACTIVATION, "medical"),
    ("PA", "PR", K.ACTIVATION, "panic"),
    ("HA", "HR", K.ACTIVATION, "duress or silent alarm"),
    ("BA", "BR", K.ACTIVATION, "door or intrusion"),
    ("UA", "UR", K.ACTIVATION, "general alarm"),
    ("FA", "FR", K.ACTIVATION, "fire or smoke"),
)

DC03: dict[str, tuple[EventKind | None, str]] = {
    "XF": (K.UNREGISTERED, "unregistered transmitter heard"),
    "XL": (None, "weak signal"),
    "RP": (K.LINK_TEST, "automatic test"),
    "RX": (K.LINK_TEST, "manual test"),
    "TP": (K.ACTIVATION, "walk test: point passed"),
    "TS": (None, "walk test begun"),
    "TE": (None, "walk test over"),
    "RC": (None, "relay on"),
    "RO": (None, "relay off"),
}
"""Code → kind of event (None: known, and nothing for the ledger), words."""

for _new, _over, _kind, _words in _DC03_PAIRS:
    DC03 |= dict.fromkeys(_new.split(), (_kind, _words))
    DC03 |= dict.fromkeys(_over.split(), (_PAIRS[_kind], f"{_words}: over"))

_ONLY_WITH_ZONE = frozenset({"YC", "YK"})
"""Without a point they speak of the panel's own line, not of a transmitter."""


@dataclass(frozen=True, slots=True)
class Meaning:
    """What an event means for us.

    Attributes
    ----------
    kind : EventKind or None
        None: nothing for the ledger, or not known at all.
    is_known : bool
        Whether the code stands in our table.
    is_status : bool
        A report that a condition is still there: it raises a fault where none stands, and is no new sign of life.
    words : str
        For people.
    """

    kind: EventKind | None
    is_known: bool
    is_status: bool
    words: str

    @property
    def is_of_receiver(self) -> bool:
        """About the receiver or its link: the zone in it names no slot."""
        return self.kind is not None and self.kind in OF_RECEIVER


def meaning_of(block: Block) -> Meaning:
    """Meaning of one event of DC-05 (with a qualifier) or DC-03 (without)."""
    known = (DC05 if block.qualifier else DC03).get(block.code)
    if known is None or (block.code in _ONLY_WITH_ZONE and not block.zone_number):
        return Meaning(None, False, False, f"code {block.code} is not in our table")
    kind, words = known
    if not block.qualifier or kind is None or block.qualifier == NEW:
        return Meaning(kind, True, False, words)
    if block.qualifier == RESTORED:
        return Meaning(_PAIRS[kind], True, False, f"{words}: over")
    assert block.qualifier == STILL
    # A status report comes from the panel's memory: an activation or test in it did not happen again.
    still = kind if kind in RAISES else None
    return Meaning(still, True, True, f"{words}: still present")
