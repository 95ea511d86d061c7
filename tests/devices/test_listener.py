"""The listener on real sockets of this machine: half frames, several at once, slow and flooding senders, stopping."""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from devices.actions.panel_frames import Outcome, Verdict, take_frame
from devices.management.listening import writer as writer_module
from devices.management.listening.limits import Limits, Rates
from devices.management.listening.server import Listener
from devices.models import Fault, IntakeBatch, ListenerState, PanelAccount, PanelStranger
from devices.rules.dc09_frame import Sound
from tests import factories
from tests.devices.listening import answers, listening, sent, tcp
from tests.devices.panels import KEY, event, link_test, make_account

pytestmark = [pytest.mark.django_db(transaction=True)]


@pytest.fixture
def receiver():
    receiver = factories.make_receiver()
    factories.make_registration(receiver, 1)
    return receiver


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


def test_the_time_of_silence_and_the_bound_of_an_address_can_be_set(monkeypatch):
    from django.core.management import call_command

    from devices.management.commands import listen

    asked: list[Limits] = []

    async def ended(self: Any, listener: Listener, tcp: bool, udp: bool) -> None:
        asked.append(listener._limits)

    monkeypatch.setattr(listen.Command, "_listen", ended)
    call_command("listen", bind="127.0.0.1:0", idle=60)
    call_command("listen", bind="127.0.0.1:0", per_address=500)
    assert [limits.idle_s for limits in asked] == [60, 900]
    assert [limits.connections_a_peer for limits in asked] == [125, 500]


@pytest.mark.parametrize("n", [0, -1, 501])
def test_a_bound_of_an_address_that_is_none_is_refused_in_words(n):
    from django.core.management import CommandError, call_command

    with pytest.raises(CommandError, match="from 1 to 500"):
        call_command("listen", bind="127.0.0.1:0", per_address=n)


@pytest.mark.parametrize("text", ["", "9009", "localhost:9009", "127.0.0.1", "127.0.0.1:x", "127.0.0.1:70000", "::"])
def test_an_address_that_is_none_is_refused_in_words(text):
    from django.core.management import CommandError, call_command

    with pytest.raises(CommandError, match="HOST:PORT"):
        call_command("listen", bind=text)
