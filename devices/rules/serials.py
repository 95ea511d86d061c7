"""When two serials mean one transmitter: one rule for forms, plans, swaps and the import. Pure."""

import re
from collections.abc import Collection, Iterable

# Blanks and every kind of hyphen: they are typed and printed as it comes, on one and the same unit.
_PARTING = re.compile("[\\s\u2010-\u2015\u2212-]+")


def serial_key(serial: str) -> str:
    """Give the form in which serials are compared: without capitals, blanks and hyphens."""
    return _PARTING.sub("", serial).casefold() or serial.casefold()


class Serials:
    """Serials that are known, found again however they are spelt.

    Parameters
    ----------
    known : iterable of str
        Serials of all transmitters on record.
    retired : collection of str
        Those that were taken out of use: another spelling of one is not taken for it, only other capitals are.
    """

    def __init__(self, known: Iterable[str], retired: Collection[str] = ()) -> None:
        self._retired = retired
        self._first: dict[str, str] = {}
        self._more: dict[str, list[str]] = {}
        for serial in known:
            self.add(serial)

    def add(self, serial: str) -> None:
        """Make one more serial known."""
        key = serial_key(serial)
        if self._first.setdefault(key, serial) != serial:
            self._more.setdefault(key, []).append(serial)

    def alike(self, serial: str) -> list[str]:
        """Give every known serial that differs only in capitals, blanks or hyphens, this very one among them."""
        key = serial_key(serial)
        return [self._first[key], *self._more.get(key, ())] if key in self._first else []

    def meant(self, serial: str) -> str | None:
        """Give the known serial that is meant, or None where there is none or it could be one of several."""
        alike = self.alike(serial)
        if serial in alike:
            return serial
        live = [one for one in alike if one not in self._retired]
        for some in (live, alike):
            same = [one for one in some if one.casefold() == serial.casefold()]
            if same:
                return same[0]
        return live[0] if len(live) == 1 else None
