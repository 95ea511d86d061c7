"""Clients that send or take a part, and no more, hold no thread; everybody else is served as before."""

from __future__ import annotations

import http.client
import itertools
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path

import pytest

from company.management.commands.serve import Server
from company.paced_socket import KEPT_MOST, STEP
from company.web_worker import WebWorker
from tests.company.slow_server import LONG
from tests.tools.servers import free_port

ROOT = Path(__file__).parents[2]
HEAD = b"POST /x HTTP/1.1\r\nHost: x\r\nContent-Length: 5000\r\n\r\n"
CHUNKED = b"POST /x HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n"
THREADS = 2
MANY = 6
"""More clients than the server has threads."""


@dataclass
class Running:
    port: int
    log: Path

    def connect(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.port), 30)

    def open(self) -> http.client.HTTPConnection:
        return http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)

    def answers(self) -> bool:
        line = self.open()
        line.request("POST", "/x", body=b"12")
        return line.getresponse().read() == b"POST 2 99"

    def said(self) -> str:
        return self.log.read_text()


def _served(folder: Path, grace_s: float, bytes_per_s: float) -> Iterator[Running]:
    port, log = free_port(), folder / "log.txt"
    with log.open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "tests.company.slow_server", str(port), str(grace_s), str(bytes_per_s)],
            cwd=ROOT, stdout=out, stderr=out,
        )  # fmt: skip
    running = Running(port, log)
    try:
        for _ in range(300):
            with suppress(OSError):
                running.connect().close()
                break
            assert process.poll() is None, running.said()
            time.sleep(0.1)
        yield running
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(20)


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """A server that waits a second, and no longer for what comes slowly."""
    yield from _served(tmp_path_factory.mktemp("short"), 1.0, 1e9)


