"""A4: the whole intake address over HTTP against the bare upsert on one connection, in turns of one run.

    python -m tests.benchmarks.intake_http                  20,000 transmitters, 60 days, PostgreSQL

Two processes serve on the loopback, each on a port of its own, and each site goes to either in turn. Four senders post batches
of 100 check-ins of one site, every fourth with a serial that nobody knows. Token, limits, digest, reading, ledger, merge,
totals, watermark and what is set aside are all in it. The other side upserts rows made ready, one transaction a batch, at
sites of its own; PostgreSQL waits for the disk at every commit. Each ratio is of one round; the median counts. Goal: .5.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import socket
import statistics
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

from company.web_server import THREADS
from tests.benchmarks.intake import A_BATCH, ROUNDS, Bench, say
from tests.benchmarks.intake_tables import fill_days, token_of
from tests.benchmarks.nightly import database
from tests.tools.servers import free_port

HOST, WORKERS, SENDERS = "127.0.0.1", 2, 4
WAIT_S = 40.0
GOAL = 0.5


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--transmitters", type=int, default=20_000)
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--batches", type=int, default=150, help="batches a side and round")
    parser.add_argument("--unknown-every", type=int, default=4, help="batches from one unknown serial to the next")
    options = parser.parse_args()
    with database(sqlite=False), contextlib.ExitStack() as stack:
        run(options, [stack.enter_context(serving()) for _ in range(WORKERS)])


@contextlib.contextmanager
def serving() -> Iterator[int]:
    """A process of the product on a free port, with the web server that the product has."""
    port = free_port()
    command = [
        sys.executable, "-m", "waitress", "--host", HOST, "--port", str(port), "--threads", str(THREADS),
        "company.wsgi:application",
    ]  # fmt: skip
    process = subprocess.Popen(command)
    try:
        ends_at = time.monotonic() + WAIT_S
        while time.monotonic() < ends_at:
            with contextlib.suppress(OSError):
                ask(port, "GET", "/api/v1/openapi.json", b"", "")
                break
            time.sleep(0.2)
        yield port
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait()


def ask(port: int, method: str, path: str, body: bytes, token: str) -> int:
    """One request on a connection of its own, as a gateway makes it; gives the status.

    By hand: a library's reading of heads would take its share of the two cores that the product is measured on.
    """
    head = f"{method} {path} HTTP/1.1\r\nHost: {HOST}\r\nConnection: close\r\nContent-Length: {len(body)}\r\n"
    if token:
        head += f"Authorization: Bearer {token}\r\nContent-Type: application/json\r\n"
    with socket.create_connection((HOST, port), timeout=60) as link:
        link.sendall(head.encode() + b"\r\n" + body)
        answer = b""
        while part := link.recv(65536):
            answer += part
    return int(answer.split(b" ", 2)[1])


def run(options: argparse.Namespace, ports: list[int]) -> None:
    """Fill, then let both sides take turns."""
    from company.actions import ensure_policies
    from devices.models import IntakeSource, SetAside
    from tests.benchmarks.nightly_fill import Fleet, fill

    # The events are of the first hours of this day: shortly after midnight they would lie ahead.
    now = datetime.now(UTC).replace(microsecond=0)
    now = now if now.hour >= 6 else now - timedelta(days=1)
    ensure_policies()
    fill(Fleet(options.transmitters, 100, 0, now.date()))
    fill_days(options.transmitters, options.days, now)
    bench = Bench(options, now)
    IntakeSource.objects.update(per_minute=1_000_000)
    say(f"filled with {options.transmitters:,} transmitters and {options.days} days; load {os.getloadavg()[0]:.1f}")
    statuses: Counter[int] = Counter()

    def over_http(n_batches: int) -> float:
        """Device-days a second."""
        posts = []
        for _ in range(n_batches):
            bench.turn += 1
            # Were it always the same one that hears of a site, each would know its own better than it would in life.
            port = ports[(bench.turn + bench.turn // len(bench.own)) % len(ports)]
            posts.append((port, bench.body(bench.turn), token_of(bench.group(bench.turn)[1][0][2])))
        with ThreadPoolExecutor(SENDERS) as senders:
            begun = time.perf_counter()
            statuses.update(senders.map(lambda one: ask(one[0], "POST", "/api/v1/checkins", *one[1:]), posts))
            return A_BATCH * n_batches / (time.perf_counter() - begun)

    def bare(n_batches: int) -> float:
        spent = 0.0
        for _ in range(n_batches):
            bench.turn += 1
            spent += bench.bare(bench.turn)
        return A_BATCH * n_batches / spent

    # Each has sites of its own.
    bench.shares = 2
    # Both processes serve for days: each has heard of nearly every site before.
    for bench.share, (side, laps) in enumerate(((over_http, 2 * WORKERS), (bare, 1))):
        side(laps * len(bench.own))
    ratios = []
    for _ in range(ROUNDS):
        bench.share = 0
        rate = over_http(options.batches)
        bench.share = 1
        rates = rate, bare(options.batches)
        ratios.append(rates[0] / rates[1])
        say(
            f"over HTTP {rates[0]:,.0f}/s  bare {rates[1]:,.0f}/s  ratio {ratios[-1]:.2f}  load {os.getloadavg()[0]:.1f}"
        )
    n_posted = sum(statuses.values()) // options.unknown_every
    say(f"answers {dict(statuses)}; {SetAside.objects.count()} of about {n_posted} unknown serials set aside")
    ratios.sort()
    say(f"A4: {statistics.median(ratios):.2f} ({ratios[0]:.2f} to {ratios[-1]:.2f}) times bare, wanted at least {GOAL}")
    if set(statuses) != {200}:
        sys.exit("Not every batch was taken: the figures mean nothing.")


if __name__ == "__main__":
    main()
