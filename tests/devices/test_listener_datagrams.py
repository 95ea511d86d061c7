"""The listener and datagrams: bounded queue, floods of one sender and of numbers that nobody knows, answers that wait."""

from __future__ import annotations

import asyncio
import threading
from typing import Any

import pytest

from devices.actions import panel_strangers as strangers_module
from devices.actions.panel_frames import take_frame
from devices.management.listening import writer as writer_module
from devices.management.listening.limits import Limits
from devices.management.listening.server import Listener
from devices.models import IntakeBatch, PanelStranger
from tests import factories
from tests.devices.listening import listening, udp
from tests.devices.panels import event, make_account

pytestmark = [pytest.mark.django_db(transaction=True)]


@pytest.fixture
def receiver():
    receiver = factories.make_receiver()
    factories.make_registration(receiver, 1)
    return receiver


def test_datagrams_are_taken_and_answered_too(receiver):
    make_account(receiver)
    listener, found = listening(lambda listener: udp(listener, event(), event()[:-3], b"", n=1))
    assert b'"ACK"0001' in found[0]
    assert (listener.counts["datagrams"], listener.counts["half"]) == (3, 1)


def test_datagrams_beyond_the_queue_get_no_answer_and_take_no_memory(receiver, monkeypatch):
    make_account(receiver)
    go_on = threading.Event()

    def held(**given: Any) -> Any:
        go_on.wait(10)
        return take_frame(**given)

    monkeypatch.setattr(writer_module, "take_frame", held)

    async def talk(listener: Listener) -> list[bytes]:
        asyncio.get_running_loop().call_later(0.3, go_on.set)
        return await udp(listener, *(event("1101 00 001", seq=n) for n in range(1, 41)), n=40, wait_s=1)

    listener, found = listening(talk, Limits(waiting=5, state_every_s=0.05))
    assert (len(found), listener.counts["full"]) == (5, 35)
    assert IntakeBatch.objects.count() == 5


def test_datagrams_of_one_sender_do_not_fill_the_queue_for_others(receiver, monkeypatch):
    make_account(receiver)
    go_on = threading.Event()

    def held(**given: Any) -> Any:
        go_on.wait(10)
        return take_frame(**given)

    monkeypatch.setattr(writer_module, "take_frame", held)

    async def talk(listener: Listener) -> tuple[list[bytes], list[bytes]]:
        flood = [event("1101 00 001", seq=n) for n in range(1, 41)]
        loud = asyncio.create_task(udp(listener, *flood, n=40, wait_s=1, peer="127.0.0.2"))
        while listener.counts["datagrams"] < 40:
            await asyncio.sleep(0.01)
        quiet = asyncio.create_task(udp(listener, event(seq=77), n=1, wait_s=5, peer="127.0.0.3"))
        while listener.counts["datagrams"] < 41:
            await asyncio.sleep(0.01)
        go_on.set()
        return await loud, await quiet

    listener, (loud, quiet) = listening(talk, Limits(waiting=40, waiting_a_peer=10, state_every_s=0.05))
    assert (len(loud), listener.counts["full"]) == (10, 30)
    assert b'"ACK"0077' in quiet[0]
    assert not listener._datagrams_of, "and what was written no longer counts against anybody"


def test_a_flood_of_datagrams_of_one_sender_is_dropped(receiver):
    make_account(receiver)
    frames = [event("1101 00 001", seq=n) for n in range(1, 41)]
    listener, found = listening(
        lambda listener: udp(listener, *frames, n=40, wait_s=0.5),
        Limits(burst=10, frames_a_second=0.001, state_every_s=0.05),
    )
    assert (len(found), listener.counts["flood"]) == (10, 30)


def test_a_flood_of_numbers_that_nobody_knows_fills_neither_memory_nor_the_list(receiver, monkeypatch):
    make_account(receiver)
    monkeypatch.setattr(strangers_module, "MOST_NUMBERS", 10)
    frames = [event(number=f"{n:05X}", seq=n) for n in range(1, 201)]

    async def talk(listener: Listener) -> Any:
        for at in range(0, 200, 40):
            await udp(listener, *frames[at : at + 40], n=40, wait_s=1)
        assert listener._writer is not None
        return len(listener._writer._strangers._heard), await udp(listener, event(seq=9), n=1, wait_s=2)

    listener, (n_in_memory, found) = listening(talk, Limits(burst=1000, state_every_s=0.05))
    assert listener.counts["stranger"] == 200
    assert (n_in_memory, PanelStranger.objects.count()) == (10, 10)
    assert b'"ACK"0009' in found[0], "and a panel that is known is served"


def test_answers_that_the_network_does_not_take_are_dropped():
    class Stuck:
        """A socket whose other side takes nothing."""

        waiting = 0

        def get_write_buffer_size(self) -> int:
            return self.waiting

        def sendto(self, data: bytes, address: Any) -> None:
            self.waiting += len(data)

    async def talk() -> tuple[Listener, Stuck]:
        listener, stuck = Listener(host="127.0.0.1", port=0, limits=Limits(unsent_bytes=100)), Stuck()
        listener._transport = stuck  # type: ignore[assignment]
        for _ in range(50):
            answered: asyncio.Future[bytes | None] = asyncio.get_running_loop().create_future()
            answered.set_result(b"x" * 40)
            listener._send(answered, ("192.0.2.1", 9))
        return listener, stuck

    listener, stuck = asyncio.run(talk())
    assert (stuck.waiting, listener.counts["full"]) == (120, 47)
