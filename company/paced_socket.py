"""A client's socket that gathers a request while nobody waits for it, and lets nobody wait for ever afterwards.

`WebWorker` (company/web_worker.py) serves with it. What is found out here about a request only decides *when* a thread is
given to it; what the request says is read by gunicorn's own parser from the same bytes.
"""

from __future__ import annotations

import errno
import re
import socket
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from enum import Enum
from tempfile import SpooledTemporaryFile
from typing import IO, Any, TypeVar

from company.chunk_scan import ChunkScan

STEP = 64 * 1024
"""Bytes read or sent at a time."""
HEAD_MOST = 64 * 1024
"""A longer head is refused: gunicorn would read on for much longer, and no client of ours has one."""
KEPT_MOST = 24 * 1024 * 1024
"""What comes behind is read by its thread as it comes. The largest upload that a page takes is 20 MB."""
IN_MEMORY = 256 * 1024
"""What is longer waits in a temporary file."""
SENT_AT_ONCE = 512 * 1024
"""Asked of the kernel (it may give less): answers up to this leave their thread at once, however slow the line."""
CONTINUE = b"HTTP/1.1 100 Continue\r\n\r\n"
REFUSAL = b"HTTP/1.1 431 Request Header Fields Too Large\r\nConnection: close\r\nContent-Length: 0\r\n\r\n"

_LENGTH = re.compile(rb"\r\ncontent-length:[ \t]*(\d{1,15})[ \t]*(?=\r\n)", re.IGNORECASE)
_CHUNKED = re.compile(rb"\r\ntransfer-encoding:", re.IGNORECASE)
_EXPECTS = re.compile(rb"\r\nexpect:[ \t]*100-continue", re.IGNORECASE)
_T = TypeVar("_T")


class TooSlow(ConnectionResetError):
    """A client let us wait for too long. gunicorn takes it for a client that is gone, which it says nothing about."""


class Gathered(Enum):
    """How far a request has come."""

    PART = "part"
    WHOLE = "whole"
    GONE = "gone"
    TOO_LONG = "too long"


@dataclass(frozen=True, slots=True)
class Pace:
    """How long a client may let us wait: `grace_s`, and a second more for each `bytes_per_s` that came or went.

    Own choice: 16 KiB a second is half of what the slowest line gives over which our pages can be used at all.
    """

    grace_s: float = 20.0
    bytes_per_s: float = 16 * 1024

    def left_s(self, waited_s: float, n_bytes: int) -> float:
        return self.grace_s + n_bytes / self.bytes_per_s - waited_s


@dataclass(slots=True)
class Store:
    """Bytes that all sockets of a process keep together, at most `most` of them."""

    most: int = 256 * 1024 * 1024
    n_bytes: int = 0
    lock: Any = field(default_factory=threading.Lock)

    def add(self, n_bytes: int) -> None:
        with self.lock:
            self.n_bytes += n_bytes


@dataclass(slots=True)
class Spent:
    """What a client has cost in one direction since its request began."""

    waited_s: float = 0.0
    n_bytes: int = 0


