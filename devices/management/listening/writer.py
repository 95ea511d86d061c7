"""The one thread that does the listener's database work: frames in their order, strangers, and the listener's own state."""

from __future__ import annotations

import logging
import queue
import secrets
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime

from django.db import close_old_connections, connections
from django.utils import timezone

from devices.actions.panel_frames import KeyRing, Outcome, Verdict, take_frame
from devices.actions.panel_strangers import StrangerBook, write_state
from devices.rules.dc09_frame import Sound, Warned

logger = logging.getLogger(__name__)

CHANCE_BYTES = 31
WIRE = (
    "connections", "turned_away", "closed_for_room", "closed_idle", "closed_slow", "closed_bad", "datagrams", "frames", "bad_checksum",
    "half", "too_long", "flood", "full", "warned", "not_written",
)  # fmt: skip
"""Counts of what the sockets met; what became of sound frames is counted under the words of `Outcome`."""


class Counts:
    """Counts since the start. All names stand from the beginning, so that one thread may read while others count."""

    def __init__(self) -> None:
        self._numbers = dict.fromkeys((*WIRE, *(outcome.value for outcome in Outcome)), 0)
        self._lock = threading.Lock()

    def add(self, name: str, n: int = 1) -> None:
        with self._lock:
            self._numbers[name] += n

    def now(self) -> dict[str, int]:
        with self._lock:
            return dict(self._numbers)

    def __getitem__(self, name: str) -> int:
        return self._numbers[name]


@dataclass(frozen=True, slots=True)
class Waiting:
    """A sound frame that waits to be written, and whom to tell; `done` is called in the writer's thread."""

    frame: Sound
    peer: str
    at: datetime
    done: Callable[[bytes | None], None]


class Writer(threading.Thread):
    """Writes one frame after the other; the answer is given after the commit. No error ends it: the sender repeats."""

    def __init__(self, *, bind: str, counts: Counts, state_every_s: float) -> None:
        super().__init__(name="dc09-writer", daemon=True)
        self.counts = counts
        self._bind = bind
        self._state_every_s = state_every_s
        self._queue: queue.SimpleQueue[Waiting | None] = queue.SimpleQueue()
        self._keys = KeyRing()
        self._strangers = StrangerBook()
        self._started_at = timezone.now()
        self._next_state_s = 0.0

    def put(self, waiting: Waiting) -> None:
        """Take a frame into the queue; whoever calls bounds how many wait."""
        self._queue.put(waiting)

    def finish(self) -> None:
        """Write what waits, then end."""
        self._queue.put(None)

    def run(self) -> None:
        while True:
            try:
                item = self._queue.get(timeout=self._next_in_s())
            except queue.Empty:
                self._write_state()
                continue
            if item is None:
                break
            self._write(item)
            if time.monotonic() >= self._next_state_s:
                self._write_state()
        self._write_state(stopped=True)
        connections.close_all()

    def _next_in_s(self) -> float:
        return max(0.01, self._next_state_s - time.monotonic())

    def _write(self, item: Waiting) -> None:
        answer = None
        try:
            close_old_connections()
            verdict = take_frame(
                frame=item.frame, peer=item.peer, at=item.at, keys=self._keys, chance=secrets.token_bytes(CHANCE_BYTES)
            )
            self._note(verdict, item)
            answer = verdict.answer
        except Exception as error:
            # Neither the frame nor the error's own text: both may hold words of a message.
            logger.error("A frame could not be written (%s); its sender will repeat it.", type(error).__name__)
            self.counts.add("not_written")
        item.done(answer)

    def _note(self, verdict: Verdict, item: Waiting) -> None:
        self.counts.add(verdict.outcome.value)
        if _any(verdict.warnings) or _any(item.frame.warnings):
            self.counts.add("warned")
        if verdict.outcome is Outcome.STRANGER:
            is_clear = not item.frame.body.startswith(b'"*')
            self._strangers.heard(verdict.number, peer=item.peer, example=shown(item.frame.body) if is_clear else "")

    def _write_state(self, *, stopped: bool = False) -> None:
        try:
            close_old_connections()
            now = timezone.now()
            self._strangers.write(now, everything=stopped)
            write_state(bind=self._bind, started_at=self._started_at, counts=self.counts.now(), at=now, stopped=stopped)
        except Exception as error:
            logger.error("The state of the listener could not be written (%s).", type(error).__name__)
        # From the end: where the database is away, each attempt may take longer than that, and frames wait meanwhile.
        self._next_state_s = time.monotonic() + self._state_every_s


def _any(warnings: Iterable[Warned]) -> bool:
    return any(True for _ in warnings)


def shown(body: bytes) -> str:
    """A body as a page can show it: at most 200 characters, nothing that is no letter, digit or sign."""
    return "".join(chr(byte) if 32 <= byte < 127 else "·" for byte in body[:200])
