"""Remarks on serials that look like a slip of the hand or of a spreadsheet program. Pure."""

from collections import Counter
from collections.abc import Collection, Iterable
from typing import Any

from company.sheets import UNKNOWN, Read
from devices.rules.fitting_rows import squeeze


def remark_serials(read: Read, rows: Iterable[Any], on_record: Collection[str]) -> None:
    """Point at serials that lost zeros, and at those that differ from another only in capitals, spaces or hyphens.

    Parameters
    ----------
    read : Read
        The sheet; takes the remarks.
    rows : iterable of SlotRow
    on_record : collection of str
        Serials of all transmitters on record.
    """
    listed = [row for row in rows if row.serial != UNKNOWN]
    _remark_zeros(read, listed, on_record)
    first: dict[str, tuple[str, str]] = {squeeze(serial): (serial, "on record") for serial in on_record}
    for row in listed:
        if row.serial in on_record:
            continue
        serial, where = first.setdefault(squeeze(row.serial), (row.serial, f"in row {row.row}"))
        if serial != row.serial:
            sentence = (
                f"There is also {serial} {where}, which differs only in capital letters, spaces or hyphens. "
                "Are they one transmitter? As it stands they are two."
            )
            read.problems.append(read.problem(row.row, "serial", sentence, is_fault=False))


def _remark_zeros(read: Read, rows: Iterable[Any], on_record: Collection[str]) -> None:
    """A spreadsheet drops leading zeros without a trace, so a serial of figures is shorter than the rest."""
    listed = [row for row in rows if row.serial.isdigit()]
    serials = {row.serial for row in listed}
    known = {serial.lstrip("0"): serial for serial in on_record if serial.startswith("0")}
    lengths = Counter(len(serial) for serial in serials)
    usual = lengths.most_common(1)[0][0] if lengths else 0
    for row in listed:
        if row.serial in on_record:
            continue
        sentence = ""
        if row.serial in known:
            sentence = (
                f"On record there is {known[row.serial]}. Were leading zeros lost? This one will be a new transmitter."
            )
        elif len(row.serial) < usual and len(serials) > 2:
            sentence = (
                f"Most serials here have {usual} figures, this one has {len(row.serial)}. Were leading zeros lost?"
            )
        if sentence:
            read.problems.append(read.problem(row.row, "serial", sentence, is_fault=False))
