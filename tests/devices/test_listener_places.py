"""Whoever holds the places of the listener keeps nobody else out: bounds by address, and idle connections that give way."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from io import StringIO
from typing import Any

import pytest

from devices.management.commands.listen import Command
from devices.management.listening.limits import Limits
from devices.management.listening.places import Places, sender_of
from devices.management.listening.server import Listener
from tests import factories
from tests.devices.listening import answers, listening, tcp
from tests.devices.panels import event, make_account

pytestmark = [pytest.mark.django_db(transaction=True)]

Line = tuple[asyncio.StreamReader, asyncio.StreamWriter]


@pytest.fixture
def account() -> Any:
    receiver = factories.make_receiver()
    factories.make_registration(receiver, 1)
    return make_account(receiver)


async def opened(listener: Listener, *peers: str) -> list[Line]:
    """Connections of these peers one after the other, each waited for until the listener has it."""
    lines = []
    for peer in peers:
        n = listener.counts["connections"]
        lines.append(await tcp(listener, peer))
        while listener.counts["connections"] == n and not listener.counts["turned_away"]:
            await asyncio.sleep(0.005)
        await asyncio.sleep(0.005)
    return lines


async def spoken(line: Line, seq: int) -> list[tuple[str, str]]:
    line[1].write(event("1101 00 001", seq=seq))
    return await answers(line[0], 1)


async def closed(lines: list[Line]) -> list[bool]:
    """Which of them the listener has closed."""
    await asyncio.sleep(0.05)
    return [line[0].at_eof() for line in lines]


def hang_up(*lines: Line) -> None:
    for line in lines:
        line[1].close()


def test_a_panel_gets_in_though_idle_connections_of_others_hold_every_place(account):
    async def talk(listener: Listener) -> Any:
        idle = await opened(listener, *["127.0.0.2"] * 6, "127.0.0.3", "127.0.0.4")
        [panel] = await opened(listener, "127.0.0.1")
        found = await spoken(panel, 7)
        state = await closed(idle)
        hang_up(*idle, panel)
        return found, state

    listener, (found, state) = listening(talk, Limits(connections=8, connections_a_peer=8, state_every_s=0.05))
    assert found == [("ACK", "0007")]
    assert state == [True] + [False] * 7, "the longest idle one of the address that holds most was closed, no other"
    assert (listener.counts["closed_for_room"], listener.counts["turned_away"]) == (1, 0)


def test_an_address_at_its_own_bound_closes_one_of_its_own_and_nobody_elses(account):
    async def talk(listener: Listener) -> Any:
        others = await opened(listener, "127.0.0.3", "127.0.0.4", "127.0.0.4")
        mine = await opened(listener, *["127.0.0.2"] * 4)
        found = await spoken(mine[-1], 3)
        state = await closed(others), await closed(mine)
        hang_up(*others, *mine)
        return found, state

    listener, (found, state) = listening(talk, Limits(connections=100, connections_a_peer=2, state_every_s=0.05))
    assert found == [("ACK", "0003")]
    assert state == ([False] * 3, [True, True, False, False])
    assert listener.counts["closed_for_room"] == 2


def test_a_panel_that_has_spoken_stays_while_one_that_never_did_can_go(account):
    async def talk(listener: Listener) -> Any:
        lines = await opened(listener, *["127.0.0.2"] * 3)
        await spoken(lines[0], 1)
        lines += await opened(listener, *["127.0.0.2"] * 2)
        state, found = await closed(lines), await spoken(lines[0], 2)
        hang_up(*lines)
        return state, found

    _listener, (state, found) = listening(talk, Limits(connections_a_peer=3, state_every_s=0.05))
    assert state == [False, True, True, False, False]
    assert found == [("ACK", "0002")]


def test_panels_that_have_all_spoken_give_way_in_the_order_of_their_last_frame(account):
    async def talk(listener: Listener) -> Any:
        lines = await opened(listener, *["127.0.0.2"] * 3)
        for seq, at in enumerate((0, 1, 2, 0), start=1):
            await spoken(lines[at], seq)
            await asyncio.sleep(0.01)
        lines += await opened(listener, "127.0.0.2")
        state = await closed(lines)
        hang_up(*lines)
        return state

    _listener, state = listening(talk, Limits(connections_a_peer=3, state_every_s=0.05))
    assert state == [False, True, False, False]


def test_a_hundred_connections_a_second_of_one_address_do_not_keep_a_panel_out(account):
    async def talk(listener: Listener) -> Any:
        [panel] = await opened(listener, "127.0.0.1")
        first = await spoken(panel, 1)
        storm = [await tcp(listener, "127.0.0.2") for _ in range(100)]
        [late] = await opened(listener, "127.0.0.3")
        found = [*first, *await spoken(late, 2), *await spoken(panel, 3)]
        hang_up(panel, late, *storm)
        return found, len(listener._connections)

    limits = Limits(connections=10, connections_a_peer=10, state_every_s=0.05)
    _listener, (found, n_open) = listening(talk, limits)
    assert found == [("ACK", "0001"), ("ACK", "0002"), ("ACK", "0003")]
    assert n_open == 10


def test_connections_that_are_held_back_for_sending_too_much_give_way_too(account):
    """Else whoever floods on every connection would be busy on each, and the idle ones of others would go."""

    async def talk(listener: Listener) -> Any:
        [idle] = await opened(listener, "127.0.0.3")
        loud = await opened(listener, *["127.0.0.2"] * 3)
        for seq, line in enumerate(loud, start=1):
            await spoken(line, seq)
        for line in loud:
            line[1].write(event("1101 00 001", seq=9))
        while listener.counts["flood"] < 3:
            await asyncio.sleep(0.01)
        [panel] = await opened(listener, "127.0.0.1")
        found, state = await spoken(panel, 7), await closed([idle, *loud])
        hang_up(idle, panel, *loud)
        return found, state

    limits = Limits(connections=4, connections_a_peer=4, burst=3, frames_a_second=0.01, state_every_s=0.05)
    _listener, (found, state) = listening(talk, limits)
    assert found == [("ACK", "0007")]
    assert (state[0], sum(state)) == (False, 1)


def test_a_place_that_was_given_up_is_free_once(account):
    async def talk(listener: Listener) -> Any:
        lines = await opened(listener, *["127.0.0.2"] * 5)
        hang_up(*lines)
        while len(listener._connections):
            await asyncio.sleep(0.01)
        return dict(listener._connections._of)

    assert listening(talk, Limits(connections_a_peer=2, state_every_s=0.05))[1] == {}


# --- the rule by itself -----------------------------------------------------------------------------------------------


@dataclass(eq=False)
class Place:
    sender: str
    idle_since_s: float = 0.0
    silent_since_s: float | None = 0.0
    may_go: bool = True


def places(*lines: Place, **limits: int) -> Places[Place]:
    all_of_them = Places[Place](Limits(**limits))
    for line in lines:
        all_of_them.take(line)
    return all_of_them


def test_where_every_frame_is_being_written_nobody_gives_way():
    busy = [Place("a", may_go=False), Place("b", may_go=False)]
    assert places(*busy, connections=2, connections_a_peer=2).who_gives_way("c") is None
    assert places(*busy, connections=9, connections_a_peer=1).who_gives_way("a") is None


def test_where_whoever_holds_most_is_busy_the_next_gives_way():
    busy, free = [Place("a", may_go=False) for _ in range(3)], Place("b")
    assert places(*busy, free, connections=4, connections_a_peer=4).who_gives_way("c") is free


def test_of_two_who_hold_as_many_the_one_who_wants_more_gives_way_itself():
    mine, other = Place("a", idle_since_s=9.0), Place("b", idle_since_s=1.0)
    all_of_them = places(mine, other, connections=2, connections_a_peer=2)
    assert all_of_them.who_gives_way("a") is mine
    assert all_of_them.who_gives_way("b") is other
    assert all_of_them.who_gives_way("c") is other


@pytest.mark.parametrize(
    ("peer", "sender"),
    [
        ("192.0.2.7", "192.0.2.7"), ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"), ("2001:db8:1:2::9", "2001:db8:1:2::/64"),
        ("::ffff:192.0.2.7", "192.0.2.7"), ("fe80::1%eth0", "fe80::/64"), ("?", "?"),
    ],
)  # fmt: skip
def test_one_machine_has_one_bound_however_many_addresses_it_has(peer, sender):
    assert sender_of(peer) == sender


def test_the_command_says_what_it_does_with_too_many():
    told = StringIO()
    Command().create_parser("manage.py", "listen").print_help(told)
    said = " ".join(told.getvalue().split())
    assert "--per-address N" in said
    assert "1 to 500 (125, a quarter of the 500 in all" in said
    assert "the address that holds most is closed" in said
