"""The listener on real sockets of this machine: half frames, several at once, slow and flooding senders, stopping."""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
from collections.abc import Awaitable, Callable
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from devices.actions import panel_strangers as strangers_module
from devices.actions.panel_frames import Outcome, Verdict, take_frame
from devices.management.listening import writer as writer_module
from devices.management.listening.limits import Limits, Rates
from devices.management.listening.server import Listener
from devices.models import Fault, IntakeBatch, ListenerState, PanelAccount, PanelStranger
from devices.rules.dc09 import Message, read_message
from devices.rules.dc09_frame import FrameReader, Sound
from tests import factories
from tests.devices.panels import KEY, event, link_test, make_account

pytestmark = [pytest.mark.django_db(transaction=True)]

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


@pytest.fixture
def receiver():
    receiver = factories.make_receiver()
    factories.make_registration(receiver, 1)
    return receiver


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


async def tcp(listener: Listener) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    return await asyncio.open_connection("127.0.0.1", listener.port)


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


def test_a_frame_is_answered_once_it_is_on_record(receiver):
    make_account(receiver)
    _listener, found = listening(sent(event(seq=5)))
    assert found == [("ACK", "0005")]
    assert Fault.objects.get().kind == "low_battery"


def test_several_frames_in_one_read_are_answered_in_their_order(receiver):
    make_account(receiver)
    frames = [event("1101 00 001", seq=n) for n in range(1, 6)]
    _listener, found = listening(sent(b"".join(frames), n=5))
    assert found == [("ACK", f"000{n}") for n in range(1, 6)]
    assert IntakeBatch.objects.count() == 5


def test_a_frame_may_come_byte_by_byte_with_rubbish_round_it(receiver):
    make_account(receiver)
    stream = b"rubbish\r\n" + event(seq=6) + b"\r\n"
    _listener, found = listening(sent(*(bytes([byte]) for byte in stream), pause_s=0))
    assert found == [("ACK", "0006")]


def test_half_a_frame_that_is_not_completed_ends_the_connection(receiver):
    make_account(receiver)

    async def talk(listener: Listener) -> bytes:
        reader, writer = await tcp(listener)
        writer.write(event()[:-4])
        rest = await reader.read(100)
        writer.close()
        return rest

    listener, rest = listening(talk, Limits(half_frame_s=0.1, state_every_s=0.05))
    assert rest == b""
    assert (listener.counts["closed_slow"], listener.counts["half"], listener.counts["frames"]) == (1, 1, 0)


def test_dripping_bytes_do_not_win_more_time(receiver):
    async def talk(listener: Listener) -> bool:
        reader, writer = await tcp(listener)
        for byte in event():
            writer.write(bytes([byte]))
            await asyncio.sleep(0.05)
            if reader.at_eof():
                return True
        return False

    assert listening(talk, Limits(half_frame_s=0.3, state_every_s=0.05))[1]


def test_a_silent_connection_is_closed(receiver):
    async def talk(listener: Listener) -> bytes:
        reader, writer = await tcp(listener)
        rest = await reader.read(10)
        writer.close()
        return rest

    listener, rest = listening(talk, Limits(idle_s=0.1, state_every_s=0.05))
    assert (rest, listener.counts["closed_idle"]) == (b"", 1)


@pytest.mark.parametrize("first", [b"", b"rubbish\r\n", b"rubbish" * 20 + event()[:8]])
def test_a_connection_that_brings_no_frame_is_closed_long_before_a_silent_one(first):
    """Else a hundred opened connections would keep the panels out for a quarter of an hour."""

    async def talk(listener: Listener) -> bytes:
        reader, writer = await tcp(listener)
        writer.write(first)
        rest = await reader.read(10)
        writer.close()
        return rest

    listener, rest = listening(talk, Limits(first_frame_s=0.1, idle_s=900, half_frame_s=900, state_every_s=0.05))
    assert (rest, listener.counts["frames"]) == (b"", 0)
    assert listener.counts["closed_idle"] + listener.counts["closed_slow"] == 1


def test_dripping_rubbish_wins_a_connection_no_more_time():
    async def talk(listener: Listener) -> bool:
        reader, writer = await tcp(listener)
        for _ in range(60):
            writer.write(b"x")
            await asyncio.sleep(0.05)
            if reader.at_eof():
                return True
        return False

    assert listening(talk, Limits(first_frame_s=0.3, state_every_s=0.05))[1]


