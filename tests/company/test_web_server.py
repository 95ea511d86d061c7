"""Clients that send or take a part, and no more, hold no thread; everybody else is served as before."""

from __future__ import annotations

import http.client
import itertools
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import pytest

from company.web_server import BODY_MOST, CONNECTIONS, HEAD_MOST
from tests.company.small_server import LONG
from tests.tools.servers import free_port

ROOT = Path(__file__).parents[2]
HEAD = b"POST /x HTTP/1.1\r\nHost: x\r\nContent-Length: 5000\r\n\r\n"
CHUNKED = b"POST /x HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n"
PARTS = [b"", b"POST /x HT", HEAD, HEAD + b"{", CHUNKED + b"5\r\nab", CHUNKED + b"40\r\n0\r\n\r\n"]
CLAIMS = {
    "X-Forwarded-Proto": "https", "X-Forwarded-For": "192.0.2.7", "X-Forwarded-Host": "elsewhere.example",
    "Forwarded": "for=192.0.2.7;proto=https",
}  # fmt: skip


@dataclass
class Running:
    process: subprocess.Popen[bytes]
    port: int
    log: Path

    @property
    def stdin(self) -> IO[bytes]:
        assert self.process.stdin
        return self.process.stdin

    @property
    def stdout(self) -> IO[bytes]:
        assert self.process.stdout
        return self.process.stdout

    def connect(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.port), 30)

    def open(self) -> http.client.HTTPConnection:
        return http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)

    def answers(self) -> bool:
        line = self.open()
        line.request("POST", "/x", body=b"12")
        return line.getresponse().read() == b"POST 2 99"

    def told(self, **headers: str) -> str:
        line = self.open()
        line.request("GET", "/heard", headers=headers)
        return line.getresponse().read().decode()

    def said(self) -> str:
        return self.log.read_text()


@contextmanager
def serving(folder: Path, quiet_s: int, *words: str) -> Iterator[Running]:
    port, log = free_port(), folder / "log.txt"
    with log.open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "tests.company.small_server", str(port), str(quiet_s), *words],
            cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=out,
        )  # fmt: skip
    running = Running(process, port, log)
    try:
        # It says nothing while it starts: it is there once it can be connected to.
        for _ in range(2000):
            with suppress(ConnectionRefusedError):
                running.connect().close()
                break
            with suppress(subprocess.TimeoutExpired):
                process.wait(0.02)
                raise AssertionError(running.said())
        yield running
    finally:
        process.kill()
        process.communicate()


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """A server that waits a second for what does not come."""
    with serving(tmp_path_factory.mktemp("short"), 1) as running:
        yield running


