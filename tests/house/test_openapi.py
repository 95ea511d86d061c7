"""What senders rely on changes knowingly only."""

from __future__ import annotations

import json
from typing import Any

import pytest
from django.test import Client

from tests.tools.openapi import KEPT, as_text


def test_the_description_of_the_intake_address_is_the_one_on_record() -> None:
    assert as_text() == KEPT.read_text(encoding="utf-8"), "Run python -m tests.tools.openapi and read the difference"


def test_everybody_may_read_the_description(db: Any) -> None:
    answer = Client().get("/api/v1/openapi.json")
    assert answer.status_code == 200
    assert answer.json() == json.loads(KEPT.read_text(encoding="utf-8"))


@pytest.mark.parametrize("path", ["/api/v1/checkins", "/api/v1/batches/{batch}", "/api/v1/source"])
def test_every_address_tells_of_every_error_in_one_shape(path: str) -> None:
    (operation,) = json.loads(KEPT.read_text(encoding="utf-8"))["paths"][path].values()
    errors = {status: answer for status, answer in operation["responses"].items() if status != "200"}
    assert {"401", "403", "404", "405", "429", "503"} <= set(errors)
    for status, answer in errors.items():
        assert list(answer["content"]) == ["application/problem+json"], status
        assert answer["description"], status
