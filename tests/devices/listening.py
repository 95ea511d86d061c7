"""A listener on real sockets of this machine, and whoever talks to it, for tests."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Awaitable, Callable
from typing import Any

from devices.management.listening.limits import Limits
from devices.management.listening.server import Listener
from devices.rules.dc09 import Message, read_message
from devices.rules.dc09_frame import FrameReader, Sound
from tests.devices.panels import KEY

QUICK = Limits(state_every_s=0.05)
Talk = Callable[[Listener], Awaitable[Any]]


def listening(talk: Talk, limits: Limits = QUICK) -> tuple[Listener, Any]:
    """Run a listener while somebody talks to it; gives it, ended, and what the talk has brought."""

    async def run() -> tuple[Listener, Any]:
        listener = Listener(host="127.0.0.1", port=0, limits=limits)
        await listener.start()
        try:
            return listener, await asyncio.wait_for(talk(listener), 20)
        finally:
            await listener.stop()

    return asyncio.run(run())


async def answers(reader: asyncio.StreamReader, n: int) -> list[tuple[str, str]]:
    """The next answers: kind and number of each."""
    frames, found = FrameReader(), []
    while len(found) < n:
        data = await asyncio.wait_for(reader.read(1000), 10)
        if not data:
            break
        found += [read for item in frames.feed(data) if isinstance(item, Sound)
                  and isinstance(read := read_message(item, KEY), Message)]  # fmt: skip
    return [(read.header.kind, read.header.seq) for read in found]


async def tcp(listener: Listener, peer: str = "127.0.0.1") -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    """Open a connection; each address of 127.0.0.0/8 is a peer of its own."""
    return await asyncio.open_connection("127.0.0.1", listener.port, local_addr=(peer, 0))


def sent(*pieces: bytes, n: int = 1, pause_s: float = 0.02) -> Talk:
    """Talk that sends pieces over one connection and waits for so many answers."""

    async def talk(listener: Listener) -> list[tuple[str, str]]:
        reader, writer = await tcp(listener)
        for piece in pieces:
            writer.write(piece)
            await writer.drain()
            await asyncio.sleep(pause_s)
        found = await answers(reader, n)
        writer.close()
        return found

    return talk


async def udp(
    listener: Listener, *datagrams: bytes, n: int, wait_s: float = 10, peer: str = "127.0.0.1"
) -> list[bytes]:
    """Send datagrams and fetch so many answers, or as many as come."""
    loop = asyncio.get_running_loop()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.setblocking(False)
        sock.bind((peer, 0))
        sock.connect(("127.0.0.1", listener.port))
        for datagram in datagrams:
            await loop.sock_sendall(sock, datagram)
        found = []
        try:
            while len(found) < n:
                found.append(await asyncio.wait_for(loop.sock_recv(sock, 5000), wait_s))
        except TimeoutError:
            pass
        return found