@pytest.fixture(scope="module")
def patient(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """A server that waits longer than any test."""
    yield from _served(tmp_path_factory.mktemp("patient"), 300.0, 1e9)


@pytest.mark.parametrize(
    "part", [b"", b"POST /x HT", HEAD, HEAD + b"{", CHUNKED + b"5\r\nab", CHUNKED + b"40\r\n0\r\n\r\n"]
)
def test_half_requests_take_no_thread_from_anybody(patient: Running, part: bytes) -> None:
    with ExitStack() as held:
        for _ in range(MANY):
            held.enter_context(patient.connect()).sendall(part)
        assert patient.answers()


@pytest.mark.parametrize("part", [b"POST /x HT", HEAD, HEAD + b"{", CHUNKED + b"5\r\nab", CHUNKED + b"40\r\n0\r\n\r\n"])
def test_a_half_request_is_closed_when_its_time_is_over(short: Running, part: bytes) -> None:
    with short.connect() as line:
        line.sendall(part)
        assert line.recv(10) == b""
    assert "Connection of 127.0.0.1 closed: it took too long over its request.\n" in short.said()
    assert "Traceback" not in short.said()
    assert short.answers()


def test_who_drips_a_byte_at_a_time_gets_no_more_time(short: Running) -> None:
    with short.connect() as line, suppress(ConnectionError):
        line.sendall(HEAD)
        for _ in range(300):
            line.sendall(b"x")
            time.sleep(0.1)
        raise AssertionError("The connection was never closed.")


def test_the_rest_of_a_request_that_is_too_long_to_keep_must_come_in_time_too(short: Running) -> None:
    lines = [short.connect() for _ in range(THREADS + 1)]
    for line in lines:
        line.sendall(b"POST /x HTTP/1.1\r\nHost: x\r\nContent-Length: 99000000\r\n\r\n" + bytes(KEPT_MOST + STEP))
    assert short.answers()
    assert "took too long over its request or its answer" in short.said()
    assert "Traceback" not in short.said()
    for line in lines:
        line.close()


@pytest.mark.parametrize("path", ["/long", "/file"])
def test_who_does_not_take_the_answer_is_let_go(short: Running, path: str) -> None:
    lines = []
    for _ in range(MANY):
        line = socket.socket()
        line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        line.connect(("127.0.0.1", short.port))
        line.sendall(f"GET {path} HTTP/1.1\r\nHost: x\r\n\r\n".encode())
        lines.append(line)
    assert short.answers()
    assert "took too long over its request or its answer" in short.said()
    assert "Traceback" not in short.said()
    for line in lines:
        line.close()


@pytest.mark.parametrize("path", ["/long", "/file"])
def test_a_long_answer_comes_whole(patient: Running, path: str) -> None:
    line = patient.open()
    line.request("GET", path)
    assert len(line.getresponse().read()) == LONG


@pytest.mark.parametrize("size", [0, 1, 70_000, 3_000_000, 25_500_000])
def test_uploads_come_in_as_they_were_sent_and_the_connection_is_kept(patient: Running, size: int) -> None:
    body = bytes(itertools.islice(itertools.cycle(range(251)), size))
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


def test_a_request_that_comes_byte_by_byte_is_read_like_any_other(patient: Running) -> None:
    with patient.connect() as line:
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        for byte in b"POST /x HTTP/1.1\r\nHost: x\r\nContent-length: 3\r\nConnection: close\r\n\r\nabc":
            line.sendall(bytes([byte]))
        assert line.makefile("rb").read().endswith(b"POST 3 294")


def test_requests_sent_one_behind_the_other_are_all_answered(patient: Running) -> None:
    one = b"POST /x HTTP/1.1\r\nHost: x\r\nContent-Length: 3\r\n\r\nabc"
    last = b"GET /x HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"
    with patient.connect() as line:
        line.sendall(one + one + one[:-1])
        time.sleep(0.2)
        line.sendall(one[-1:] + last)
        answers = line.makefile("rb").read()
    assert answers.count(b"POST 3 294") == 3
    assert answers.count(b"GET 0 0") == 1


def test_who_asks_before_sending_the_body_is_told_to_go_on_once(patient: Running) -> None:
    with patient.connect() as line:
        line.sendall(HEAD.replace(b"Host", b"Connection: close\r\nExpect: 100-continue\r\nHost"))
        heard = line.recv(100)
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


def test_a_client_that_hangs_up_half_way_is_no_request(short: Running) -> None:
    with short.connect() as line:
        line.sendall(HEAD + b"{")
        line.shutdown(socket.SHUT_WR)
        assert line.recv(10) == b""


def test_who_does_not_hang_up_after_the_last_answer_stops_nobody(patient: Running) -> None:
    with ExitStack() as held:
        # A loop that stood still for two seconds after each of them would keep the last one waiting past its patience.
        lines = [held.enter_context(patient.connect()) for _ in range(20)]
        for line in lines:
            line.sendall(b"GET /x HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
        assert patient.answers()
        for line in lines:
            assert line.makefile("rb").read().endswith(b"GET 0 0")


def test_where_all_connections_are_taken_the_oldest_half_request_makes_room(patient: Running) -> None:
    with ExitStack() as held:
        lines = [held.enter_context(patient.connect()) for _ in range(40)]
        for line in lines:
            with suppress(ConnectionError):
                line.sendall(HEAD)
        assert patient.answers()


@pytest.mark.parametrize(
    "head",
    [b"GET\r\n\r\n", b"POST /x HTTP/1.1\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\nab"],
)
def test_what_is_no_request_is_refused_by_the_parser(patient: Running, head: bytes) -> None:
    with patient.connect() as line:
        line.sendall(head)
        assert line.recv(100).startswith(b"HTTP/1.1 400")


def test_a_head_without_end_is_refused(patient: Running) -> None:
    with patient.connect() as line:
        line.sendall(b"GET /x HTTP/1.1\r\n" + b"x" * 100_000)
        assert line.recv(100).startswith(b"HTTP/1.1 431")


def test_both_ways_to_serve_use_this_worker() -> None:
    assert Server("127.0.0.1:1").cfg.worker_class is WebWorker
    assert '"--worker-class", "company.web_worker.WebWorker"' in (ROOT / "Dockerfile").read_text()
