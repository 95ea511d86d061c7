"""Loading and serving the demo firm from an empty database: the same again for the same wish, never among real records."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import transaction

from company.models import Customer, User
from maintenance.management.demo.load import Wish, load_firm
from tests import factories
from tests.maintenance.test_demo import TODAY, digest


@pytest.mark.django_db
def test_the_same_wish_gives_the_same_records() -> None:
    seen = []
    for seed in (25, 25, 26):
        with transaction.atomic():
            load_firm(Wish(seed=seed, today=TODAY, n_transmitters=150, n_reports=0))
            seen.append(digest())
            transaction.set_rollback(True)
    assert seen[0] == seen[1]
    assert seen[0] != seen[2]


@pytest.mark.django_db
def test_real_records_are_left_alone() -> None:
    factories.make_customer(name="A real customer")
    with pytest.raises(CommandError, match="another firm"):
        call_command("demo", "--no-serve", "--scale", "0.1", "--today", "2026-11-25")
    assert Customer.objects.count() == 1
    assert not User.objects.exists()


@pytest.mark.django_db
def test_known_passwords_never_come_into_an_installation_that_is_no_demo(settings: Any) -> None:
    settings.DEMO = False
    with pytest.raises(CommandError, match="DEMO is switched off"):
        call_command("demo", "--no-serve", "--scale", "0.1")
    assert not User.objects.exists()


@pytest.mark.django_db
def test_the_command_says_what_is_wrong_with_a_scale() -> None:
    with pytest.raises(CommandError, match="between 150 and 100,000"):
        call_command("demo", "--no-serve", "--scale", "0.001")


@pytest.mark.slow
def test_demo_serves_pages_and_static_files_and_ends_on_ctrl_c(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    keep = {"PATH", "HOME", "VIRTUAL_ENV", "PYTHONPATH", "LANG"}
    environment = {key: value for key, value in os.environ.items() if key in keep} | {"DATA_DIR": str(tmp_path)}
    command = [sys.executable, "manage.py", "demo", "--scale", "0.1", "--today", "2026-11-25", "--port", str(port)]
    with (tmp_path / "log").open("w") as log:
        served = subprocess.Popen(
            command, cwd=Path(__file__).parents[2], env=environment, stdout=log, stderr=log, start_new_session=True
        )
        try:
            page = fetch(f"http://127.0.0.1:{port}/accounts/login/", served)
            assert 'name="password"' in page
            assert "--" in fetch(f"http://127.0.0.1:{port}/static/company/css/tokens.css", served)
            os.killpg(served.pid, signal.SIGINT)
            assert served.wait(timeout=20) == 0
        finally:
            if served.poll() is None:
                os.killpg(served.pid, signal.SIGKILL)
    assert "Traceback" not in (tmp_path / "log").read_text()


def fetch(address: str, served: subprocess.Popen[bytes]) -> str:
    """Text of a page, waiting for the server to come up."""
    deadline = time.monotonic() + 120
    while True:
        assert served.poll() is None, "the server ended before it served"
        try:
            with urllib.request.urlopen(address, timeout=10) as answer:
                return str(answer.read().decode())
        except OSError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.3)
