"""A server with two threads and a clock that runs short, for tests: `python -m tests.company.slow_server PORT GRACE_S`.

What is posted comes back with its length; `/long` gives many bytes at once, `/file` as a file.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Iterable
from typing import Any
from wsgiref.util import FileWrapper

from gunicorn.app.base import BaseApplication

from company.paced_socket import Pace
from company.web_worker import WebWorker

LONG = 24_000_000


def application(environ: dict[str, Any], start: Callable[..., Any]) -> Iterable[bytes]:
    path = environ["PATH_INFO"]
    if path == "/long":
        start("200 OK", [("Content-Length", str(LONG))])
        return [b"x" * LONG]
    if path == "/file":
        file = tempfile.TemporaryFile()  # noqa: SIM115
        file.write(b"y" * LONG)
        file.seek(0)
        start("200 OK", [("Content-Length", str(LONG))])
        return environ.get("wsgi.file_wrapper", FileWrapper)(file)  # type: ignore[no-any-return]
    body = b"" if path == "/unread" else environ["wsgi.input"].read()
    answer = f"{environ['REQUEST_METHOD']} {len(body)} {sum(body)}".encode()
    start("200 OK", [("Content-Length", str(len(answer)))])
    return [answer]


class Short(BaseApplication):
    def load_config(self) -> None:
        pace = Pace(grace_s=float(sys.argv[2]), bytes_per_s=float(sys.argv[3]))
        for name, value in {
            "bind": f"127.0.0.1:{sys.argv[1]}", "workers": 1, "threads": 2, "loglevel": "warning", "graceful_timeout": 1,
            "worker_class": type("ShortWorker", (WebWorker,), {"pace": pace}), "worker_connections": 30, "keepalive": 30,
        }.items():  # fmt: skip
            self.cfg.set(name, value)

    def load(self) -> Any:
        return application


if __name__ == "__main__":
    Short().run()
