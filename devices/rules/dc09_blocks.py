"""The data inside a DC-09 message: DC-05 events and DC-03 blocks with their modifiers; pure Python.

Shapes and sources: trade.md 5.1 and 5.3. Public senders leave out the `#` before the account, the account, or both.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from devices.rules.dc09_frame import Warned

NEW, RESTORED, STILL = "new", "restored", "still"
QUALIFIERS = {"1": NEW, "3": RESTORED, "6": STILL}
"""First digit of a DC-05 event: 1 new or opening, 3 restored or closing, 6 still present (trade.md 5.3)."""

MAX_EVENTS = 64
"""So many events are read of one message; more warn. Our own limit: a block of 4095 bytes could hold two thousand."""

_ACCOUNT = re.compile(r"(#?)([0-9A-Fa-f]{3,16})\Z")
_DC05 = re.compile(r"([136])([0-9A-Fa-f]{3})[ ]{0,2}([0-9A-Fa-f]{2})[ ]{0,2}([0-9A-Fa-f]{3})\Z")
_CODE = re.compile(r"([A-Z]{2})([0-9A-Fa-f]{0,8})(?:\*([^/^]*))?\Z")
_MODIFIER = re.compile(r"(ti|id|ri|pi|ai|xi)(.*)\Z", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Block:
    """One event as it was sent.

    Attributes
    ----------
    code : str
        Three digits of DC-05, or two letters of DC-03.
    qualifier : str
        `NEW`, `RESTORED`, `STILL`; empty for DC-03, whose codes say it themselves.
    group : str
        Partition (DC-05) or area (DC-03, from `ri`); empty where none is named.
    zone : str
        Zone, user or point, as it was written; empty where none is named.
    text : str
        What stood in clear beside it: value or words of DC-03.
    """

    code: str
    qualifier: str = ""
    group: str = ""
    zone: str = ""
    text: str = ""

    @property
    def zone_number(self) -> int | None:
        """Zone as a number; None where none is named or it is no decimal number."""
        return int(self.zone) if self.zone.isascii() and self.zone.isdigit() else None


@dataclass(frozen=True, slots=True)
class ReadData:
    """Data of a message: the account that they name (else that of the header), events, warnings."""

    account: str
    blocks: tuple[Block, ...] = ()
    warnings: tuple[Warned, ...] = ()


def read_data(data: str, kind: str, account: str) -> ReadData:
    """Read what stands between `[` and `]`. Nothing raises; what is not understood is a warning and no event."""
    if not data:
        return ReadData(account)
    head, bar, rest = data.partition("|")
    named = _ACCOUNT.match(head)
    warned: list[Warned] = []
    if bar and named is not None:
        if not named[1]:
            warned.append(Warned.NO_HASH)
        if named[2].upper() != account:
            warned.append(Warned.OTHER_ACCOUNT)
        said = named[2].upper()
    else:
        # `[|Nri1/CL501]` and `[Nri1/WA000]` are both published (trade.md 5.2); a name that is no account is a warning too.
        warned.append(Warned.NO_ACCOUNT)
        said, rest = account, rest if bar and not head else data
    blocks, left_out = _dc05(rest) if kind == "ADM-CID" else _dc03(rest) if kind == "SIA-DCS" else ((), bool(rest))
    if left_out:
        warned.append(Warned.BLOCK)
    return ReadData(said, blocks, tuple(warned))


def _dc05(text: str) -> tuple[tuple[Block, ...], bool]:
    """Events of DC-05, and whether something was left out."""
    blocks, left_out = [], False
    for part in text.split("|"):
        found = _DC05.match(part.strip(" "))
        if found is None:
            left_out = True
        else:
            blocks.append(Block(found[2].upper(), QUALIFIERS[found[1]], found[3].upper(), found[4].upper()))
    return tuple(blocks[:MAX_EVENTS]), left_out or len(blocks) > MAX_EVENTS


def _dc03(text: str) -> tuple[tuple[Block, ...], bool]:
    """Events of DC-03: blocks of function N (new) or O (old), each of packets between `/`; A is text beside them."""
    blocks: list[Block] = []
    left_out = False
    for part in text.split("|"):
        function, packets = part[:1], part[1:]
        if function in ("N", "O"):
            found, unread = _packets(packets)
            blocks += found
            left_out = left_out or unread
        elif function != "A":
            left_out = True
    return tuple(blocks[:MAX_EVENTS]), left_out or len(blocks) > MAX_EVENTS


def _packets(text: str) -> tuple[list[Block], bool]:
    """Events of one block; modifiers hold for the events after them."""
    blocks: list[Block] = []
    left_out, area = False, ""
    for packet, said in _cut(text):
        modifier, found = _MODIFIER.match(packet), _CODE.match(packet)
        if modifier is not None:
            area = modifier[2] if modifier[1] == "ri" else area
        elif found is not None:
            beside = " ".join(part for part in (found[3] or "", said) if part)
            blocks.append(Block(found[1], "", area, found[2].upper(), beside))
        elif packet:
            left_out = True
    return blocks, left_out or not blocks


def _cut(text: str) -> Iterator[tuple[str, str]]:
    """Packets between `/`, each with the words between `^` that belong to it; a `/` inside words does not cut."""
    pieces = text.split("^")
    packet, said = "", ""
    for index, piece in enumerate(pieces):
        if index % 2:
            said = piece
            continue
        first, *others = piece.split("/")
        packet += first
        for other in others:
            yield packet, said
            packet, said = other, ""
    yield packet, said
