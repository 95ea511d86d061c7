"""Which events that nobody could place are of one unit: one line, one question for the office. Pure."""

from __future__ import annotations

from devices.rules.serials import serial_key

MOST_UNIT = 160


def unit_key(*, serial: str, receiver_id: int | None, slot: int | None, named: str) -> str:
    """Give the word under which an event waits, at most 160 characters; the same for all that ask the same question.

    A serial is one unit however it is spelt and whoever heard it. Without one it is the slot of the receiver; where the
    receiver is not known, the name that the sender has for it: who that is must be answered once, not for each slot. No key
    of a serial begins with a blank.

    Parameters
    ----------
    serial : str
        As it was heard; empty where the event names none.
    receiver_id : int or None
        Receiver that was found.
    slot : int or None
        Slot it names.
    named : str
        Receiver as the sender wrote it; empty where it named none.
    """
    if serial:
        return serial_key(serial)[:MOST_UNIT]
    if receiver_id is not None:
        return f" slot {receiver_id} {slot or '-'}"
    return f" name {' '.join(named.split()).casefold()}"[:MOST_UNIT]
