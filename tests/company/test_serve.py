"""`manage.py serve` binds, prepares and begins what it must, says where it is, and stops its jobs when it ends."""

from __future__ import annotations

import io
import socket
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from company import web_server
from company.management.commands import serve
from tests.tools.servers import free_port

ROOT = Path(__file__).parents[2]


class Jobs:
    """Stands for the worker: tests have no background of their own."""

    story: list[str] = []

    def __init__(self, **work: Any) -> None:
        self.work = work

    def start(self) -> None:
        self.story.append("jobs start")

    def stop(self, timeout_s: float) -> None:
        self.story.append("jobs stop")


@pytest.fixture(autouse=True)
def story(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    told: list[str] = []

    def run(application: Any, listener: socket.socket, *, behind_proxy: bool) -> None:
        told.append(f"served{' behind a proxy' * behind_proxy}")
        listener.close()

    monkeypatch.setattr(Jobs, "story", told)
    monkeypatch.setattr(serve, "Worker", Jobs)
    monkeypatch.setattr(web_server, "run", run)
    monkeypatch.setattr(serve, "call_command", lambda name, **options: told.append(name))
    # What this process holds open belongs to the test.
    monkeypatch.setattr(serve.connections, "close_all", lambda: None)
    monkeypatch.setattr(serve, "get_internal_wsgi_application", lambda: None)
    # Where no address is given it would write its own into the settings of the whole test run.
    monkeypatch.setenv("BASE_URL", "http://here.example")
    return told


def served(**options: Any) -> str:
    out = io.StringIO()
    call_command("serve", port=free_port(), stdout=out, skip_checks=True, **options)
    return out.getvalue()


def test_it_migrates_begins_the_jobs_serves_and_stops_them(settings: Any, story: list[str]) -> None:
    settings.REDIS_URL, settings.WHITENOISE_USE_FINDERS = "", True
    served()
    assert story == ["migrate", "jobs start", "served", "jobs stop"]


def test_static_files_are_collected_where_none_are_found_in_the_apps(settings: Any, story: list[str]) -> None:
    settings.REDIS_URL, settings.WHITENOISE_USE_FINDERS = "", False
    served()
    assert story[:2] == ["migrate", "collectstatic"]


def test_what_is_prepared_is_left_alone_and_with_redis_jobs_run_elsewhere(settings: Any, story: list[str]) -> None:
    settings.REDIS_URL = "redis://127.0.0.1:1/0"
    served(prepared=True)
    assert story == ["served"]


def test_a_proxy_is_believed_where_the_settings_say_that_there_is_one(settings: Any, story: list[str]) -> None:
    settings.REDIS_URL = "redis://127.0.0.1:1/0"
    settings.SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    served(prepared=True)
    assert story == ["served behind a proxy"]


def test_jobs_are_stopped_however_it_ends(settings: Any, story: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*args: Any, **options: Any) -> None:
        raise SystemExit

    settings.REDIS_URL = ""
    monkeypatch.setattr(web_server, "run", broken)
    with pytest.raises(SystemExit):
        served(prepared=True)
    assert story == ["jobs start", "jobs stop"]


def test_an_address_that_is_taken_is_said_in_a_sentence_before_any_job_begins(settings: Any, story: list[str]) -> None:
    settings.REDIS_URL = ""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(CommandError) as refusal:
            call_command("serve", port=port, prepared=True, skip_checks=True)
    words = f"Cannot listen on 127.0.0.1:{port} (Address already in use). Choose another with --port."
    assert str(refusal.value) == words
    assert story == []


@pytest.mark.parametrize(("host", "shown"), [("127.0.0.1", "127.0.0.1"), ("::1", "[::1]")])
def test_it_says_where_it_is_and_codes_lead_there(
    settings: Any, monkeypatch: pytest.MonkeyPatch, host: str, shown: str
) -> None:
    if ":" in host and not socket.has_ipv6:
        pytest.skip("This machine has no IPv6.")
    settings.REDIS_URL, settings.BASE_URL = "", "http://nowhere.example"
    monkeypatch.delenv("BASE_URL")
    monkeypatch.delenv("BASE_URL_FILE", raising=False)
    said = served(host=host, prepared=True)
    assert f"Serving on {settings.BASE_URL}/" in said
    assert settings.BASE_URL.startswith(f"http://{shown}:")


def test_the_container_serves_in_the_same_way() -> None:
    assert (
        'CMD ["python", "manage.py", "serve", "--prepared", "--host", "0.0.0.0"]' in (ROOT / "Dockerfile").read_text()
    )
