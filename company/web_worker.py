"""gunicorn's worker with threads, but a thread only works on a request that has come in whole.

A client that sends half a request, a byte a second, or nothing, waits in the event loop and takes no thread from anybody; it
has its time (`Pace`), then its connection is closed. What of a request goes beyond `KEPT_MOST`, and answers, go through a
thread, at no less than that pace. A connection that ends does so in the event loop as well: gunicorn stops its loop for up to two seconds
until the client has hung up too.
"""

from __future__ import annotations

import selectors
import socket
import time
from functools import partial
from typing import Any

from gunicorn.workers.gthread import TConn, ThreadWorker

from company.paced_socket import STEP, Gathered, Pace, PacedSocket, Store

LINGER_S = 2.0
"""So long a client has after its last answer to hang up; closed at once, it might lose the end of that answer."""


class WebWorker(ThreadWorker):
    """Worker for `manage.py serve` and `gunicorn --worker-class company.web_worker.WebWorker`."""

    pace = Pace()

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.store = Store()
        self.gathering: dict[TConn, bool] = {}
        """Connections whose request is coming in, the oldest first; True once the poller watches them."""
        self.lingering: dict[TConn, float] = {}
        """Connections that have had their last answer, with the moment at which they are closed at the latest."""

    def accept(self, listener: Any) -> None:
        """Where all connections are taken, whoever has kept a half request for longest makes room."""
        if self.gathering and self.nr_conns >= self.worker_connections - 1:
            self._drop(next(iter(self.gathering)), "made room for others")
        super().accept(listener)

    def enqueue_req(self, conn: TConn) -> None:
        """A request begins (a new connection, or the next one on a kept one): gather it, then give it a thread."""
        if self.cfg.is_ssl:
            super().enqueue_req(conn)
            return
        if not isinstance(conn.sock, PacedSocket):
            conn.sock = PacedSocket(conn.sock, self.pace, self.store)
        conn.sock.setblocking(False)
        self.gathering[conn] = False
        try:
            conn.sock.begin(conn.parser.unreader.take_buffered() if conn.parser else b"")
        except OSError as error:
            self._drop(conn, f"could not be kept ({error.strerror})")
            return
        self._go_on(conn, conn.sock)

    def finish_request(self, conn: TConn, fs: Any) -> None:
        """What came behind the request that is answered now is the beginning of the next one, or the connection ends."""
        if isinstance(conn.sock, PacedSocket):
            if fs.cancelled() or fs.exception() is not None or not fs.result():
                self._end(conn)
                return
            if rest := conn.sock.rest():
                unreader = conn.parser.unreader
                unreader.unread(unreader.take_buffered() + rest)
        super().finish_request(conn, fs)

    def handle(self, conn: TConn) -> Any:
        """Say in one line whose connection was given up."""
        result = super().handle(conn)
        if isinstance(conn.sock, PacedSocket) and conn.sock.was_late:
            self._say(conn, "took too long over its request or its answer")
            return False
        return result

    def murder_pending(self) -> None:
        """Close what has had its time; while the server stops, also what has not begun."""
        super().murder_pending()
        for conn in list(self.gathering):
            if not conn.sock.reading.n_bytes and (not self.alive or conn.sock.is_overdue()):
                # Browsers open connections beforehand: nothing to tell.
                self._drop(conn)
            elif conn.sock.is_overdue():
                self._drop(conn, "took too long over its request")
        while self.lingering and next(iter(self.lingering.values())) <= time.monotonic():
            self._close(next(iter(self.lingering)))

    def _go_on(self, conn: TConn, client: Any) -> None:
        """More may have come. Never raises: the event loop is the whole server's."""
        try:
            state = conn.sock.gather()
        except ConnectionError:
            state = Gathered.GONE
        except OSError as error:
            self._drop(conn, f"could not be kept ({error.strerror})")
            return
        if state is Gathered.GONE:
            self._drop(conn)
        elif state is Gathered.TOO_LONG:
            self._forget(conn)
            conn.sock.refuse()
            self._end(conn)
        elif state is Gathered.WHOLE:
            self._forget(conn)
            conn.sock.hand_over()
            conn.data_ready = True
            super().enqueue_req(conn)
        elif not self.gathering[conn]:
            self.poller.register(conn.sock, selectors.EVENT_READ, partial(self._go_on, conn))
            self.gathering[conn] = True

    def _forget(self, conn: TConn) -> None:
        if self.gathering.pop(conn):
            self.poller.unregister(conn.sock)

    def _drop(self, conn: TConn, why: str = "") -> None:
        self._forget(conn)
        self.nr_conns -= 1
        if why:
            self._say(conn, why)
        conn.close()

    def _end(self, conn: TConn) -> None:
        """Say that nothing follows, and close once the client has done the same."""
        try:
            if not conn.sock.was_late:
                conn.sock.shutdown(socket.SHUT_WR)
                conn.sock.setblocking(False)
                self.poller.register(conn.sock, selectors.EVENT_READ, partial(self._drain, conn))
                self.lingering[conn] = time.monotonic() + LINGER_S
                return
        except (OSError, ValueError):
            pass  # It is closed already.
        self.nr_conns -= 1
        conn.close()

    def _drain(self, conn: TConn, client: Any) -> None:
        """Take what still comes and throw it away."""
        try:
            is_over = not socket.socket.recv(client, STEP)
        except (BlockingIOError, InterruptedError):
            return
        except OSError:
            is_over = True
        if is_over:
            self._close(conn)

    def _close(self, conn: TConn) -> None:
        del self.lingering[conn]
        self.poller.unregister(conn.sock)
        self.nr_conns -= 1
        conn.close()

    def _say(self, conn: TConn, why: str) -> None:
        peer = conn.client[0] if isinstance(conn.client, tuple) else "a local client"
        self.log.warning("Connection of %s closed: it %s.", peer, why)