@pytest.fixture(scope="module")
def patient(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """A server that waits longer than any test, behind a proxy."""
    with serving(tmp_path_factory.mktemp("patient"), 300, "proxy") as running:
        yield running


@pytest.fixture
def ending(tmp_path: Path) -> Iterator[Running]:
    """A server that a test may end."""
    with serving(tmp_path, 300) as running:
        yield running


@pytest.mark.parametrize("part", PARTS)
def test_eight_half_requests_take_no_thread_from_anybody(patient: Running, part: bytes) -> None:
    with ExitStack() as held:
        for _ in range(8):
            held.enter_context(patient.connect()).sendall(part)
        assert patient.answers()


def test_neither_do_three_hundred(patient: Running) -> None:
    with ExitStack() as held:
        for _, part in zip(range(300), itertools.cycle(PARTS), strict=False):
            held.enter_context(patient.connect()).sendall(part)
        assert patient.answers()


def test_half_requests_are_closed_when_their_time_is_over(short: Running) -> None:
    with ExitStack() as held:
        lines = [held.enter_context(short.connect()) for _ in PARTS]
        for line, part in zip(lines, PARTS, strict=True):
            line.sendall(part)
        assert [line.recv(10) for line in lines] == [b""] * len(PARTS)


def test_where_all_connections_are_taken_others_wait_until_the_still_ones_have_had_their_time(short: Running) -> None:
    with ExitStack() as held:
        for _ in range(CONNECTIONS + 20):
            held.enter_context(short.connect()).sendall(HEAD)
        assert short.answers()


@pytest.mark.parametrize("path", ["/long", "/file"])
def test_who_does_not_take_the_answer_takes_no_thread_and_is_let_go(short: Running, path: str) -> None:
    with ExitStack() as held:
        gone, lines = select.poll(), []
        for _ in range(4):
            line = held.enter_context(socket.socket())
            line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            line.connect(("127.0.0.1", short.port))
            line.sendall(f"GET {path} HTTP/1.1\r\nHost: x\r\n\r\n".encode())
            gone.register(line, 0)
            lines.append(line)
        assert short.answers()
        for _ in range(600):
            if not lines:
                break
            for number, _what in gone.poll(50):
                gone.unregister(number)
                lines = [line for line in lines if line.fileno() != number]
            for line in lines:
                # What comes for a connection that has been given up is answered with its end.
                with suppress(ConnectionError):
                    line.send(b"x")
        assert not lines
        assert short.answers()


@pytest.mark.parametrize("path", ["/long", "/file"])
def test_a_long_answer_comes_whole(patient: Running, path: str) -> None:
    line = patient.open()
    line.request("GET", path)
    assert len(line.getresponse().read()) == LONG


@pytest.mark.parametrize("size", [0, 1, 70_000, 20_000_000])
def test_uploads_come_in_as_they_were_sent_and_the_connection_is_kept(patient: Running, size: int) -> None:
    body = (bytes(range(251)) * (size // 251 + 1))[:size]
    line = patient.open()
    line.connect()
    kept = line.sock
    for _ in range(2):
        line.request("POST", "/x", body=body)
        assert line.getresponse().read() == f"POST {size} {sum(body)}".encode()
    assert line.sock is kept


def test_a_body_in_pieces_comes_in_whole(patient: Running) -> None:
    line = patient.open()
    for _ in range(2):
        line.request("POST", "/x", body=iter([b"ab", b"\r\n\r\n", b"c"]), encode_chunked=True)
        assert line.getresponse().read() == f"POST 7 {sum(b'ab') + sum(b'c') + 46}".encode()


def test_who_asks_before_sending_the_body_is_told_to_go_on_once(patient: Running) -> None:
    with patient.connect() as line:
        line.sendall(HEAD.replace(b"Host", b"Connection: close\r\nExpect: 100-continue\r\nHost"))
        heard = line.recv(25)
        assert heard == b"HTTP/1.1 100 Continue\r\n\r\n"
        line.sendall(b"\0" * 5000)
        heard += line.makefile("rb").read()
    assert heard.count(b"100 Continue") == 1
    assert heard.endswith(b"POST 5000 0")


def test_a_body_that_nobody_read_is_not_taken_for_the_next_request(patient: Running) -> None:
    line = patient.open()
    for _ in range(2):
        line.request("POST", "/unread", body=b"GET /x HTTP/1.1\r\n\r\n")
        assert line.getresponse().read() == b"POST 0 0"


@pytest.mark.parametrize("path", ["/x", "/long", "/file"])
def test_an_answer_to_head_has_no_body_that_could_be_taken_for_the_next_answer(patient: Running, path: str) -> None:
    with patient.connect() as line:
        line.sendall(
            f"HEAD {path} HTTP/1.1\r\nHost: x\r\n\r\nGET /x HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n".encode()
        )
        told, _, rest = line.makefile("rb").read().partition(b"\r\n\r\n")
    assert f"Content-Length: {LONG if path != '/x' else 8}".encode() in told
    assert rest.startswith(b"HTTP/1.1 200 OK\r\n")
    assert rest.endswith(b"\r\n\r\nGET 0 0")


def test_a_client_that_hangs_up_half_way_is_no_request(patient: Running) -> None:
    with patient.connect() as line:
        line.sendall(HEAD + b"{")
        line.shutdown(socket.SHUT_WR)
        assert line.recv(10) == b""


def test_clients_that_do_not_wait_for_their_answer_leave_the_others_theirs(patient: Running) -> None:
    for _ in range(4):
        with patient.connect() as line:
            line.sendall(b"GET /long HTTP/1.1\r\nHost: x\r\n\r\n")
    assert patient.answers()


@pytest.mark.parametrize(
    ("sent", "status"),
    [
        (b"GET\r\n\r\n", b"400"),
        (b"POST /x HTTP/1.1\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\nab", b"400"),
        (CHUNKED + b"xyz\r\n", b"400"),
        (b"POST /x HTTP/1.1\r\nTransfer-Encoding: gzip\r\n\r\n", b"501"),
        (b"GET /x HTTP/1.1\r\nX: " + b"x" * HEAD_MOST + b"\r\n\r\n", b"431"),
        (f"POST /x HTTP/1.1\r\nContent-Length: {BODY_MOST}\r\n\r\n".encode(), b"413"),
    ],
)
def test_what_is_no_request_is_turned_away_without_a_word_of_who_serves(
    patient: Running, sent: bytes, status: bytes
) -> None:
    with patient.connect() as line:
        line.sendall(sent)
        with suppress(ConnectionResetError):
            answer = line.recv(4096)
        assert answer.split()[1] == status
        assert b"waitress" not in answer.lower()
        assert b"\r\nserver:" not in answer.lower()


def test_a_proxys_word_for_https_is_believed_and_nothing_else_that_it_passes_on(patient: Running) -> None:
    assert patient.told(**CLAIMS) == "https https - - - 127.0.0.1"
    assert patient.told() == "http - - - - 127.0.0.1"


def test_without_a_proxy_a_client_can_claim_nothing(short: Running) -> None:
    assert short.told(**CLAIMS) == "http - - - - 127.0.0.1"


def test_ctrl_c_ends_it_and_half_requests_do_not_hold_it_up(ending: Running) -> None:
    with ExitStack() as held:
        for part in PARTS:
            held.enter_context(ending.connect()).sendall(part)
        assert ending.answers()
        ending.process.send_signal(signal.SIGINT)
        assert ending.process.wait(20) == 0
    assert "Traceback" not in ending.said()


def test_a_request_in_work_and_an_answer_on_its_way_come_whole_before_the_server_ends(ending: Running) -> None:
    on_its_way, in_work = ending.open(), ending.open()
    on_its_way.request("GET", "/long")
    begun = on_its_way.getresponse()
    in_work.request("GET", "/hold")
    assert ending.stdout.readline() == b"held\n"
    ending.process.send_signal(signal.SIGTERM)
    ending.stdin.write(b"\n")
    ending.stdin.flush()
    assert in_work.getresponse().read() == b"GET 0 0"
    assert len(begun.read()) == LONG
    assert ending.process.wait(20) == 0
