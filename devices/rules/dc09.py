"""One DC-09 message: header, data, time; what it says and how it is answered; pure Python, `now` and keys are passed in.

The frame round it is `dc09_frame`, the data inside `dc09_blocks`, what they mean for us `dc09_events`. Facts and their
sources: trade.md 5.1 and 5.2.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum

from devices.rules.dc09_blocks import Block, read_data
from devices.rules.dc09_cipher import closed, opened, padded, without_padding
from devices.rules.dc09_frame import Sound, Warned, framed

MAX_BEFORE = timedelta(seconds=40)
MAX_AFTER = timedelta(seconds=20)
"""An encrypted message counts if its time lies at most 40 s before and 20 s after the receiver's (trade.md 5.1)."""

ANSWERS = frozenset({"ACK", "NAK", "DUH", "RSP"})
"""What receivers say. One that comes to us is never answered: two receivers would answer each other for ever."""

DC05, DC03, LINK_TEST = "ADM-CID", "SIA-DCS", "NULL"

_HEADER = re.compile(
    r'"(?P<star>\*?)(?P<id>[A-Z][A-Z0-9-]{1,11})"(?P<seq>[0-9]{4})'
    r"(?:R(?P<receiver>[0-9A-Fa-f]{1,6}))?(?:L(?P<line>[0-9A-Fa-f]{1,6}?))?"
    r"(?:#(?P<account>[0-9A-Fa-f]{3,16})|(?P<none>A0))?\["
)
_EXTENSION = re.compile(r"\[([^\[\]]*)\]")
_TIME = re.compile(r"([0-9]{2}):([0-9]{2}):([0-9]{2}),([0-9]{2})-([0-9]{2})-([0-9]{4})")


class Unread(StrEnum):
    """Why a sound frame is no message that can be read."""

    HEADER = "header"
    DATA = "data"
    NO_KEY = "no_key"
    WRONG_KEY = "wrong_key"
    NO_TIME = "no_time"


UNREAD_WORDS: dict[str, str] = {
    Unread.HEADER: "the header does not follow the standard",
    Unread.DATA: "the data do not end with ] and a time",
    Unread.NO_KEY: "encrypted, and no key is known",
    Unread.WRONG_KEY: "the key does not open it",
    Unread.NO_TIME: "encrypted without a time",
}


@dataclass(frozen=True, slots=True)
class Header:
    """What stands before the data. `receiver` and `line` are None where the field is missing; letters in capitals.

    `account` is empty where none is named (only a NAK may do that).
    """

    kind: str
    is_encrypted: bool
    seq: str
    receiver: str | None
    line: str | None
    account: str
    warnings: tuple[Warned, ...] = ()


@dataclass(frozen=True, slots=True)
class Message:
    """One message, read.

    Attributes
    ----------
    header : Header
        Who speaks, under which number.
    account : str
        As the data name it, or else the header.
    blocks : tuple of Block
        Events, in their order; empty for a link test.
    extensions : tuple of (str, str)
        Letter and text of each block of extended data.
    sent_at : datetime or None
        Time of the message, aware, UTC.
    happened_at : datetime or None
        Time of the event, where extended data H tell it; aware, UTC.
    text : str
        Data and extended data as they stood, for comparing repeats; never with padding.
    stamp : str
        The time as it was written; empty without.
    warnings : tuple of Warned
        What was wrong and did not forbid reading.
    """

    header: Header
    account: str
    blocks: tuple[Block, ...] = ()
    extensions: tuple[tuple[str, str], ...] = ()
    sent_at: datetime | None = None
    happened_at: datetime | None = None
    text: str = ""
    stamp: str = ""
    warnings: tuple[Warned, ...] = ()


def read_time(text: str) -> datetime | None:
    """Time written as HH:MM:SS,MM-DD-YYYY, UTC; None if there is no such moment."""
    match = _TIME.fullmatch(text)
    if match is None:
        return None
    hour, minute, second, month, day, year = (int(part) for part in match.groups())
    try:
        return datetime(year, month, day, hour, minute, second, tzinfo=UTC)
    except ValueError:
        return None


def time_text(at: datetime) -> str:
    """A moment as messages write it, in UTC, month before day."""
    return at.astimezone(UTC).strftime("%H:%M:%S,%m-%d-") + f"{at.astimezone(UTC).year:04d}"


def is_in_window(sent_at: datetime, now: datetime) -> bool:
    """Whether an encrypted message of this time counts at `now`: from 40 s before to 20 s after it, both included."""
    return now - MAX_BEFORE <= sent_at <= now + MAX_AFTER


