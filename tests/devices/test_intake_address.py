"""The intake address: every answer there is, and that nothing else comes out of it."""

from __future__ import annotations

import json
import threading
from datetime import timedelta
from typing import Any
from unittest import mock

import pytest
import time_machine
from django.core.cache import cache
from django.db import OperationalError, connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from devices.actions import sources
from devices.models import CheckInDay, IntakeBatch, IntakeSource
from devices.rules.intake_rows import MOST_BYTES
from tests import factories
from tests.conftest import World
from tests.devices.senders import ADDRESS, Sender, problem_of, row

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def sender(world: World) -> Sender:
    return Sender(world.own, site=world.own_site)


def test_a_batch_is_taken_and_told_what_became_of_each_row(world: World, sender: Sender) -> None:
    known = world.own_registration.transmitter.serial
    answer = sender.post(rows=[row(known, margin_db=14.5), row("NOBODY-1"), row(known, kind="?")])
    assert answer.status_code == 200
    told = answer.json()
    assert (told["batch"], told["repeated"], told["rows"], told["taken"]) == ("b-1", False, 3, 1)
    assert [(one["row"], one["field"]) for one in told["refused"]] == [(3, "kind")]
    assert [(one["row"], one["serial"]) for one in told["set_aside"]] == [(2, "NOBODY-1")]
    assert CheckInDay.objects.get(transmitter_id=world.own_registration.transmitter_id).heard == 1


def test_a_batch_sent_again_is_answered_the_same_and_counted_once(world: World, sender: Sender) -> None:
    rows = [row(world.own_registration.transmitter.serial, kind="activation")]
    first, second = sender.post(rows=rows).json(), sender.post(rows=rows).json()
    assert (first.pop("repeated"), second.pop("repeated")) == (False, True)
    assert first == second
    assert CheckInDay.objects.get().activations == 1
    assert IntakeBatch.objects.get().n_repeats == 1


def test_another_content_under_a_used_id_is_refused_and_shown(world: World, sender: Sender) -> None:
    sender.post(rows=[row()])
    told = problem_of(sender.post(rows=[row("NOBODY-2")]), 409)
    assert "new id" in told["detail"]
    batch = IntakeBatch.objects.get()
    assert (batch.n_conflicts, batch.n_rows) == (1, 1)


def test_two_sources_may_use_the_same_id(world: World, sender: Sender) -> None:
    assert sender.post().status_code == Sender(world.own, site=world.own_site).post().status_code == 200


@pytest.mark.parametrize(
    "body", [b" ", b"{", b"[1,", b"\xff\xfe", b"{'a': 1}", b"[" * 100_000, b'{"batch": ' + b"1" * 5000 + b"}"]
)
def test_what_is_no_json_is_400(sender: Sender, body: bytes) -> None:
    problem_of(sender.send(body), 400)


def test_an_empty_body_is_400(sender: Sender) -> None:
    problem_of(sender.send(b"", CONTENT_TYPE="application/json"), 400)


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Authorization": ""},
        {"Authorization": "Bearer"},
        {"Authorization": "Bearer " + "x" * 48},
        {"Authorization": "Bearer slin_" + "x" * 43},
        {"Authorization": "Bearer slin_" + "é" * 43},
        {"Authorization": "Basic YTpi"},
        {"Authorization": "Bearer " + "slin_" * 2000},
    ],
)
def test_without_a_known_token_it_is_401_with_the_challenge(sender: Sender, headers: dict[str, str]) -> None:
    answer = sender.send(b"{}", headers=headers)
    problem_of(answer, 401)
    assert answer.headers["WWW-Authenticate"].startswith("Bearer")


def test_a_token_that_has_ended_is_401_at_once(world: World, sender: Sender) -> None:
    assert sender.post().status_code == 200
    sources.revoke_token(source=sender.source, by=world.manager, at=factories.NOW, reason="lost")
    problem_of(sender.post("b-2"), 401)


def test_a_former_token_goes_on_until_its_hours_have_run_out(world: World, sender: Sender) -> None:
    former = sender.token
    sender.token = sources.make_token(source=sender.source, hours=2, by=world.manager, at=factories.NOW)
    assert sender.post("b-1").status_code == 200
    sender.token = former
    assert sender.post("b-2").status_code == 200
    with time_machine.travel(factories.NOW + timedelta(hours=2, seconds=1), tick=False):
        problem_of(sender.post("b-3"), 401)


