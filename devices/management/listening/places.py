"""Who holds the places of a listener, and who gives one up where all are taken: nobody keeps the others out."""

from __future__ import annotations

import ipaddress
from collections import Counter
from collections.abc import Iterator
from typing import Generic, Protocol, TypeVar

from devices.management.listening.limits import Limits


class Holder(Protocol):
    """A connection, as far as its place is concerned.

    Attributes
    ----------
    sender : str
        `sender_of` its address.
    may_go : bool
        No frame of it is being written: closing it loses nothing that its sender would not repeat.
    silent_since_s : float or None
        None once it has sent a sound frame.
    idle_since_s : float
        Its last sound frame, or its opening.
    """

    sender: str
    silent_since_s: float | None
    idle_since_s: float

    @property
    def may_go(self) -> bool: ...


H = TypeVar("H", bound=Holder)


def sender_of(peer: str) -> str:
    """Give the word under which an address is bounded: of IPv6 its network of 64 bits, for one machine has all of that."""
    try:
        address = ipaddress.ip_address(peer.partition("%")[0])
    except ValueError:
        return peer
    if isinstance(address, ipaddress.IPv4Address):
        return peer
    if address.ipv4_mapped is not None:
        return str(address.ipv4_mapped)
    return str(ipaddress.ip_network((int(address) >> 64 << 64, 64)))


class Places(Generic[H]):
    """The connections that are open, at most so many in all and of one sender."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._held: set[H] = set()
        self._of: Counter[str] = Counter()

    def __len__(self) -> int:
        return len(self._held)

    def __iter__(self) -> Iterator[H]:
        return iter(list(self._held))

    def take(self, holder: H) -> None:
        self._held.add(holder)
        self._of[holder.sender] += 1

    def leave(self, holder: H) -> None:
        """Free its place; once, however often it is said."""
        if holder not in self._held:
            return
        self._held.discard(holder)
        self._of[holder.sender] -= 1
        if not self._of[holder.sender]:
            del self._of[holder.sender]

    def has_room(self, sender: str) -> bool:
        """Whether one more of this sender may come as things stand."""
        return len(self) < self._limits.connections and self._of[sender] < self._limits.connections_a_peer

    def who_gives_way(self, sender: str) -> H | None:
        """Which connection is to be closed so that one more of this sender finds a place; None where each has work.

        Where the sender has reached its own bound, one of its own; where all places are taken, one of whoever holds most.
        Of these the one that never sent a frame goes first, then the one that has been idle for longest.
        """
        if self._of[sender] >= self._limits.connections_a_peer:
            return self._idlest([one for one in self._held if one.sender == sender])
        for n in sorted(set(self._of.values()), reverse=True):
            some = [one for one in self._held if self._of[one.sender] == n]
            # Its own rather than another's who holds as many.
            its_own = [one for one in some if one.sender == sender]
            if (found := self._idlest(its_own) or self._idlest(some)) is not None:
                return found
        return None

    @staticmethod
    def _idlest(some: list[H]) -> H | None:
        free = [one for one in some if one.may_go]
        return min(free, key=lambda one: (one.silent_since_s is None, one.idle_since_s), default=None)