def test_a_panel_that_has_spoken_may_be_silent_for_the_longer_time(receiver):
    make_account(receiver)

    async def talk(listener: Listener) -> tuple[list[tuple[str, str]], bytes]:
        reader, writer = await tcp(listener)
        writer.write(event(seq=1))
        found = await answers(reader, 1)
        await asyncio.sleep(0.4)
        writer.write(event(seq=2))
        found += await answers(reader, 1)
        rest = await reader.read(10)
        writer.close()
        return found, rest

    listener, (found, rest) = listening(talk, Limits(first_frame_s=0.1, idle_s=1.0, state_every_s=0.05))
    assert found == [("ACK", "0001"), ("ACK", "0002")]
    assert (rest, listener.counts["closed_idle"]) == (b"", 1)


def test_a_wrong_checksum_is_met_with_silence_and_counted_and_the_next_frame_is_taken(receiver):
    make_account(receiver)
    broken = event(seq=1).replace(b"1384", b"1385")
    listener, found = listening(sent(broken + event(seq=2)))
    assert found == [("ACK", "0002")]
    assert listener.counts["bad_checksum"] == 1


def test_a_connection_that_only_sends_rubbish_is_closed():
    async def talk(listener: Listener) -> bytes:
        reader, writer = await tcp(listener)
        writer.write(b"x" * 3000)
        rest = await reader.read(10)
        writer.close()
        return rest

    listener, rest = listening(talk, Limits(junk_bytes=1000, state_every_s=0.05))
    assert (rest, listener.counts["closed_bad"]) == (b"", 1)


def test_more_connections_than_agreed_are_turned_away(receiver):
    make_account(receiver)

    async def talk(listener: Listener) -> list[tuple[str, str]]:
        first = await tcp(listener)
        await asyncio.sleep(0.05)
        reader, writer = await tcp(listener)
        with pytest.raises((ConnectionError, asyncio.IncompleteReadError)):
            await reader.readexactly(1)
        writer.close()
        first[1].write(event())
        found = await answers(first[0], 1)
        first[1].close()
        return found

    listener, found = listening(talk, Limits(connections_a_peer=1, state_every_s=0.05))
    assert found == [("ACK", "0001")]
    assert listener.counts["turned_away"] == 1


def test_a_flood_over_tcp_is_slowed_down_and_loses_nothing(receiver, monkeypatch):
    taken: list[bytes] = []

    def at_once(*, frame: Sound, **given: Any) -> Verdict:
        taken.append(frame.body)
        return Verdict(Outcome.TESTED, event("", seq=len(taken), kind="ACK"))

    monkeypatch.setattr(writer_module, "take_frame", at_once)
    frames = [event("1101 00 001", seq=n) for n in range(1, 31)]
    listener, found = listening(sent(b"".join(frames), n=30), Limits(burst=5, frames_a_second=50, state_every_s=9))
    assert [seq for _kind, seq in found] == [f"{n:04d}" for n in range(1, 31)]
    assert taken == [frame[9:-1] for frame in frames]
    assert listener.counts["flood"] > 0


def test_a_sender_that_fetches_no_answers_is_closed_and_holds_up_nobody(receiver, monkeypatch):
    make_account(receiver)
    monkeypatch.setattr(asyncio.StreamWriter, "drain", lambda self: asyncio.sleep(60))

    async def talk(listener: Listener) -> int:
        _reader, writer = await tcp(listener)
        writer.write(event() + event(seq=2))
        while not listener.counts["closed_slow"]:
            await asyncio.sleep(0.02)
        return listener.counts["frames"]

    _listener, n_frames = listening(talk, Limits(send_s=0.1, state_every_s=0.05))
    assert n_frames == 1


async def udp(listener: Listener, *datagrams: bytes, n: int, wait_s: float = 10) -> list[bytes]:
    """Send datagrams and fetch so many answers, or as many as come."""
    loop = asyncio.get_running_loop()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.setblocking(False)
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


def test_an_encrypted_account_is_served_over_the_wire(receiver):
    make_account(receiver, key=KEY)
    _listener, found = listening(sent(event(at=timezone.now(), key=KEY)))
    assert found == [("ACK", "0001")]


def test_an_encrypted_message_out_of_its_window_gets_nak(receiver):
    make_account(receiver, key=KEY)
    _listener, found = listening(sent(link_test(at=timezone.now() - timedelta(minutes=2), key=KEY)))
    assert found == [("NAK", "0000")]


def test_an_unknown_number_gets_duh_and_is_listed(receiver):
    listener, found = listening(sent(event(number="9999", seq=3)))
    assert found == [("DUH", "0003")]
    row = PanelStranger.objects.get()
    assert (row.number, row.n_frames, row.last_peer) == ("9999", 1, "127.0.0.1")
    assert row.example == '"ADM-CID"0003L0#9999[#9999|1384 00 001]'
    assert listener.counts["stranger"] == 1


def test_an_encrypted_stranger_is_listed_without_its_frame(receiver):
    listening(sent(event(number="9999", at=timezone.now(), key=KEY)))
    assert PanelStranger.objects.get().example == ""


