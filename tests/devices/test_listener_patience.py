"""Whose time the listener counts: a sender's that leaves a frame half, never its own while it holds senders back or writes."""

from __future__ import annotations

import asyncio
import threading
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from devices.actions.panel_frames import Outcome, Verdict
from devices.management.listening import writer as writer_module
from devices.management.listening.limits import Limits
from devices.management.listening.server import Listener
from devices.models import Fault, IntakeBatch
from devices.rules.dc09_frame import Sound
from tests import factories
from tests.devices.listening import answers, listening, tcp
from tests.devices.panels import KEY, event, make_account

pytestmark = [pytest.mark.django_db(transaction=True)]

HALF_S = 0.2


@pytest.fixture
def receiver():
    receiver = factories.make_receiver()
    factories.make_registration(receiver, 1)
    make_account(receiver)
    return receiver


@pytest.fixture
def taken(monkeypatch):
    """Frames in the order in which they were written, without a database."""
    found: list[bytes] = []

    def at_once(*, frame: Sound, **given: Any) -> Verdict:
        found.append(frame.body)
        return Verdict(Outcome.TESTED, event("", seq=len(found), kind="ACK"))

    monkeypatch.setattr(writer_module, "take_frame", at_once)
    return found


@pytest.mark.parametrize("after", [b"\n", b"\r\n", b"\x00", b" \n", b"\n\n\r\n", b"\r\n\x00"])
def test_a_panel_that_ends_its_frames_with_more_than_cr_stays_connected(receiver, after):
    async def talk(listener: Listener) -> Any:
        reader, writer = await tcp(listener)
        writer.write(event(seq=1) + after)
        found = await answers(reader, 1)
        await asyncio.sleep(4 * HALF_S)
        writer.write(event(seq=2) + after)
        found += await answers(reader, 1)
        writer.close()
        return found

    listener, found = listening(talk, Limits(half_frame_s=HALF_S, state_every_s=0.05))
    assert found == [("ACK", "0001"), ("ACK", "0002")]
    assert (listener.counts["closed_slow"], listener.counts["half"]) == (0, 0)


def test_a_half_frame_after_such_an_end_is_still_given_no_more_than_its_time(receiver):
    async def talk(listener: Listener) -> Any:
        reader, writer = await tcp(listener)
        writer.write(event(seq=1) + b"\n")
        found = await answers(reader, 1)
        await asyncio.sleep(2 * HALF_S)
        writer.write(event(seq=2)[:12])
        rest = await reader.read(100)
        writer.close()
        return found, rest

    listener, (found, rest) = listening(talk, Limits(half_frame_s=HALF_S, state_every_s=0.05))
    assert (found, rest) == ([("ACK", "0001")], b"")
    assert (listener.counts["closed_slow"], listener.counts["half"]) == (1, 1)


def test_senders_that_are_held_back_for_longer_than_half_a_frame_may_take_lose_nothing(taken):
    """Several reads long, so that each of them but the last ends within a frame."""
    n, lines = 160, 3

    async def one(listener: Listener) -> int:
        reader, writer = await tcp(listener)
        writer.write(b"".join(event("1101 00 001", seq=seq) for seq in range(1, n + 1)))
        found = await answers(reader, n)
        writer.close()
        return len(found)

    async def talk(listener: Listener) -> list[int]:
        return await asyncio.gather(*(one(listener) for _ in range(lines)))

    limits = Limits(burst=5, frames_a_second=150, half_frame_s=HALF_S, state_every_s=9)
    listener, found = listening(talk, limits)
    assert found == [n] * lines
    assert len(taken) == n * lines
    assert listener.counts["flood"] > n
    assert (listener.counts["closed_slow"], listener.counts["half"]) == (0, 0)


def test_a_frame_begun_while_another_was_being_written_gets_its_whole_time_afterwards(monkeypatch, taken):
    begun, go_on, at_once = threading.Event(), threading.Event(), writer_module.take_frame

    def held(**given: Any) -> Any:
        begun.set()
        go_on.wait(10)
        return at_once(**given)

    monkeypatch.setattr(writer_module, "take_frame", held)

    async def talk(listener: Listener) -> Any:
        reader, writer = await tcp(listener)
        second = event(seq=2)
        writer.write(event(seq=1) + second[:20])
        await asyncio.to_thread(begun.wait, 10)
        await asyncio.sleep(3 * HALF_S)
        go_on.set()
        found = await answers(reader, 1)
        await asyncio.sleep(HALF_S / 4)
        writer.write(second[20:])
        found += await answers(reader, 1)
        writer.close()
        return found

    listener, found = listening(talk, Limits(half_frame_s=HALF_S, state_every_s=9))
    assert found == [("ACK", "0001"), ("ACK", "0002")]
    assert listener.counts["closed_slow"] == 0