def test_a_retired_source_and_one_of_a_closed_customer_are_403(world: World, sender: Sender) -> None:
    change = sources.retire_source(source=sender.source, by=world.office, at=factories.NOW, reason="gone")
    problem_of(sender.post(), 403)
    sources.undo_turn(change, by=world.office, at=factories.NOW)
    assert sender.post().status_code == 200
    world.own.closed_at = factories.NOW
    world.own.save()
    problem_of(sender.post("b-2"), 403)


@pytest.mark.parametrize(
    ("method", "path", "allowed"),
    [
        ("get", "checkins", "POST"),
        ("put", "checkins", "POST"),
        ("post", "source", "GET"),
        ("delete", "batches/b-1", "GET"),
    ],
)
def test_another_method_is_405_and_told_which_one_is_taken(
    sender: Sender, method: str, path: str, allowed: str
) -> None:
    answer = getattr(sender.client, method)(f"/api/v1/{path}", headers=sender.headers)
    problem_of(answer, 405)
    assert answer.headers["Allow"] == allowed


def test_another_address_beside_it_is_404_in_the_same_shape(sender: Sender) -> None:
    problem_of(sender.client.get("/api/v1/nothing"), 404)
    problem_of(sender.client.post("/api/v1/checkins/"), 404)


@pytest.mark.parametrize(
    "over",
    [
        {"content_type": "text/plain"},
        {"content_type": "multipart/form-data; boundary=x"},
        {"HTTP_CONTENT_ENCODING": "gzip"},
    ],
)
def test_another_type_or_a_packed_body_is_415(sender: Sender, over: dict[str, Any]) -> None:
    problem_of(sender.send(b"{}", **over), 415)


def test_a_type_with_a_charset_is_json_all_the_same(sender: Sender) -> None:
    body = json.dumps({"batch": "b-1", "rows": [row()]})
    assert sender.send(body, content_type="application/json; charset=utf-8").status_code == 200


@pytest.mark.parametrize("length", [str(MOST_BYTES + 1), "9" * 13, "9" * 5000])
def test_too_big_a_body_is_413_before_it_is_read(sender: Sender, length: str) -> None:
    problem_of(sender.send(b"{}", CONTENT_LENGTH=length), 413)


def test_a_nonsense_length_is_400(sender: Sender) -> None:
    problem_of(sender.send(b"{}", CONTENT_LENGTH="²"), 400)


def test_more_batches_than_agreed_are_429_until_the_next_minute(world: World) -> None:
    sender = Sender(world.own, site=world.own_site, per_minute=2)
    for n in (1, 2):
        assert sender.post(f"b-{n}").status_code == 200
    answer = sender.post("b-3")
    problem_of(answer, 429)
    wait_s = int(answer.headers["Retry-After"])
    assert 1 <= wait_s <= 60
    assert sender.ask("batches/b-1").status_code == 200, "questions are counted apart"
    with time_machine.travel(factories.NOW + timedelta(seconds=wait_s), tick=False):
        assert sender.post("b-3").status_code == 200


def test_unknown_tokens_are_throttled_by_address_and_a_known_one_is_not(sender: Sender) -> None:
    answers = [sender.send(b"{}", headers={}).status_code for _ in range(35)]
    assert answers == [401] * 30 + [429] * 5
    assert sender.post().status_code == 200
    elsewhere = sender.send(b"{}", headers={}, REMOTE_ADDR="192.0.2.9")
    assert elsewhere.status_code == 401


def test_a_cache_that_is_away_holds_no_check_in_back(sender: Sender) -> None:
    with mock.patch.object(type(cache._connections["default"]), "add", side_effect=ConnectionError):
        assert sender.post().status_code == 200


@pytest.mark.parametrize("where", ["devices.api.intake.take_batch", "devices.api.admission.source_of"])
def test_a_database_that_is_locked_or_away_is_503_with_when_to_come_back(sender: Sender, where: str) -> None:
    with mock.patch(where, side_effect=OperationalError("database is locked")):
        answer = sender.post()
    problem_of(answer, 503)
    assert int(answer.headers["Retry-After"]) >= 1
    assert sender.post().status_code == 200


