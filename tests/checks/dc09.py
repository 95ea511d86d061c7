"""What our reader makes of DC-09 frames, for anyone who wants to check it.

Use::

    python -m tests.checks.dc09 FILE
    python -m tests.checks.dc09 FILE --key 41414141414141414141414141414141
    python -m tests.checks.dc09 -                       # from standard input

One frame a line, in hex (0A43…0D) or as text, with or without LF and CR; escapes `\\n`, `\\r`, `<LF>`, `<CR>` at the ends
count too. Prints one JSON line for each: `"ok": true` with what was understood, or `"ok": false` with `"why"`. A byte
order mark at the start of the file and lines with nothing but blanks are passed over and print nothing. The time window of
encrypted messages is not applied. A file that cannot be read and an unfit key, an empty one too, end with code 2.
"""

from __future__ import annotations

import argparse
import codecs
import json
import re
import sys
from collections.abc import Iterator, Sequence
from typing import Any, BinaryIO

from devices.rules.dc09 import UNREAD_WORDS, Header, Message, Unread, read_header, read_message
from devices.rules.dc09_blocks import Block
from devices.rules.dc09_cipher import KeyUnfit, key_of
from devices.rules.dc09_events import meaning_of
from devices.rules.dc09_frame import WARNED_WORDS, WHY_WORDS, Sound, Unsound, Warned, crc16, read_frame

_HEX = re.compile(rb"(?:[0-9A-Fa-f]{2}[ \t]*)+\Z")
_BEFORE = re.compile(rb"\A(?:\\n|\\x0[aA]|<LF>)")
_AFTER = re.compile(rb"(?:\\r|\\x0[dD]|<CR>)\Z")
MAX_LINE = 1_000_000
"""Longer lines are refused: no frame has more than 4105 bytes, and its hex twice as many letters."""


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(prog="python -m tests.checks.dc09", description=__doc__.split("\n")[0])
    made.add_argument("file", help="one frame a line, hex or text; - for standard input")
    made.add_argument("--key", metavar="HEX", help="key of encrypted frames: 32, 48 or 64 hex digits")
    return made


def lines_of(file: BinaryIO) -> Iterator[bytes]:
    """Lines, without their end and without the mark of UTF-8 before the first; what is too long to be a frame is cut after a
    million bytes.
    """
    mark = codecs.BOM_UTF8
    while line := file.readline(MAX_LINE + 1):
        while not line.endswith(b"\n") and (more := file.readline(MAX_LINE)):
            line = line[: MAX_LINE + 1] + more[-1:]
        yield line.removeprefix(mark).removesuffix(b"\n")
        mark = b""


def bytes_of(line: bytes) -> bytes:
    """The frame that a line stands for."""
    bare = line.strip(b" \t\r")
    if _HEX.match(bare):
        return bytes.fromhex(bare.decode("ascii"))
    return _AFTER.sub(b"\r", _BEFORE.sub(b"\n", bare))


def told(line: bytes, key: bytes | None) -> dict[str, Any]:
    """What was understood of one line, or why it was refused."""
    if len(line) > MAX_LINE:
        return {"ok": False, "code": "too_long", "why": "The line is longer than any frame."}
    raw = bytes_of(line)
    if raw[:1] == b'"':
        body = raw.removesuffix(b"\r")
        wanted = f"{crc16(body):04X}{len(body):04X}"
        return {"ok": False, "code": "junk", "why": f"A body without checksum and length; {wanted} would go before it."}
    frame = read_frame(raw)
    if isinstance(frame, Unsound):
        found: dict[str, Any] = {"ok": False, "code": frame.why.value, "why": WHY_WORDS[frame.why]}
        if frame.expected_crc is not None:
            found["expected_crc"] = f"{frame.expected_crc:04X}"
        return found
    return _of_frame(frame, key)


def _of_frame(frame: Sound, key: bytes | None) -> dict[str, Any]:
    header = read_header(frame)
    wire = {"crc": f"{frame.crc:04X}", "length": f"{len(frame.body):04X}"}
    if isinstance(header, Unread):
        return {"ok": False, "code": header.value, "why": UNREAD_WORDS[header], **wire}
    found = wire | _of_header(header)
    read = read_message(frame, key)
    if isinstance(read, Unread):
        return {
            "ok": False,
            "code": read.value,
            "why": UNREAD_WORDS[read],
            **found,
            "warnings": _warned(header.warnings),
        }
    return {"ok": True, **found, **_of_message(read)}


def _of_header(header: Header) -> dict[str, Any]:
    return {
        "id": header.kind, "encrypted": header.is_encrypted, "seq": header.seq, "receiver": header.receiver,
        "line": header.line, "account": header.account,
    }  # fmt: skip


def _of_message(read: Message) -> dict[str, Any]:
    return {
        "data_account": read.account,
        "events": [_of_block(block) for block in read.blocks],
        "extended": [{"type": letter, "text": text} for letter, text in read.extensions],
        "time": read.sent_at.isoformat().replace("+00:00", "Z") if read.sent_at else None,
        "warnings": _warned(read.warnings),
    }


def _of_block(block: Block) -> dict[str, Any]:
    meaning = meaning_of(block)
    return {
        "code": block.code, "qualifier": block.qualifier or None, "group": block.group, "zone": block.zone,
        "text": block.text, "kind": meaning.kind.value if meaning.kind else None, "known": meaning.is_known,
        "words": meaning.words,
    }  # fmt: skip


def _warned(warnings: Sequence[Warned]) -> list[str]:
    return [WARNED_WORDS[warning] for warning in warnings]


def main(arguments: Sequence[str] | None = None) -> int:
    asked = parser().parse_args(arguments)
    try:
        key = key_of(asked.key) if asked.key is not None else None
        file = sys.stdin.buffer if asked.file == "-" else open(asked.file, "rb")  # noqa: SIM115
    except (KeyUnfit, OSError) as why:
        print(why, file=sys.stderr)
        return 2
    with file:
        for line in lines_of(file):
            if line.strip(b" \t\r"):
                # ASCII only, so that no byte of a frame can upset whoever reads the answer.
                print(json.dumps(told(line, key), ensure_ascii=True))
    return 0


if __name__ == "__main__":
    try:
        sys.exit(main())
    except BrokenPipeError:
        sys.exit(0)
