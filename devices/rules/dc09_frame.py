"""DC-09 frames on the wire: checksum, length, and how a stream of bytes is cut into frames; pure Python.

A frame is LF, four hex digits of checksum, four of length, the body from its first quotation mark, CR. Some senders put
the checksum as two raw bytes, which may themselves be LF or CR; so the place of the quotation mark decides, not the first
CR. Facts and sources: trade.md 5.1 (CRC-16/ARC; one wrong length is published with a right checksum, so it only warns).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

LF, CR, QUOTE = 0x0A, 0x0D, 0x22
MAX_BODY = 0xFFF
"""Longest body [bytes]: three hex digits of length allow 4095."""

_DIGITS = frozenset(b"0123456789ABCDEFabcdef")
_FILLING = b"\r\n \x00"
_TEXT, _RAW = 9, 7
"""Distance from LF to the body [bytes] with the checksum as text and as raw bytes."""


class Why(StrEnum):
    """Why bytes are no sound frame."""

    JUNK = "junk"
    CHECKSUM = "checksum"
    TOO_LONG = "too_long"
    HALF = "half"


class Warned(StrEnum):
    """What is wrong with a frame, or unusual in it, and does not forbid taking it."""

    LENGTH = "length"
    RAW_CHECKSUM = "raw_checksum"
    NO_LINE = "no_line"
    NO_HASH = "no_hash"
    OTHER_ACCOUNT = "other_account"
    NO_ACCOUNT = "no_account"
    TIME = "time"
    BLOCK = "block"


WARNED_WORDS: dict[str, str] = {
    Warned.LENGTH: "the length field is wrong",
    Warned.RAW_CHECKSUM: "the checksum came as two raw bytes",
    Warned.NO_LINE: "the field L is missing",
    Warned.NO_HASH: "the # before the account is missing in the data",
    Warned.OTHER_ACCOUNT: "the data name another account than the header",
    Warned.NO_ACCOUNT: "the data name no account",
    Warned.TIME: "the time cannot be read",
    Warned.BLOCK: "a part of the data was not understood",
}
WHY_WORDS: dict[str, str] = {
    Why.JUNK: "no frame: it does not begin with LF, checksum, length and a quotation mark",
    Why.CHECKSUM: "the checksum does not fit the body",
    Why.TOO_LONG: "longer than 4095 bytes",
    Why.HALF: "no end: the CR is missing",
}


@dataclass(frozen=True, slots=True)
class Sound:
    """A frame whose checksum is right: its body from the first quotation mark to before CR, and warnings of the wire."""

    body: bytes
    crc: int
    warnings: tuple[Warned, ...] = ()


@dataclass(frozen=True, slots=True)
class Unsound:
    """Bytes that are no frame, and why. `expected_crc` is the checksum that the body would have, where there is one."""

    why: Why
    raw: bytes
    expected_crc: int | None = None


def _table() -> tuple[int, ...]:
    made = []
    for value in range(256):
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
        made.append(value)
    return tuple(made)


_CRC = _table()


def crc16(data: bytes) -> int:
    """CRC-16/ARC of bytes [0 … 0xFFFF]: polynomial 0x8005 reflected, start 0; "123456789" gives 0xBB3D (trade.md T01)."""
    crc = 0
    for byte in data:
        crc = (crc >> 8) ^ _CRC[(crc ^ byte) & 0xFF]
    return crc


def framed(body: bytes) -> bytes:
    """A body with LF, checksum, length and CR round it.

    Raises
    ------
    ValueError
        If it is longer than 4095 bytes, does not begin with a quotation mark, or holds LF or CR.
    """
    if len(body) > MAX_BODY:
        raise ValueError("A body has at most 4095 bytes.")
    if body[:1] != b'"' or LF in body or CR in body:
        raise ValueError("A body begins with a quotation mark and holds neither LF nor CR.")
    return b"\n%04X%04X%b\r" % (crc16(body), len(body), body)


def _text_frame(head: bytes, body: bytes) -> Sound | None:
    """With a checksum of four hex digits; None if it does not fit. `head` is what stands between LF and body."""
    if not _DIGITS.issuperset(head[:4]):
        return None
    crc = crc16(body)
    if int(head[:4], 16) != crc:
        return None
    return Sound(body, crc, () if _is_length(head[4:], body) else (Warned.LENGTH,))


def _raw_frame(head: bytes, body: bytes) -> Sound | None:
    """With a checksum of two raw bytes, high byte first; None if it does not fit."""
    crc = crc16(body)
    if int.from_bytes(head[:2], "big") != crc:
        return None
    warned = (Warned.RAW_CHECKSUM,) if _is_length(head[2:], body) else (Warned.RAW_CHECKSUM, Warned.LENGTH)
    return Sound(body, crc, warned)


def _is_length(field: bytes, body: bytes) -> bool:
    return _DIGITS.issuperset(field) and int(field, 16) == len(body)


def read_frame(raw: bytes) -> Sound | Unsound:
    """Read bytes that should be one whole frame; LF before and CR after it may be missing (a line of a log).

    A right checksum with a wrong length is sound, with a warning; a wrong checksum never is.
    """
    inner = raw
    if inner[_TEXT : _TEXT + 1] == b'"' or inner[_RAW : _RAW + 1] == b'"':
        inner = inner[1:] if inner[:1] == b"\n" else inner
    if inner[-1:] == b"\r":
        inner = inner[:-1]
    bodies = []
    for start, read in ((_TEXT - 1, _text_frame), (_RAW - 1, _raw_frame)):
        if inner[start : start + 1] != b'"':
            continue
        body = inner[start:]
        if len(body) > MAX_BODY:
            return Unsound(Why.TOO_LONG, raw)
        bodies.append(body)
        found = None if LF in body or CR in body else read(inner[:start], body)
        if found is not None:
            return found
    return Unsound(Why.CHECKSUM, raw, crc16(bodies[0])) if bodies else Unsound(Why.JUNK, raw)


class FrameReader:
    """Cuts a stream of bytes into frames, however it was split on its way.

    Between frames anything may stand (`n_junk` counts its bytes); after a frame that is refused the search goes on with
    the next LF in or after it, so that one begun in the middle of rubbish is found. Keeps at most one half frame.
    """

    __slots__ = ("_kept", "n_junk")

    def __init__(self) -> None:
        self._kept = b""
        self.n_junk = 0

    @property
    def n_kept(self) -> int:
        """Bytes of a frame that is not complete yet, at most 4104."""
        return len(self._kept)

    @property
    def has_begun(self) -> bool:
        """Whether a frame has begun and is not ended: a lone LF, CR, NUL or blank, as some senders put between frames, is kept
        because a frame may begin with it, yet begins none.
        """
        return bool(self._kept.strip(_FILLING))

    def feed(self, data: bytes) -> list[Sound | Unsound]:
        """Take in bytes; gives the frames that are complete now, in their order, and what had to be refused."""
        found: list[Sound | Unsound] = []
        buffer, at = self._kept + data, 0
        while True:
            start = buffer.find(b"\n", at)
            self.n_junk += (start if start >= 0 else len(buffer)) - at
            if start < 0:
                self._kept = b""
                return found
            item, at = _candidate(buffer, start)
            if at < 0:
                self._kept = buffer[start:]
                return found
            if item is not None:
                found.append(item)

    def rest(self) -> Unsound | None:
        """The half frame at the end of a stream or datagram, if one is kept; forgets it."""
        kept, self._kept = self._kept, b""
        return Unsound(Why.HALF, kept) if kept.strip(_FILLING) else None


def _candidate(buffer: bytes, start: int) -> tuple[Sound | Unsound | None, int]:
    """What begins at this LF, and where to look on; -1 = more bytes are needed to say."""
    if len(buffer) <= start + _TEXT:
        return None, -1
    body_at = next((start + far for far in (_TEXT, _RAW) if buffer[start + far] == QUOTE), -1)
    if body_at < 0:
        return None, start + 1
    # The body ends at the first CR; an LF in it means that its end was lost and another frame begins.
    furthest = body_at + MAX_BODY + 1
    end, cut = buffer.find(b"\r", body_at, furthest), buffer.find(b"\n", body_at, furthest)
    item: Sound | Unsound
    if cut >= 0 and (end < 0 or cut < end):
        item, after = Unsound(Why.HALF, buffer[start:cut]), cut
    elif end >= 0:
        item, after = read_frame(buffer[start : end + 1]), end + 1
    elif len(buffer) >= furthest:
        item, after = Unsound(Why.TOO_LONG, buffer[start : start + 200]), furthest
    else:
        return None, -1
    if isinstance(item, Unsound):
        # Raw or spoilt bytes between LF and body may hold the LF of a frame that is sound.
        inner = buffer.find(b"\n", start + 1, body_at)
        after = inner if inner >= 0 else after
    return item, after