class PacedSocket(socket.socket):
    """One connection. `begin` and `gather` belong to the event loop, everything else to the thread that has the request."""

    def __init__(self, client: socket.socket, pace: Pace, store: Store) -> None:
        super().__init__(client.family, client.type, client.proto, fileno=client.detach())
        self.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SENT_AT_ONCE)
        self.pace, self.store = pace, store
        self.reading, self.writing = Spent(), Spent()
        self.was_late = False
        self._kept: IO[bytes] | None = None
        self._n_kept = 0
        self._head = bytearray()
        self.begin(b"")

    # ------------------------------------------------------------------------------------ in the event loop

    def begin(self, ahead: bytes) -> None:
        """A new request begins, perhaps with bytes that came close behind the last one."""
        self._release()
        self.reading, self.writing = Spent(), Spent()
        self.was_late = self._has_said_continue = False
        self.begun_at = time.monotonic()
        self._head = bytearray()
        self._ends_at: int | None = None
        self._chunks: ChunkScan | None = None
        self._is_told = False
        self._keep(ahead)

    def gather(self) -> Gathered:
        """Take in what is there without waiting for more.

        Raises
        ------
        OSError
            If the connection is broken, or there is no room for what came.
        """
        if (state := self._state()) is not Gathered.PART:
            return state
        try:
            data = super().recv(min(STEP, self._wanted()))
        except (BlockingIOError, InterruptedError):
            return Gathered.PART
        if not data:
            return Gathered.GONE
        self._keep(data)
        return self._state()

    def refuse(self) -> None:
        """Say that the head is too long; a client that does not listen need not hear it."""
        with suppress(OSError):
            super().send(REFUSAL)

    def is_overdue(self) -> bool:
        """Whether a request that is being gathered has had its time."""
        return self.pace.left_s(time.monotonic() - self.begun_at, self.reading.n_bytes) <= 0

    def hand_over(self) -> None:
        """From now on a thread has it: it gets what is left of the time to read the rest."""
        self.reading.waited_s = time.monotonic() - self.begun_at
        if self._kept is not None:
            self._kept.seek(0)

    def rest(self) -> bytes:
        """What came behind the request that has been answered."""
        left = self._kept.read() if self._kept is not None else b""
        self._release()
        return left

    def _keep(self, data: bytes) -> None:
        if not data:
            return
        if self._kept is None:
            self._kept = SpooledTemporaryFile(max_size=IN_MEMORY)  # noqa: SIM115
        self._kept.write(data)
        self._n_kept += len(data)
        self.store.add(len(data))
        self.reading.n_bytes += len(data)
        if self._chunks is not None:
            self._chunks.feed(data)
        elif not self._is_told:
            searched = max(0, len(self._head) - 3)
            self._head += data
            end = self._head.find(b"\r\n\r\n", searched)
            if end >= 0:
                head, body = bytes(self._head[: end + 2]), bytes(self._head[end + 4 :])
                self._head = bytearray()
                self._look_at(head, body)

    def _look_at(self, head: bytes, body: bytes) -> None:
        """Find out from a whole head where the request ends."""
        self._is_told = True
        lengths = _LENGTH.findall(head)
        if _CHUNKED.search(head):
            self._chunks = ChunkScan()
            self._chunks.feed(body)
        else:
            self._ends_at = len(head) + 2 + (int(lengths[0]) if lengths else 0)
        if not body and self._state() is Gathered.PART and _EXPECTS.search(head):
            # Its sender waits for a word before it sends the body, and gunicorn gives it when the thread begins.
            super().send(CONTINUE)
            self._has_said_continue = True

    def _wanted(self) -> int:
        """So many bytes may be read without reading far into the next request."""
        return STEP if self._ends_at is None else self._ends_at - self._n_kept

    def _state(self) -> Gathered:
        if self._chunks is not None:
            is_whole = self._chunks.is_over
        elif self._ends_at is not None:
            is_whole = self._n_kept >= self._ends_at
        else:
            return Gathered.TOO_LONG if len(self._head) > HEAD_MOST else Gathered.PART
        is_enough = self._n_kept > KEPT_MOST or (self._n_kept > IN_MEMORY and self.store.n_bytes > self.store.most)
        return Gathered.WHOLE if is_whole or is_enough else Gathered.PART

    def _release(self) -> None:
        if self._kept is not None:
            self._kept.close()
            self._kept = None
        if self._n_kept:
            self.store.add(-self._n_kept)
            self._n_kept = 0

    # ------------------------------------------------------------------------------------------ in a thread

    def recv(self, bufsize: int, flags: int = 0, /) -> bytes:
        """First what was gathered, then what comes, for as long as there is time for it.

        Raises
        ------
        TooSlow
            If it does not come in time.
        """
        if self._kept is not None:
            if data := self._kept.read(bufsize):
                return data
            self._release()
        data = self._within(self.reading, lambda: socket.socket.recv(self, bufsize, flags))
        self.reading.n_bytes += len(data)
        return data

    def send(self, data: Any, flags: int = 0, /) -> int:
        """Send some of it; the word that lets the body come is not sent twice.

        Raises
        ------
        TooSlow
            If the client does not take what it asked for.
        """
        if self._has_said_continue and data == CONTINUE:
            return len(CONTINUE)
        sent = self._within(self.writing, lambda: socket.socket.send(self, data, flags))
        self.writing.n_bytes += sent
        return sent

    def sendall(self, data: Any, flags: int = 0, /) -> None:
        """Send all of it, a step at a time, so that a pace can be seen."""
        left = memoryview(data).cast("B")
        while left:
            left = left[self.send(left[:STEP], flags) :]

    def sendfile(self, file: Any, offset: int = 0, count: int | None = None) -> int:
        """The same for a file: the kernel's own way knows no pace."""
        file.seek(offset)
        n_sent = 0
        while data := file.read(STEP if count is None else min(STEP, count - n_sent)):
            self.sendall(data)
            n_sent += len(data)
        return n_sent

    def close(self) -> None:
        self._release()
        super().close()

    def _within(self, spent: Spent, deed: Callable[[], _T]) -> _T:
        asked_s = self.gettimeout()
        if asked_s == 0:
            return deed()
        left_s = self.pace.left_s(spent.waited_s, spent.n_bytes)
        begun_at = time.monotonic()
        try:
            if left_s <= 0:
                raise TimeoutError
            self.settimeout(left_s if asked_s is None else min(asked_s, left_s))
            return deed()
        except TimeoutError:
            if asked_s is not None and asked_s < left_s:
                raise
            self.was_late = True
            raise TooSlow(errno.ECONNRESET, "The client took too long.") from None
        finally:
            spent.waited_s += time.monotonic() - begun_at
            self.settimeout(asked_s)
