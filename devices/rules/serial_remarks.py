"""Remarks on serials that look like a slip of the hand or of a spreadsheet program. Pure."""

from collections import Counter
from collections.abc import Collection, Iterable
from typing import Any

from company.sheets import UNKNOWN, Read
from devices.rules.serials import Serials


def read_as_known(read: Read, on_record: Collection[str], retired: Collection[str]) -> None:
    """Read a serial as the one that differs only in capitals, blanks or hyphens, and remark on it.

    Parameters
    ----------
    read : Read
        A sheet with the column "serial", on which nothing has been built yet; its values are changed.
    on_record : collection of str
        Serials of all transmitters on record.
    retired : collection of str
        Those taken out of use: a serial that merely resembles one is remarked upon and stays what it is.
    """
    serials = Serials(on_record, retired)
    first: dict[str, int] = {}
    for row, values in [*read.rows, *read.partial]:
        serial = values.get("serial")
        if serial in (None, UNKNOWN) or serial in on_record or serial in first:
            continue
        meant = serials.meant(serial)
        if meant is not None:
            whence = f"in row {first[meant]}" if meant in first else "on record"
            ask = " If they are two units, register one of them by hand first." if meant in first else ""
            sentence = f"Read as {meant}, as it stands {whence}: only capital letters, spaces or hyphens differ.{ask}"
            values["serial"] = meant
        else:
            first[serial] = row
            alike = serials.alike(serial)
            serials.add(serial)
            if not alike:
                continue
            sentence = _resembles(alike, retired)
        read.problems.append(read.problem(row, "serial", sentence, is_fault=False))


def _resembles(alike: list[str], retired: Collection[str]) -> str:
    listed = " and ".join(f"{one} (taken out of use)" if one in retired else one for one in alike)
    return (
        f"There is also {listed} on record; only capital letters, spaces or hyphens differ. As it stands this is another, "
        "new unit. If not, write it as it stands on record."
    )


def remark_serials(read: Read, rows: Iterable[Any], on_record: Collection[str]) -> None:
    """Point at serials that lost zeros: a spreadsheet drops leading zeros without a trace."""
    _remark_zeros(read, [row for row in rows if row.serial != UNKNOWN], on_record)


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