def read_header(frame: Sound) -> Header | Unread:
    """Header of a sound frame; nothing is decrypted."""
    found = _HEADER.match(frame.body.decode("latin-1"))
    if found is None or (found["account"] is None and found["id"] != "NAK"):
        return Unread.HEADER
    warned = list(frame.warnings)
    if found["line"] is None:
        warned.append(Warned.NO_LINE)
    return Header(
        kind=found["id"], is_encrypted=bool(found["star"]), seq=found["seq"], receiver=_capitals(found["receiver"]),
        line=_capitals(found["line"]), account=_capitals(found["account"]) or "", warnings=tuple(warned),
    )  # fmt: skip


def _capitals(text: str | None) -> str | None:
    return text.upper() if text is not None else None


def read_message(frame: Sound, key: bytes | None = None) -> Message | Unread:
    """Read a sound frame whole; an encrypted one with its key. Whether its time counts is `is_in_window`."""
    header = read_header(frame)
    if isinstance(header, Unread):
        return header
    rest = frame.body[frame.body.index(b"[") + 1 :]
    if header.is_encrypted:
        if key is None:
            return Unread.NO_KEY
        plain = opened(rest, key)
        if plain is None:
            return Unread.DATA
        rest = without_padding(plain)
    message = _read_rest(header, _text(rest))
    if not header.is_encrypted:
        return message
    if isinstance(message, Unread):
        return Unread.WRONG_KEY
    return Unread.NO_TIME if message.sent_at is None else message


def _text(raw: bytes) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def _read_rest(header: Header, rest: str) -> Message | Unread:
    """What stands after the first `[`, in clear: data, extended data, time."""
    data, bracket, tail = rest.partition("]")
    if not bracket:
        return Unread.DATA
    extensions, at = [], 0
    while found := _EXTENSION.match(tail, at):
        extensions.append((found[1][:1], found[1][1:]))
        at = found.end()
    stamp, warned = tail[at:], list(header.warnings)
    if stamp and not stamp.startswith("_"):
        return Unread.DATA
    sent_at = read_time(stamp[1:]) if stamp else None
    if stamp and sent_at is None:
        warned.append(Warned.TIME)
    read = read_data(data, header.kind, header.account)
    happened = next((read_time(text) for letter, text in extensions if letter == "H"), None)
    return Message(
        header=header, account=read.account, blocks=read.blocks, extensions=tuple(extensions), sent_at=sent_at,
        happened_at=happened, text=data + tail[:at], stamp=stamp[1:], warnings=(*warned, *read.warnings),
    )  # fmt: skip


def build(
    header: Header, data: str = "", *, extensions: str = "", at: datetime | None = None, key: bytes | None = None,
    chance: bytes = b"",
) -> bytes:  # fmt: skip
    """A whole frame of this header, in clear or, with a key, encrypted.

    Parameters
    ----------
    header : Header
        `is_encrypted` does not count: the key decides.
    data, extensions : str
        What stands between `[` and `]`, and the blocks after it with their brackets.
    at : datetime or None
        Time of the message; required with a key.
    key : bytes or None
        16, 24 or 32 bytes.
    chance : bytes
        With a key, at least 31 random bytes for the padding.

    Raises
    ------
    ValueError
        No time or too few random bytes with a key; longer than 4095 bytes.
    """
    stamp = f"_{time_text(at)}" if at is not None else ""
    rest = f"{data}]{extensions}{stamp}".encode()
    if key is not None:
        if at is None:
            raise ValueError("An encrypted message needs a time.")
        rest = closed(padded(rest, chance), key)
    return framed(_header_text(replace(header, is_encrypted=key is not None)).encode("ascii") + rest)


def _header_text(header: Header) -> str:
    star = "*" if header.is_encrypted else ""
    receiver = f"R{header.receiver}" if header.receiver is not None else ""
    line = f"L{header.line}" if header.line is not None else ""
    account = f"#{header.account}" if header.account else "A0"
    return f'"{star}{header.kind}"{header.seq}{receiver}{line}{account}['


def ack(header: Header, *, now: datetime, key: bytes | None = None, chance: bytes = b"") -> bytes:
    """The answer "taken": same number, receiver, line and account; encrypted, with padding and time, if the message was."""
    answer = replace(header, kind="ACK", line=header.line if header.line is not None else "0")
    if not header.is_encrypted:
        return build(answer)
    return build(answer, at=now, key=key, chance=chance)


def duh(header: Header) -> bytes:
    """The answer "cannot be processed", always in clear: whoever is not known here has no key either."""
    return build(replace(header, kind="DUH", line=header.line if header.line is not None else "0"))


def nak(now: datetime) -> bytes:
    """The answer to an encrypted message out of its time window: in clear, with the receiver's time, naming nobody."""
    return build(Header(kind="NAK", is_encrypted=False, seq="0000", receiver="0", line="0", account=""), at=now)
