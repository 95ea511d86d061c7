"""Under /api/ nothing is answered as a page, whatever was asked and whatever went wrong."""

from __future__ import annotations

import json
from typing import Any
from unittest import mock

import pytest
from django.test import Client

from company.programs import MEDIA_TYPE
from tests.conftest import World
from tests.devices.senders import problem_of

pytestmark = pytest.mark.django_db

METHODS = ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "PROPFIND"]
PATHS = [
    "/api", "/api/", "/api/v1", "/api/v1/", "/api/v1/nothing", "/api/v1/checkins", "/api/v1/checkins/", "/api/v1/source",
    "/api/v1/batches/b-1", "/api/v1/batches/", "/api/v1/openapi.json", "/api/v1/openapi.json/", "/api/receivers/",
    "/api/receivers/x/slot-map",
]  # fmt: skip


def strict(**over: Any) -> Client:
    """A program: it sends no form's secret, and is not to get a trace."""
    return Client(enforce_csrf_checks=True, raise_request_exception=False, **over)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("path", PATHS)
def test_no_method_and_no_address_is_answered_with_a_page(method: str, path: str) -> None:
    answer = strict().generic(method, path, b"{}", content_type="application/json")
    assert int(answer.headers["Content-Length"]) > 0, "without it a kept connection would end with the answer"
    if answer.status_code == 200:
        assert (method, path) in [("GET", "/api/v1/openapi.json"), ("HEAD", "/api/v1/openapi.json")]
        assert answer.headers["Content-Type"] == "application/json"
        return
    assert answer.headers["Content-Type"] == MEDIA_TYPE
    assert answer.status_code in (401, 404, 405)
    if method != "HEAD":
        assert json.loads(answer.content)["status"] == answer.status_code


def test_the_description_tells_another_method_which_one_it_takes() -> None:
    answer = strict().post("/api/v1/openapi.json", b"{}", content_type="application/json")
    problem_of(answer, 405)
    assert answer.headers["Allow"] == "GET"


def test_a_host_that_is_not_ours_gets_no_page_either() -> None:
    answer = strict(SERVER_NAME="no.such.example").get("/api/v1/nothing")
    problem_of(answer, 404)


@pytest.mark.parametrize("method", METHODS)
def test_the_slot_map_answers_its_errors_in_the_same_shape(world: World, method: str) -> None:
    client = strict()
    client.force_login(world.office, backend="allauth.account.auth_backends.AuthenticationBackend")
    answer = client.generic(method, "/api/receivers/NOSUCHCODE/slot-map/", b"", content_type="application/json")
    assert answer.status_code == (404 if method in ("GET", "HEAD") else 405)
    assert answer.headers["Content-Type"] == MEDIA_TYPE
    assert method in ("GET", "HEAD") or answer.headers["Allow"] == "GET, HEAD"


def test_a_fault_of_ours_behind_the_sign_in_is_told_without_a_page_and_without_a_trace(world: World) -> None:
    client = strict()
    client.force_login(world.office, backend="allauth.account.auth_backends.AuthenticationBackend")
    path = f"/api/receivers/{world.own_receiver.code}/slot-map/"
    with mock.patch("devices.api.slot_map.fill_slots", side_effect=ZeroDivisionError("deep inside")):
        answer = client.get(path)
    assert "deep inside" not in json.dumps(problem_of(answer, 500))
    assert client.get(path).status_code == 200


def test_pages_for_people_are_left_alone() -> None:
    assert "html" in strict().get("/apiary/").headers["Content-Type"]
