"""The web server: waitress, which gathers a request whole before one of its threads gets it.

A client that sends half a request, or takes its answer slowly, holds a connection and no thread. What is gathered, and answers
that wait to be taken, lie in memory up to a size and above it in nameless files of the system's temporary folder (`TMPDIR`).
"""

from __future__ import annotations

import signal
import socket
import time
from collections.abc import Callable
from typing import Any

from waitress import wasyncore
from waitress.server import create_server

from company.spreadsheet_safety import MAX_BYTES

THREADS = 8
"""Own choice: most of a request waits for the database, and a process has one core whatever their number."""
CONNECTIONS = 400
"""Each may take two of the 1024 files that a process usually may have open."""
HEAD_MOST = 64 * 1024
"""Bytes of request line and headers together. Own choice: no client of ours has a tenth of it."""
BODY_MOST = 2 * MAX_BYTES
"""Bytes. Own choice: twice the largest upload, so that it is the page that tells a person of a file that is too big."""
IN_MEMORY = 256 * 1024
"""Bytes of a request's body."""
QUIET_S = 30
"""So long a connection may be still: between two requests, within one, or while its answer is not taken. Own choice."""
LAST_ANSWERS_S = 4.0
"""What is left of an answer has this time to leave once no thread works any more. Own choice."""


def listen(host: str, port: int) -> socket.socket:
    """A socket that clients can connect to.

    Raises
    ------
    OSError
        If the address is taken, is none of this machine's, or there is no such name.
    """
    listener = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen()
    except OSError:
        listener.close()
        raise
    return listener


def _only_told(application: Callable[..., Any]) -> Callable[..., Any]:
    """Leave out the body of an answer to HEAD: Django leaves that to the server and waitress to the application.

    On a connection that is kept, a client would take it for the beginning of the next answer, perhaps somebody else's.
    """

    def answer(environ: dict[str, Any], start: Callable[..., Any]) -> Any:
        body = application(environ, start)
        if environ["REQUEST_METHOD"] != "HEAD":
            return body
        if hasattr(body, "close"):
            body.close()
        return []

    return answer


def run(
    application: Callable[..., Any],
    listener: socket.socket,
    *,
    behind_proxy: bool,
    threads: int = THREADS,
    quiet_s: int = QUIET_S,
) -> None:
    """Serve until SIGTERM or Ctrl+C; requests in work then have five seconds (waitress's own), a second signal ends it at once.

    Parameters
    ----------
    behind_proxy : bool
        Whether a proxy, and nobody else, reaches this server: then its X-Forwarded-Proto is believed. All other headers by
        which a proxy speaks of a client are taken out, and this one too where there is no proxy.
    threads : int
        Requests in work at the same time.
    quiet_s : int
        See `QUIET_S` [s].
    """
    if hasattr(socket, "TCP_USER_TIMEOUT"):
        # Connections inherit it. waitress cannot close one whose client takes nothing: it waits for room to write.
        listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, quiet_s * 1000)
    trust: dict[str, Any] = (
        {"trusted_proxy": "*", "trusted_proxy_headers": {"x-forwarded-proto"}} if behind_proxy else {}
    )
    channels: dict[int, Any] = {}
    server = create_server(
        _only_told(application), map=channels, sockets=[listener], threads=threads, ident=None, server_name=listener.getsockname()[0],
        connection_limit=CONNECTIONS, asyncore_use_poll=True, max_request_header_size=HEAD_MOST,
        max_request_body_size=BODY_MOST, inbuf_overflow=IN_MEMORY, channel_timeout=quiet_s,
        cleanup_interval=max(1, quiet_s // 6), clear_untrusted_proxy_headers=True, **trust,
    )  # fmt: skip
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, _leave)
    server.run()
    server.accepting = False
    ends_at = time.monotonic() + LAST_ANSWERS_S
    while time.monotonic() < ends_at and any(channel.writable() for channel in channels.values()):
        wasyncore.loop(timeout=0.1, use_poll=True, map=channels, count=1)


def _leave(number: int, frame: object) -> None:
    """Leave the loop; who asks twice means at once."""
    signal.signal(number, signal.SIG_DFL)
    raise SystemExit
