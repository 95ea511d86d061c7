"""Throw bytes at the DC-09 reader that nobody would send: it must never raise, hang or keep more than one half frame.

Use::

    python -m tests.tools.fuzz_dc09 --n 1000000 --seed 1

Inputs are random bytes, published frames changed in one to eight places (some with their checksum made right again, so
that the reader behind it is reached), messages encrypted with a known key and changed, and streams of frames and rubbish
cut at random. Checked: no exception; a frame with its checksum right is read or told why not; a stream gives the same
frames however it was cut; answers can be built for whatever was read, and are read again; nothing takes over a second,
the least of three times (the clock counts what else the machine does now and then).
Prints one JSON line; ends with code 1 at the first broken promise and shows the input in hex.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import time
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import UTC, datetime

from devices.rules.dc09 import Header, Message, Unread, ack, build, duh, read_header, read_message
from devices.rules.dc09_events import meaning_of
from devices.rules.dc09_frame import MAX_BODY, FrameReader, Sound, framed, read_frame
from tests.checks.dc09 import told
from tests.devices.rules.dc09_frames import KEY, PUBLISHED, WHOLE

NOW = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
SLOW_S = 1.0
TRIES = 3
LETTERS = b'"*[]|#_/^:,-0123456789ABCDEFLRNXTti\r\n\x00\xff'
DATA = ["#1234|1384 00 005", "#1234|NBA12/TA13*7^hall^", "1234|NRP", "", "|Nri1/CL501", "#1234|Nti10:00/id7/pi3/XT9"]


class Broken(Exception):
    """A promise of the reader does not hold."""


def changed(frame: bytes, dice: random.Random) -> bytes:
    """A frame with one to eight bytes put in, taken out or replaced."""
    made = bytearray(frame)
    for _ in range(dice.randint(1, 8)):
        at = dice.randrange(len(made)) if made else 0
        deed = dice.random()
        if deed < 0.6 and made:
            made[at] = dice.choice(LETTERS) if dice.random() < 0.5 else dice.randrange(256)
        elif deed < 0.8:
            made.insert(at, dice.choice(LETTERS))
        elif made:
            del made[at]
    return bytes(made)


def random_bytes(dice: random.Random) -> bytes:
    return dice.randbytes(dice.choice((0, 1, 9, 10, 40, 120)))


def broken_frame(dice: random.Random) -> bytes:
    return changed(dice.choice(WHOLE), dice)


def sound_nonsense(dice: random.Random) -> bytes:
    """A changed body with a right checksum: what is behind the checksum must bear it."""
    body = b'"' + changed(dice.choice(PUBLISHED)[0], dice).replace(b"\r", b"").replace(b"\n", b"")[1:]
    return framed(body[:MAX_BODY])


def broken_cipher(dice: random.Random) -> bytes:
    """An encrypted message with changed cipher text and a right checksum."""
    header = Header("SIA-DCS", True, f"{dice.randrange(10000):04d}", None, "0", "1234")
    frame = build(header, dice.choice(DATA), at=NOW, key=KEY, chance=dice.randbytes(31))
    if dice.random() < 0.3:
        return frame
    start = frame.index(b"[") + 1
    cipher = changed(frame[start:-1], dice) if dice.random() < 0.5 else dice.randbytes(32).hex().encode()
    return framed(frame[9:start] + cipher.replace(b"\r", b"").replace(b"\n", b""))


def stream(dice: random.Random) -> bytes:
    """Frames and rubbish one after the other."""
    parts = [dice.choice(KINDS[:4])(dice) if dice.random() < 0.5 else dice.choice(WHOLE) for _ in range(4)]
    return b"".join(parts)


KINDS: tuple[Callable[[random.Random], bytes], ...] = (
    random_bytes, broken_frame, sound_nonsense, broken_cipher, stream,
)  # fmt: skip


def sound_frames(data: bytes, cuts: Sequence[int]) -> list[bytes]:
    """Bodies of the frames in a stream cut at these places."""
    reader, bodies = FrameReader(), []
    for start, end in zip([0, *cuts], [*cuts, len(data)], strict=True):
        bodies += [item.body for item in reader.feed(data[start:end]) if isinstance(item, Sound)]
        if reader.n_kept > MAX_BODY + 9:
            raise Broken("more than one half frame is kept")
    return bodies


def check_message(frame: Sound, seen: Counter[str]) -> None:
    """Whatever is sound is read or told why not; what was read can be answered, and the answer is read again."""
    header = read_header(frame)
    if isinstance(header, Unread):
        seen["no header"] += 1
        return
    read = read_message(frame, KEY)
    seen["read" if isinstance(read, Message) else read.value] += 1
    if isinstance(read, Message):
        for block in read.blocks:
            meaning_of(block)
    if not header.account:
        return
    for answer in (ack(header, now=NOW, key=KEY, chance=bytes(31)), duh(header)):
        found = read_frame(answer)
        back = read_message(found, KEY) if isinstance(found, Sound) else None
        if not isinstance(back, Message) or back.header.seq != header.seq or back.header.account != header.account:
            raise Broken("an answer cannot be read")


def check(data: bytes, dice: random.Random, seen: Counter[str]) -> None:
    """Every promise about one input."""
    at_once = sound_frames(data, [])
    cuts = sorted(dice.randrange(len(data) + 1) for _ in range(dice.randint(1, 5)))
    if sound_frames(data, cuts) != at_once:
        raise Broken("cut elsewhere, other frames come out")
    found = read_frame(data)
    frames = [found] if isinstance(found, Sound) else []
    frames += [Sound(body, 0) for body in at_once]
    for frame in frames:
        check_message(frame, seen)
    json.dumps(told(data, KEY))
    seen["sound"] += bool(frames)


def timed(data: bytes, dice: random.Random, seen: Counter[str]) -> float:
    """Check one input; gives the CPU time it takes [s].

    Raises
    ------
    Broken
        If a promise does not hold, or if it was slow each of three times.
    """
    state, took = dice.getstate(), float("inf")
    for again in range(TRIES):
        dice.setstate(state)
        started = time.process_time()
        check(data, dice, Counter() if again else seen)
        took = min(took, time.process_time() - started)
        if took <= SLOW_S:
            return took
    raise Broken(f"it took {took:.1f} s, the least of {TRIES} times")


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(prog="python -m tests.tools.fuzz_dc09", description=__doc__.split("\n")[0])
    made.add_argument("--n", type=int, default=1_000_000, help="inputs")
    made.add_argument("--seed", type=int, default=1)
    return made


def main(arguments: Sequence[str] | None = None) -> int:
    asked = parser().parse_args(arguments)
    dice, seen, slowest = random.Random(asked.seed), Counter[str](), 0.0
    begun = time.process_time()
    for number in range(asked.n):
        data = KINDS[number % len(KINDS)](dice)
        try:
            took = timed(data, dice, seen)
        except Exception as why:
            print(json.dumps({"input": number, "hex": data.hex(), "why": f"{type(why).__name__}: {why}"}))
            return 1
        slowest = max(slowest, took)
    spent = time.process_time() - begun
    print(json.dumps({
        "inputs": asked.n, "seed": asked.seed, "broken": 0, "cpu_s": round(spent, 1), "slowest_ms": round(slowest * 1000, 1),
        "seen": dict(sorted(seen.items())),
    }))  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main())
