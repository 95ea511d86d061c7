"""How much a listener bears: connections, waiting frames, time for half a frame, frames a second of one sender."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Limits:
    """Own choices: far above what a panel sends (a frame every few seconds at most), far below what hurts.

    Attributes
    ----------
    connections, connections_a_peer : int
        Open TCP connections, in all and of one address (a quarter). Panels behind one router share an address. Beyond
        either, one gives way: see `places`.
    waiting, waiting_a_peer : int
        Datagrams taken and not yet written, in all and of one address (a quarter); more are dropped without an answer, so
        that their senders repeat.
    first_frame_s : float
        From the opening of a connection to its first sound frame; whoever has none to send holds no place [s].
    idle_s, half_frame_s, send_s : float
        Silence on a connection, a frame begun and not ended, an answer not fetched: then the connection is closed [s]. Each
        is counted only while the listener waits for the sender, never while it holds the sender back or writes.
    frames_a_second, burst : float
        Of one address in the long run, and at once. TCP is slowed down to it, datagrams beyond it are dropped.
    bad_frames, junk_bytes : int
        Of one connection, more bad frames than sound ones by so many, and rubbish since its last sound one; then it is
        closed.
    peers : int
        Addresses whose rate is remembered.
    unsent_bytes : int
        Of answers to datagrams that the network has not taken yet; further ones are dropped, so that senders repeat.
    state_every_s, stop_s : float
        How often the counts are written; how long stopping waits for what was taken to be written and answered [s].
    """

    connections: int = 500
    connections_a_peer: int = 125
    waiting: int = 1000
    waiting_a_peer: int = 250
    first_frame_s: float = 30.0
    idle_s: float = 900.0
    half_frame_s: float = 10.0
    send_s: float = 5.0
    frames_a_second: float = 50.0
    burst: float = 200.0
    bad_frames: int = 50
    junk_bytes: int = 65_536
    peers: int = 10_000
    unsent_bytes: int = 262_144
    state_every_s: float = 5.0
    stop_s: float = 20.0


class Rates:
    """How many frames each address may still send; what was not heard of for longest is forgotten first."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def wait_s(self, peer: str, now_s: float) -> float:
        """Take one frame of this address; 0, or how long it is too early [s]. Nothing is taken then."""
        limits = self._limits
        left, since = self._left.pop(peer, (limits.burst, now_s))
        left = min(limits.burst, left + (now_s - since) * limits.frames_a_second)
        is_allowed = left >= 1
        self._left[peer] = (left - 1 if is_allowed else left, now_s)
        if len(self._left) > limits.peers:
            self._left.popitem(last=False)
        return 0.0 if is_allowed else (1 - left) / limits.frames_a_second