def test_who_was_held_back_and_then_leaves_a_frame_half_is_cut_off(taken):
    async def talk(listener: Listener) -> Any:
        reader, writer = await tcp(listener)
        writer.write(b"".join(event("1101 00 001", seq=seq) for seq in range(1, 11)) + event(seq=11)[:20])
        found = await answers(reader, 10)
        rest = await reader.read(100)
        writer.close()
        return len(found), rest

    limits = Limits(burst=2, frames_a_second=20, half_frame_s=HALF_S, state_every_s=9)
    listener, (n_answers, rest) = listening(talk, limits)
    assert (n_answers, rest) == (10, b"")
    assert (listener.counts["closed_slow"], listener.counts["half"]) == (1, 1)


BROKEN = event(seq=9).replace(b"1384", b"1385")


@pytest.mark.parametrize(("spoilt", "is_closed"), [(BROKEN, False), (b"\x00" * 30, False), (BROKEN * 2, True)])
def test_a_long_connection_does_not_add_up_what_it_now_and_then_spoils(taken, spoilt, is_closed):
    async def talk(listener: Listener) -> int:
        reader, writer = await tcp(listener)
        writer.write(b"".join(spoilt + event(seq=seq) for seq in range(1, 101)))
        n = len(await answers(reader, 100))
        writer.close()
        return n

    listener, n = listening(talk, Limits(bad_frames=5, junk_bytes=100, burst=1000, state_every_s=9))
    assert (listener.counts["closed_bad"], n < 100) == (int(is_closed), is_closed)


def test_a_frame_that_was_held_back_is_judged_by_when_it_came(monkeypatch):
    """Else an encrypted one, which is taken for 40 s only, would be refused because of our own waiting."""
    asked: list[Any] = []

    def noted(*, frame: Sound, at: Any, **given: Any) -> Verdict:
        asked.append(at)
        return Verdict(Outcome.TESTED, event("", seq=len(asked), kind="ACK"))

    monkeypatch.setattr(writer_module, "take_frame", noted)

    async def talk(listener: Listener) -> None:
        reader, writer = await tcp(listener)
        writer.write(b"".join(event(seq=seq, at=timezone.now(), key=KEY) for seq in range(1, 5)))
        await answers(reader, 4)
        writer.close()

    listening(talk, Limits(burst=1, frames_a_second=2, state_every_s=9))
    assert len(set(asked)) == 4
    assert asked == sorted(asked), "in their order"
    assert asked[-1] - asked[0] < timedelta(milliseconds=10), "the last was written a second and a half after the first"


def test_frames_that_were_read_and_not_written_when_it_stops_get_no_answer(receiver):
    """They wait for their turn; their sender has no ACK and repeats them to the next listener, where they are new."""
    frames = [event("1101 00 001", seq=seq) for seq in range(1, 31)]

    async def talk(listener: Listener) -> Any:
        reader, writer = await tcp(listener)
        writer.write(b"".join(frames))
        found = await answers(reader, 2)
        await listener.stop()
        found += await answers(reader, 30)
        writer.close()
        return found

    _listener, found = listening(talk, Limits(burst=2, frames_a_second=2, state_every_s=9))
    assert found == [("ACK", f"{seq:04d}") for seq in range(1, len(found) + 1)]
    assert 2 <= len(found) < 30
    assert IntakeBatch.objects.count() == len(found)

    async def repeated(listener: Listener) -> Any:
        reader, writer = await tcp(listener)
        writer.write(b"".join(frames))
        again = await answers(reader, 30)
        writer.close()
        return again

    _listener, again = listening(repeated)
    assert again == [("ACK", f"{seq:04d}") for seq in range(1, 31)]
    assert IntakeBatch.objects.count() == 30


def test_stopping_does_not_wait_for_a_database_that_does_not_answer_and_answers_nothing(receiver, monkeypatch):
    begun, go_on, take_frame = threading.Event(), threading.Event(), writer_module.take_frame

    def away(**given: Any) -> Any:
        begun.set()
        go_on.wait(10)
        return take_frame(**given)

    monkeypatch.setattr(writer_module, "take_frame", away)

    async def talk(listener: Listener) -> Any:
        loop = asyncio.get_running_loop()
        reader, writer = await tcp(listener)
        writer.write(event(seq=1))
        await asyncio.to_thread(begun.wait, 10)
        started_s = loop.time()
        await listener.stop()
        took_s, n_faults = loop.time() - started_s, await asyncio.to_thread(_n_faults)
        answer = bytes(reader._buffer)
        go_on.set()
        await asyncio.to_thread(listener._writer.join, 10)
        writer.close()
        return took_s, n_faults, answer

    _listener, (took_s, n_faults, answer) = listening(talk, Limits(stop_s=0.3, state_every_s=9))
    assert took_s < 5
    assert (n_faults, answer) == (0, b"")


def _n_faults() -> int:
    from django.db import connection

    try:
        return Fault.objects.count()
    finally:
        connection.close()
