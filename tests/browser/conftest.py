"""Browser tests: a real Chromium against the real server, with real background work beside it.

Without REDIS_URL one worker thread does the jobs (as the embedded set-up does); with it, a real Celery worker
process on the test database, so that the same walk proves both set-ups.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

# The browser driver keeps an event loop running in this thread, where Django would refuse database work.
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"

import pytest
from django.conf import settings
from django.db import connection
from playwright.sync_api import Browser, BrowserContext, Page

from tests.factories import PASSWORD

CHROMIUM_FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


LONG = ("every_page", "manager"), ("test_live", ""), ("every_page", "technician"), ("every_page", "portal")
"""What names the tests that take a minute or more, the longest first."""


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Let every worker begin with some of the longest tests: one that begins last is waited for by all the others.

    Items are put so that each gets its own where `--dist worksteal` cuts them; alone or among other tests nothing moves.
    """
    n, here = int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1")), Path(__file__).parent
    if n < 2 or any(here not in item.path.parents for item in items):
        return
    ranks = {
        id(item): next((n for n, words in enumerate(LONG) if all(w in item.nodeid for w in words)), None)
        for item in items
    }
    long = sorted((item for item in items if ranks[id(item)] is not None), key=lambda item: ranks[id(item)] or 0)
    rest = iter([item for item in items if ranks[id(item)] is None])
    ordered: list[pytest.Item] = []
    for worker in range(n):
        size = (len(items) - len(ordered)) // (n - worker)
        own = long[worker::n]
        ordered += own
        ordered += islice(rest, max(size - len(own), 0))
    items[:] = [*ordered, *rest]


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    """The system's Chromium; the driver brings no browser of its own."""
    path = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    assert path, "Chromium is missing: run .ci/install test"
    return browser_type_launch_args | {"executable_path": path, "args": CHROMIUM_FLAGS}


@pytest.fixture(autouse=True)
def worker(transactional_db: Any, tmp_path: Path) -> Iterator[None]:
    """Background work for the test's database."""
    if settings.REDIS_URL:
        yield from celery_worker(tmp_path)
        return
    from company.worker import Worker

    thread = Worker()
    thread.start()
    yield
    thread.stop()


def celery_worker(tmp_path: Path) -> Iterator[None]:
    """A real worker and a real beat on the test database."""
    found = connection.settings_dict
    environment = os.environ | {
        "DATABASE_URL": (
            f"postgresql://{found['USER']}:{found['PASSWORD']}@{found['HOST'] or '127.0.0.1'}:{found['PORT'] or 5432}"
            f"/{found['NAME']}"
        ),
        "DJANGO_SETTINGS_MODULE": "company.settings",
        "BASE_URL": settings.BASE_URL,
        "DATA_DIR": str(settings.DATA_DIR),
        "SWEEP_EVERY_S": "5",
    }
    celery = [sys.executable, "-m", "celery", "-A", "company"]
    log = (tmp_path / "worker.log").open("w+")
    processes = [
        subprocess.Popen([*celery, *words], env=environment, stdout=log, stderr=subprocess.STDOUT)
        for words in (
            ["worker", "--concurrency", "1", "--loglevel", "INFO"],
            ["beat", "--schedule", str(tmp_path / "beat"), "--pidfile="],
        )
    ]
    try:
        wait_until(lambda: "ready." in Path(log.name).read_text(), 60, lambda: Path(log.name).read_text())
        yield
    finally:
        for process in processes:
            process.terminate()
        for process in processes:
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
        log.close()


def wait_until(holds: Any, seconds: float, say: Any = lambda: "") -> None:
    """Wait for something that happens in another process."""
    ends = time.monotonic() + seconds
    while not holds():
        if time.monotonic() > ends:
            raise AssertionError(f"Waited {seconds} s in vain. {say()}")
        time.sleep(0.1)


DESKTOP = {"viewport": {"width": 1440, "height": 900}}
PHONE = {
    "viewport": {"width": 390, "height": 844},
    "device_scale_factor": 2,
    "is_mobile": True,
    "has_touch": True,
}


class Visitor:
    """One person in a browser of their own, watched for what must never happen."""

    def __init__(self, context: BrowserContext, base: str) -> None:
        self.context = context
        self.base = base
        self.page: Page = context.new_page()
        self.troubles: list[str] = []
        self.page.on("console", self._hear)
        self.page.on("pageerror", lambda error: self.troubles.append(f"uncaught: {error}"))

    def _hear(self, message: Any) -> None:
        if message.type == "error" and "status of 4" not in message.text:
            self.troubles.append(message.text)

    def go(self, path: str) -> Page:
        """Open a path."""
        self.page.goto(self.base + path)
        return self.page

    def sign_in(self, email: str) -> Page:
        """Sign in through the page."""
        self.go("/accounts/login/")
        self.page.get_by_label("E-mail", exact=False).first.fill(email)
        self.page.locator("input[type=password]").fill(PASSWORD)
        self.page.locator("main button[type=submit]").first.click()
        self.page.wait_for_url(lambda url: "/accounts/login" not in url)
        return self.page


@pytest.fixture
def visitor(browser: Browser, live_server: Any) -> Iterator[Any]:
    """`visitor("office@…", phone=False)`: a signed-in person; at the end none may have seen a script or policy error."""
    people: list[Visitor] = []

    def enter(email: str | None = None, *, phone: bool = False, **options: Any) -> Visitor:
        context = browser.new_context(**((PHONE if phone else DESKTOP) | {"accept_downloads": True} | options))
        context.set_default_timeout(15000)
        person = Visitor(context, live_server.url)
        people.append(person)
        if email:
            person.sign_in(email)
        return person

    yield enter
    troubles = [trouble for person in people for trouble in person.troubles]
    for person in people:
        person.context.close()
    assert not troubles, troubles
