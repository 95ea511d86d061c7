"""A sender as tests play it: posts batches with its token to the intake address."""

from __future__ import annotations

import json
from typing import Any

from django.test import Client

from company.models import Customer
from devices.actions import sources
from devices.models import IntakeSource
from tests import factories

ADDRESS = "/api/v1/checkins"
PROBLEM = "application/problem+json"


class Sender:
    """A gateway of a customer, with a source and a token of its own."""

    def __init__(self, customer: Customer, **over: Any) -> None:
        self.source = IntakeSource.objects.create(
            **{"name": f"Gateway {factories.number()}", "customer": customer, "created_at": factories.NOW} | over
        )
        self.token = sources.make_token(source=self.source, by=None, at=factories.NOW)
        self.client = Client(raise_request_exception=False)

    @property
    def headers(self) -> dict[str, str]:
        return {"Authorization": f"Bearer {self.token}"}

    def send(self, body: bytes | str, **over: Any) -> Any:
        """Post these very bytes."""
        headers = over.pop("headers", self.headers)
        return self.client.post(
            ADDRESS, body, content_type=over.pop("content_type", "application/json"), headers=headers, **over
        )

    def post(self, batch: str = "b-1", rows: Any = None, **over: Any) -> Any:
        """Post a batch; without rows one check-in of a serial that nobody knows."""
        given = [row()] if rows is None else rows
        return self.send(json.dumps({"batch": batch, "rows": given} | over))

    def ask(self, path: str) -> Any:
        return self.client.get(f"/api/v1/{path}", headers=self.headers)


def row(serial: str = "NOBODY-1", kind: str = "check_in", **over: Any) -> dict[str, Any]:
    """A row of now."""
    return {"serial": serial, "kind": kind, "time": factories.NOW.isoformat()} | over


def problem_of(answer: Any, status: int) -> dict[str, Any]:
    """The error of an answer, after a look at its shape."""
    assert answer.status_code == status, answer.content
    assert answer.headers["Content-Type"] == PROBLEM
    told: dict[str, Any] = answer.json()
    assert told["status"] == status
    assert told["detail"].endswith(".")
    assert told["type"] == "about:blank"
    return told
