"""Requests a second of the slot map against a bare signed-in page: `python -m tests.benchmarks.web`.

    python -m tests.benchmarks.web                  one receiver of 64 slots, SQLite
    python -m tests.benchmarks.web --postgresql
    python -m tests.benchmarks.web --seconds 10     longer turns

A process of its own serves on the loopback with one thread of the product's web server; the bare page reads session and user
and says two letters. All pages take turns, five rounds, and each figure is the median of its ratios to the bare page of the
same round: absolute figures hang on what else the machine does. "Drawn anew" means: Django's cache is emptied before each
request, while the process is warm – modules, templates, icons, texts of queries and the frame that it once drew for this
person. Goals: .18 drawn anew, .6 from the kept copy, .8 answered "not changed".
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import os
import shutil
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import types
from typing import Any

ROUNDS = 5
GOALS = {"drawn anew": 0.18, "from the kept copy": 0.6, "not changed (304)": 0.8}
HOST = "127.0.0.1"


def application() -> Any:
    """The product with two addresses more, which exist only here: the bare page, and the map with its copies thrown away."""
    import django

    django.setup()
    from django.conf import settings
    from django.core.cache import cache
    from django.core.wsgi import get_wsgi_application
    from django.http import HttpResponse
    from django.urls import include, path

    from company.access import audience
    from devices.views.maps import slot_map

    @audience("office")
    def bare(request: Any) -> HttpResponse:
        return HttpResponse(b"ok" if request.user.is_office else b"no")

    @audience("office")
    def cold(request: Any, pk: int) -> HttpResponse:
        cache.clear()
        return slot_map(request, pk)

    addresses = types.ModuleType("benchmark_addresses")
    addresses.urlpatterns = [  # type: ignore[attr-defined]
        path("bare/", bare), path("cold/<int:pk>/", cold), path("", include("company.urls")),
    ]  # fmt: skip
    sys.modules["benchmark_addresses"] = addresses
    settings.ROOT_URLCONF = "benchmark_addresses"
    return get_wsgi_application()


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--postgresql", action="store_true")
    parser.add_argument("--seconds", type=float, default=2.0, help="length of a turn")
    options = parser.parse_args()
    with contextlib.ExitStack() as stack:
        folder = tempfile.mkdtemp(prefix="slotledger-web-")
        stack.callback(shutil.rmtree, folder, ignore_errors=True)
        os.environ |= {
            "SLOTLEDGER_TEST_DIR": folder,
            "REDIS_URL": "",
            "LOG_LEVEL": "ERROR",
            "BASE_URL": f"http://{HOST}",
        }
        os.environ["DATABASE_URL"] = f"sqlite:///{folder}/web.sqlite3"
        if options.postgresql:
            from tests.tools.services import services

            os.environ["DATABASE_URL"] = stack.enter_context(services("postgresql")).servers[0].url
        os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
        pk, cookie = fill()
        with socket.socket() as free:
            free.bind((HOST, 0))
            port = free.getsockname()[1]
        server = [
            sys.executable, "-m", "waitress", "--host", HOST, "--port", str(port), "--threads", "1", "--call",
            "tests.benchmarks.web:application",
        ]  # fmt: skip
        process = subprocess.Popen(server)
        stack.callback(process.wait)
        stack.callback(process.send_signal, signal.SIGTERM)
        measure(port, pk, cookie, options.seconds)


def fill() -> tuple[int, str]:
    """One receiver of 64 slots in use; its key, and the session of somebody from the office."""
    import django
    from django.core.management import call_command
    from django.db import connections

    django.setup()
    call_command("migrate", verbosity=0)
    from django.conf import settings
    from django.test import Client

    from devices.models import Fault
    from maintenance.actions.findings import refresh_findings
    from maintenance.models import FindingRecord
    from tests import factories
    from tests.house.growing import thing

    receiver = factories.make_receiver()
    for slot in range(1, 65):
        thing(receiver, slot)
    # Two faults stand, and two slots need a person; a receiver with one at every slot would be no day like any other.
    Fault.objects.exclude(registration__slot__in=(7, 40)).delete()
    refresh_findings(receivers=[receiver.pk])
    FindingRecord.objects.filter(slot__isnull=False).exclude(slot__in=(7, 40)).delete()
    client = Client()
    client.force_login(factories.make_manager(), backend="allauth.account.auth_backends.AuthenticationBackend")
    cookie = f"{settings.SESSION_COOKIE_NAME}={client.cookies[settings.SESSION_COOKIE_NAME].value}"
    connections.close_all()
    return receiver.pk, cookie


def ask(port: int, path: str, headers: dict[str, str]) -> tuple[int, str]:
    """One request on a connection of its own; status and ETag."""
    connection = http.client.HTTPConnection(HOST, port, timeout=20)
    connection.request("GET", path, headers=headers)
    answer = connection.getresponse()
    answer.read()
    connection.close()
    return answer.status, answer.headers.get("ETag", "")


def rate(port: int, path: str, headers: dict[str, str], seconds: float, status: int) -> float:
    """Requests a second over a turn."""
    n, begun = 0, time.perf_counter()
    while (spent := time.perf_counter() - begun) < seconds:
        found, etag = ask(port, path, headers)
        if status == 304 and found == 200:
            # The sentence about check-ins has grown old: a browser would go on with the new page's name.
            headers = headers | {"If-None-Match": etag}
        elif found != status:
            raise SystemExit(f"{path} answered {found}")
        n += 1
    return n / spent


def measure(port: int, pk: int, cookie: str, seconds: float) -> None:
    """Let the pages take turns and print the median ratios."""
    headers = {"Cookie": cookie}
    for _ in range(400):
        with contextlib.suppress(OSError):
            ask(port, "/bare/", headers)
            break
        time.sleep(0.2)
    url = f"/receivers/{pk}/"
    _, etag = ask(port, url, headers)
    pages = {
        "drawn anew": (f"/cold/{pk}/", headers, 200),
        "from the kept copy": (url, headers, 200),
        "not changed (304)": (url, headers | {"If-None-Match": etag}, 304),
    }
    rates: dict[str, list[float]] = {name: [] for name in pages}
    ratios: dict[str, list[float]] = {name: [] for name in pages}
    plain = []
    for _ in range(ROUNDS):
        plain.append(rate(port, "/bare/", headers, seconds, 200))
        for name, (path, sent, status) in pages.items():
            rates[name].append(rate(port, path, sent, seconds, status))
            ratios[name].append(rates[name][-1] / plain[-1])
    print(f"64 slots, median of {ROUNDS} turns of {seconds:g} s; load {os.getloadavg()[0]:.1f}")
    print(
        "drawn anew: cache emptied before each request, process warm (templates, icons, query texts, the person's frame)"
    )
    print(f"  {'bare signed-in page':22} {statistics.median(plain):7.0f} requests/s")
    for name, goal in GOALS.items():
        ratio = statistics.median(ratios[name])
        print(f"  {name:22} {statistics.median(rates[name]):7.0f} requests/s   {ratio:.2f} of bare, goal {goal:g}")


if __name__ == "__main__":
    main()
