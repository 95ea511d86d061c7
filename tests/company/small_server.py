"""The web server with two threads and a small application, for tests: `python -m tests.company.small_server PORT QUIET_S [proxy]`.

What is posted comes back with its length; `/long` gives many bytes at once, `/file` as a file, `/heard` what it was told of the
client, and `/hold` says so on standard output and answers once it gets a line on standard input.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Iterable
from typing import Any

from company.web_server import listen, run

LONG = 24_000_000
TOLD = (
    "wsgi.url_scheme",
    "HTTP_X_FORWARDED_PROTO",
    "HTTP_X_FORWARDED_FOR",
    "HTTP_X_FORWARDED_HOST",
    "HTTP_FORWARDED",
    "REMOTE_ADDR",
)


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
        return environ["wsgi.file_wrapper"](file)  # type: ignore[no-any-return]
    if path == "/hold":
        print("held", flush=True)
        sys.stdin.readline()
    body = b"" if path == "/unread" else environ["wsgi.input"].read()
    answer = f"{environ['REQUEST_METHOD']} {len(body)} {sum(body)}".encode()
    if path == "/heard":
        answer = " ".join(str(environ.get(name, "-")) for name in TOLD).encode()
    start("200 OK", [("Content-Length", str(len(answer)))])
    return [answer]


if __name__ == "__main__":
    run(
        application, listen("127.0.0.1", int(sys.argv[1])), behind_proxy="proxy" in sys.argv, threads=2, quiet_s=int(sys.argv[2])
    )  # fmt: skip
