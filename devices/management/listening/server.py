"""The sockets of the listener: TCP and UDP on one address, bounded in every way, answering only what is on record."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from django.utils import timezone

from devices.management.listening.limits import Limits, Rates
from devices.management.listening.places import Places, sender_of
from devices.management.listening.writer import Counts, Waiting, Writer
from devices.rules.dc09_frame import FrameReader, Sound, Unsound, Why

logger = logging.getLogger(__name__)

READ_BYTES = 4096
COUNTED = {Why.CHECKSUM: "bad_checksum", Why.HALF: "half", Why.TOO_LONG: "too_long", Why.JUNK: "bad_checksum"}


@dataclass(eq=False, slots=True)
class Connection:
    """One TCP connection: its task, whether it only waits for bytes, and what it has sent so far.

    `silent_since_s` is None once it has sent a sound frame; till then the moment it was opened. `idle_since_s` is its last
    sound frame or, before the first, the same moment.
    """

    peer: str
    sender: str
    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter
    task: asyncio.Task[None] | None = None
    is_waiting: bool = False
    is_held_back: bool = False
    frames: FrameReader = field(default_factory=FrameReader)
    half_since_s: float | None = None
    silent_since_s: float | None = None
    idle_since_s: float = 0.0
    n_bad: int = 0

    @property
    def may_go(self) -> bool:
        """Nothing of it is being written: it waits for bytes, or is held back because it sends too much."""
        return self.is_waiting or self.is_held_back

    def was_sound(self, now_s: float) -> None:
        """Note a sound frame. It makes good for a bad one and for rubbish before it: a connection that stays open for months
        and now and then brings some must not add up what it brought.
        """
        self.silent_since_s, self.idle_since_s = None, now_s
        self.n_bad, self.frames.n_junk = max(0, self.n_bad - 1), 0


class Listener:
    """Listens on one address until it is stopped.

    `start` binds (OSError if it cannot); `stop` takes nothing more, writes and answers what was taken, and ends.
    """

    def __init__(
        self, *, host: str, port: int, tcp: bool = True, udp: bool = True, limits: Limits | None = None
    ) -> None:
        self.host, self.port = host, port
        self.counts = Counts()
        self._tcp, self._udp = tcp, udp
        self._limits = limits or Limits()
        self._rates = Rates(self._limits)
        self._connections: Places[Connection] = Places(self._limits)
        self._n_datagrams = 0
        self._datagrams_of: Counter[str] = Counter()
        self._is_stopping = False
        self._server: asyncio.Server | None = None
        self._transport: asyncio.DatagramTransport | None = None
        self._writer: Writer | None = None

    @property
    def bind(self) -> str:
        """Address as it is shown."""
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"

    async def start(self) -> None:
        """Bind and begin; port 0 takes a free one, the same for both."""
        self._loop = asyncio.get_running_loop()
        if self._tcp:
            self._server = await asyncio.start_server(
                self._accept, self.host, self.port, limit=READ_BYTES, start_serving=False
            )
            self.port = self._server.sockets[0].getsockname()[1]
        try:
            if self._udp:
                self._transport, _protocol = await self._loop.create_datagram_endpoint(
                    lambda: _Datagrams(self), local_addr=(self.host, self.port)
                )
                self.port = self._transport.get_extra_info("sockname")[1]
        except OSError:
            if self._server is not None:
                self._server.close()
            raise
        self._writer = Writer(bind=self.bind, counts=self.counts, state_every_s=self._limits.state_every_s)
        self._writer.start()
        if self._server is not None:
            await self._server.start_serving()

    async def stop(self) -> None:
        """Take nothing more; write and answer what was taken, then end."""
        self._is_stopping = True
        if self._server is not None:
            self._server.close()
        for connection in self._connections:
            if connection.may_go and connection.task is not None:
                connection.task.cancel()
        until = self._loop.time() + self._limits.stop_s
        while (len(self._connections) or self._n_datagrams) and self._loop.time() < until:
            await asyncio.sleep(0.01)
        if self._writer is not None:
            self._writer.finish()
            # What is not written by then is not answered either: its sender repeats it to the next listener.
            left_s = max(1.0, until - self._loop.time())
            await self._loop.run_in_executor(None, self._writer.join, left_s)
        if self._transport is not None:
            self._transport.close()

    # --- both ways ----------------------------------------------------------------------------------------------------

    def _give(self, frame: Sound, peer: str, came_at: datetime) -> asyncio.Future[bytes | None]:
        """Hand a frame to the writer; the future ends with the answer once it is on record.

        It is judged by when it came: had it to wait here, the time of an encrypted one would seem too old.
        """
        assert self._writer is not None
        answered: asyncio.Future[bytes | None] = self._loop.create_future()

        def settle(answer: bytes | None) -> None:
            if not answered.done():
                answered.set_result(answer)

        def done(answer: bytes | None) -> None:
            # Where stopping has waited too long the loop is gone; the frame is on record and its sender repeats.
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(settle, answer)

        self.counts.add("frames")
        self._writer.put(Waiting(frame, peer, came_at, done))
        return answered

    def _refuse(self, item: Unsound) -> None:
        self.counts.add(COUNTED[item.why])

    # --- TCP ----------------------------------------------------------------------------------------------------------

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        peer = str((writer.get_extra_info("peername") or ("?",))[0])
        sender, now_s = sender_of(peer), self._loop.time()
        if self._is_stopping or not self._has_room(sender):
            self.counts.add("turned_away")
            writer.transport.abort()
            return
        self.counts.add("connections")
        connection = Connection(
            peer, sender, reader, writer, asyncio.current_task(), silent_since_s=now_s, idle_since_s=now_s
        )
        # A sender that fetches no answers must not fill our memory with them.
        writer.transport.set_write_buffer_limits(high=READ_BYTES)
        self._connections.take(connection)
        try:
            await self._converse(connection)
        except (ConnectionError, asyncio.CancelledError):
            pass
        finally:
            if (rest := connection.frames.rest()) is not None:
                self._refuse(rest)
            self._connections.leave(connection)
            writer.close()

    def _has_room(self, sender: str) -> bool:
        """Whether one more of this sender has a place, if need be that of a connection that only waits."""
        if self._connections.has_room(sender):
            return True
        idle = self._connections.who_gives_way(sender)
        if idle is None or idle.task is None:
            return False
        self.counts.add("closed_for_room")
        # At once: its task ends only when the loop comes to it, and others may come before.
        self._connections.leave(idle)
        idle.task.cancel()
        return True

    async def _converse(self, connection: Connection) -> None:
        """Read, write down, answer, until either side has had enough."""
        while not self._is_stopping:
            data = await self._read(connection)
            if not data:
                return
            items, came_at = connection.frames.feed(data), timezone.now()
            for n, item in enumerate(items):
                if isinstance(item, Unsound):
                    self._refuse(item)
                    connection.n_bad += 1
                    continue
                connection.was_sound(self._loop.time())
                # One after the other, as they came: they may have to wait for each other, which is not their sender's doing.
                if not await self._answer(connection, item, came_at + n * timedelta(microseconds=1)):
                    return
                if self._is_stopping:
                    return
            self._set_half_clock(connection, is_new=bool(items))
            limits = self._limits
            if connection.n_bad > limits.bad_frames or connection.frames.n_junk > limits.junk_bytes:
                self.counts.add("closed_bad")
                return

    def _set_half_clock(self, connection: Connection, *, is_new: bool) -> None:
        """Give half a frame its time, from when we are ready for the rest: holding its sender back and writing what came
        before it may have taken longer than that.
        """
        if not connection.frames.has_begun:
            connection.half_since_s = None
        elif is_new or connection.half_since_s is None:
            connection.half_since_s = self._loop.time()

    async def _read(self, connection: Connection) -> bytes:
        """More bytes; empty at the end, after too long a silence, and where half a frame does not get whole in time."""
        limits, patience, now_s = self._limits, self._limits.idle_s, self._loop.time()
        if connection.silent_since_s is not None:
            # Counted from the opening: dripping rubbish wins no more time.
            patience = min(patience, max(0.0, connection.silent_since_s + limits.first_frame_s - now_s))
        if connection.half_since_s is not None:
            patience = min(patience, max(0.0, connection.half_since_s + limits.half_frame_s - now_s))
        connection.is_waiting = True
        try:
            return await asyncio.wait_for(connection.reader.read(READ_BYTES), patience)
        except TimeoutError:
            self.counts.add("closed_slow" if connection.half_since_s is not None else "closed_idle")
            return b""
        finally:
            connection.is_waiting = False

    async def _answer(self, connection: Connection, frame: Sound, came_at: datetime) -> bool:
        """Write a frame down and send the answer; False where the sender does not fetch its answers."""
        while wait_s := self._rates.wait_s(connection.sender, self._loop.time()):
            self.counts.add("flood")
            connection.is_held_back = True
            await asyncio.sleep(wait_s)
            connection.is_held_back = False
        answer = await self._give(frame, connection.peer, came_at)
        if answer is None:
            return True
        connection.writer.write(answer)
        try:
            await asyncio.wait_for(connection.writer.drain(), self._limits.send_s)
        except TimeoutError:
            self.counts.add("closed_slow")
            connection.writer.transport.abort()
            return False
        return True

    # --- UDP ----------------------------------------------------------------------------------------------------------

    def datagram(self, data: bytes, address: Any) -> None:
        """Frames of one datagram; a half one cannot be completed by the next."""
        if self._is_stopping:
            return
        self.counts.add("datagrams")
        frames, peer, limits = FrameReader(), str(address[0]), self._limits
        sender = sender_of(peer)
        items = frames.feed(data)
        rest = frames.rest()
        for item in [*items, *([rest] if rest is not None else [])]:
            if isinstance(item, Unsound):
                self._refuse(item)
            elif self._rates.wait_s(sender, self._loop.time()):
                self.counts.add("flood")
            elif self._n_datagrams >= limits.waiting or self._datagrams_of[sender] >= limits.waiting_a_peer:
                self.counts.add("full")
            else:
                self._n_datagrams += 1
                self._datagrams_of[sender] += 1
                self._give(item, peer, timezone.now()).add_done_callback(lambda answered: self._send(answered, address))

    def _send(self, answered: asyncio.Future[bytes | None], address: Any) -> None:
        sender = sender_of(str(address[0]))
        self._n_datagrams -= 1
        self._datagrams_of[sender] -= 1
        if self._datagrams_of[sender] <= 0:
            del self._datagrams_of[sender]
        answer = answered.result()
        if answer is None or self._transport is None:
            return
        if self._transport.get_write_buffer_size() > self._limits.unsent_bytes:  # type: ignore[attr-defined]
            # The library keeps whatever the network does not take, without end.
            self.counts.add("full")
            return
        self._transport.sendto(answer, address)


class _Datagrams(asyncio.DatagramProtocol):
    """Hands datagrams on; an address that takes no answer (ICMP) is no fault of ours."""

    def __init__(self, listener: Listener) -> None:
        self._listener = listener

    def datagram_received(self, data: bytes, addr: Any) -> None:
        self._listener.datagram(data, addr)