def test_a_fault_of_ours_is_told_in_the_same_shape_and_without_a_trace(sender: Sender, caplog: Any) -> None:
    with mock.patch("devices.api.intake.take_batch", side_effect=ZeroDivisionError("deep inside")):
        answer = sender.post()
    assert "deep inside" not in json.dumps(problem_of(answer, 500))
    assert "deep inside" in caplog.text, "but it is noted"
    assert sender.token not in caplog.text


def test_a_batch_can_be_asked_for(world: World, sender: Sender) -> None:
    problem_of(sender.ask("batches/b-1"), 404)
    first = sender.post().json()
    assert sender.ask("batches/b-1").json() == first | {"repeated": True}
    problem_of(Sender(world.own, site=world.own_site).ask("batches/b-1"), 404)
    problem_of(sender.ask("batches/%00"), 404)


def test_a_source_can_ask_who_it_is(world: World, sender: Sender) -> None:
    told = sender.ask("source").json()
    assert told["customer"] == world.own.code
    assert told["site"] == world.own_site.code
    assert told["limits"] == {"rows": 5000, "bytes": MOST_BYTES, "batches_a_minute": 240}
    assert told["token"] == {"ends_in": sender.token[-4:], "former_until": None}
    assert told["watermark_at"] is None
    sender.post()
    assert sender.ask("source").json()["watermark_at"] == told["now"]


def test_until_carries_the_watermark_on_but_never_ahead_of_now(world: World, sender: Sender) -> None:
    early = (factories.NOW - timedelta(hours=3)).isoformat()
    sender.post(rows=[row(time=early)], until=(factories.NOW + timedelta(hours=2)).isoformat())
    assert IntakeSource.objects.get().watermark_at == factories.NOW


def test_use_is_noted_once_a_minute(sender: Sender) -> None:
    def noted() -> Any:
        return IntakeSource.objects.get().last_used_at

    sender.ask("source")
    assert noted() == factories.NOW
    with time_machine.travel(factories.NOW + timedelta(seconds=59), tick=False):
        with CaptureQueriesContext(connection) as caught:
            sender.ask("source")
        assert not [one["sql"] for one in caught if one["sql"].startswith("UPDATE")]
        assert noted() == factories.NOW
    with time_machine.travel(factories.NOW + timedelta(seconds=60), tick=False):
        sender.ask("source")
        assert noted() == factories.NOW + timedelta(seconds=60)


def test_a_person_who_is_signed_in_needs_a_token_too_and_sets_no_session(world: World) -> None:
    client = world.client("manager")
    answer = client.post(ADDRESS, b"{}", content_type="application/json")
    problem_of(answer, 401)
    assert not answer.cookies
    assert "Location" not in answer.headers


def test_no_form_of_another_site_is_asked_for_and_none_helps(sender: Sender) -> None:
    strict = Client(enforce_csrf_checks=True, raise_request_exception=False)
    body = json.dumps({"batch": "b-1", "rows": [row()]})
    assert strict.post(ADDRESS, body, content_type="application/json", headers=sender.headers).status_code == 200


@pytest.mark.django_db(transaction=True)
def test_the_same_batch_from_four_at_once_is_taken_once(world: World) -> None:
    sender = Sender(world.own, site=world.own_site)
    body = json.dumps({"batch": "b-1", "rows": [row(world.own_registration.transmitter.serial, kind="activation")]})
    answers: list[Any] = []

    def post() -> None:
        try:
            for _ in range(20):
                answer = Client().post(ADDRESS, body, content_type="application/json", headers=sender.headers)
                if answer.status_code != 503:
                    answers.append(answer)
                    return
        finally:
            connection.close()

    threads = [threading.Thread(target=post) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [answer.status_code for answer in answers] == [200] * 4
    assert sorted(answer.json()["repeated"] for answer in answers) == [False, True, True, True]
    assert CheckInDay.objects.get().activations == 1


def test_a_gateway_that_hears_nothing_says_up_to_when(sender: Sender) -> None:
    """Without it a receiver whose aerial fell off would look as if its gateway were late."""
    body = {"batch": "quiet-1", "rows": [], "until": "2026-11-25T09:45:00Z"}
    answer = sender.send(json.dumps(body))
    assert answer.status_code == 200, answer.content
    assert IntakeBatch.objects.get().n_rows == 0
    assert sender.send(json.dumps(body | {"batch": "quiet-2", "until": None})).status_code == 422
