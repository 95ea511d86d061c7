"""One serial is one receiver: the rows of the sheet "receivers" against each other and the records. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import TYPE_CHECKING

from company.sheets import UNKNOWN, Read
from devices.rules.import_facts import OnRecord, Place
from devices.rules.serials import serial_key

if TYPE_CHECKING:
    from devices.rules.receiver_rows import ReceiverRow


def check_receiver_serials(read: Read, rows: Sequence[ReceiverRow], on_record: OnRecord) -> None:
    """Report each row that gives a receiver the serial of another one, in the picture after the import.

    What stands twice on record already is left alone, or an export could not be brought in again.
    """
    given = {row.place: row for row in rows if row.serial not in (None, UNKNOWN)}
    having: dict[str, list[tuple[Place, str, int]]] = defaultdict(list)
    for place, known in on_record.receivers.items():
        if known.serial and place not in given:
            having[serial_key(known.serial)].append((place, known.serial, 0))
    for place, row in given.items():
        serial = str(row.serial)
        others = having[serial_key(serial)]
        recorded = on_record.receivers.get(place)
        if others and (recorded is None or recorded.serial != serial):
            (site, label), other, at = others[0]
            whence = f"in row {at}" if at else "on record"
            sentence = (
                f"{other} is the serial of the receiver “{label}” at {site}, {whence}. One of the two is wrong; where both "
                "really bear this number, add something that tells them apart."
            )
            read.problems.append(read.problem(row.row, "serial", sentence))
        others.append((place, serial, row.row))