def test_the_state_is_written_while_it_runs_and_when_it_ends(receiver):
    make_account(receiver)

    async def talk(listener: Listener) -> Any:
        await sent(event())(listener)
        await asyncio.sleep(0.2)
        return await asyncio.to_thread(_state)

    listener, while_running = listening(talk)
    assert (while_running.counts["taken"], while_running.stopped_at) == (1, None)
    assert _state().stopped_at is not None
    assert _state().bind == f"127.0.0.1:{listener.port}"


def _state() -> ListenerState:
    from django.db import connection

    try:
        return ListenerState.objects.get()
    finally:
        if threading.current_thread() is not threading.main_thread():
            connection.close()


def test_stopping_writes_and_answers_what_was_taken(receiver, monkeypatch):
    make_account(receiver)
    begun, go_on = threading.Event(), threading.Event()

    def held(**given: Any) -> Any:
        begun.set()
        go_on.wait(10)
        return take_frame(**given)

    monkeypatch.setattr(writer_module, "take_frame", held)

    async def talk(listener: Listener) -> list[tuple[str, str]]:
        reader, writer = await tcp(listener)
        writer.write(event(seq=8))
        await asyncio.to_thread(begun.wait, 10)
        stopping = asyncio.create_task(listener.stop())
        await asyncio.sleep(0.05)
        go_on.set()
        found = await answers(reader, 1)
        await stopping
        writer.close()
        return found

    _listener, found = listening(talk)
    assert found == [("ACK", "0008")]
    assert Fault.objects.count() == 1


def test_a_database_that_fails_means_silence_and_the_repeat_is_recorded_once(receiver, monkeypatch, caplog):
    make_account(receiver)
    calls = []

    def failing_once(**given: Any) -> Any:
        calls.append(1)
        if len(calls) == 1:
            raise RuntimeError("secret words of the frame")
        return take_frame(**given)

    monkeypatch.setattr(writer_module, "take_frame", failing_once)
    listener, found = listening(sent(event(seq=1), event(seq=1), n=1))
    assert found == [("ACK", "0001")]
    assert (IntakeBatch.objects.count(), listener.counts["not_written"]) == (1, 1)
    assert "secret words" not in caplog.text


def test_no_key_and_no_word_of_a_message_stands_in_the_log(receiver, caplog):
    caplog.set_level(logging.DEBUG)
    make_account(receiver, key=KEY)
    listening(sent(event(at=timezone.now(), key=KEY), event(), event(at=timezone.now(), key=b"x" * 16), pause_s=0.1))
    assert KEY.hex() not in caplog.text.lower()
    assert "1384" not in "".join(record.getMessage() for record in caplog.records if record.name.startswith("devices"))


def test_an_address_may_send_its_burst_at_once_and_then_its_rate():
    rates = Rates(Limits(burst=3, frames_a_second=2, peers=2))
    assert [rates.wait_s("a", 0.0) for _ in range(4)] == [0.0, 0.0, 0.0, 0.5]
    assert rates.wait_s("b", 0.0) == 0.0
    assert rates.wait_s("a", 0.5) == 0.0
    rates.wait_s("c", 0.5)
    assert len(rates._left) == 2


def test_two_listeners_on_one_address_are_refused_in_words(receiver):
    from django.core.management import CommandError, call_command

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(CommandError, match="Choose another address"):
            call_command("listen", bind=f"127.0.0.1:{taken.getsockname()[1]}")
    assert not PanelAccount.objects.exists()


@pytest.mark.parametrize("idle", [0, 9, 86_401, -1])
def test_a_time_of_silence_that_is_none_is_refused_in_words(idle):
    from django.core.management import CommandError, call_command

    with pytest.raises(CommandError, match="from 10 to 86400"):
        call_command("listen", bind="127.0.0.1:0", idle=idle)


def test_the_time_of_silence_can_be_set(monkeypatch):
    from django.core.management import call_command

    from devices.management.commands import listen

    asked: list[Limits] = []

    async def ended(self: Any, listener: Listener, tcp: bool, udp: bool) -> None:
        asked.append(listener._limits)

    monkeypatch.setattr(listen.Command, "_listen", ended)
    call_command("listen", bind="127.0.0.1:0", idle=60)
    call_command("listen", bind="127.0.0.1:0")
    assert [limits.idle_s for limits in asked] == [60, 900]


@pytest.mark.parametrize("text", ["", "9009", "localhost:9009", "127.0.0.1", "127.0.0.1:x", "127.0.0.1:70000", "::"])
def test_an_address_that_is_none_is_refused_in_words(text):
    from django.core.management import CommandError, call_command

    with pytest.raises(CommandError, match="HOST:PORT"):
        call_command("listen", bind=text)
