"""Every list and page of ours, asked with nonsense behind the question mark: it answers, and nothing breaks."""

from __future__ import annotations

from typing import Any

import pytest
import time_machine
from django.test import Client

from tests.house import leaks, planting
from tests.house.routes import own_routes
from tests.house.test_audience_matrix import BACKEND

HUGE = str(10**23)
IDS = (
    "customer", "site", "receiver", "person", "technician", "placed", "r", "cells", "to_slot", "pks", "slot", "by",
    "area", "plan", "place", "from_visit", "round", "weeks", "zoom", "lot", "version", "battery_type", "pk",
)  # fmt: skip
QUERIES: tuple[dict[str, str], ...] = (
    {"page": "999", "sort": "x", "by": "x", "from": "2026-02-30", "state": "x", "kind": "x", "show": "x", "group": "x",
     "until": "9999-12-31", "to": "9999-12-31", "on": "9999-12-31", "day": "9999-12-31"},
    {"page": "x", "sort": "-x", "group": "none", "since": "0001-01-01", "from": "0001-01-01", "day": "0001-01-01",
     "on": "0001-01-01", "until": "0001-01-01", "to": "0001-01-01"},
    dict.fromkeys(IDS, HUGE),
    # Digits to Python's isdecimal, in other letters; and a superscript that only isdigit takes for one.
    dict.fromkeys(IDS, "٣²"),
)  # fmt: skip


@pytest.mark.parametrize("person", ["manager", "technician", "own"])
def test_no_address_breaks_on_nonsense_behind_its_question_mark(db: Any, person: str) -> None:
    with time_machine.travel(planting.NOW, tick=False):
        garden = planting.plant()
        client = Client(raise_request_exception=False)
        client.force_login(garden.people[person], backend=BACKEND)
        broken, n_asked = [], 0
        for route in own_routes():
            ((values, _),) = leaks.fillings(route, [garden.own])
            for query in QUERIES:
                with leaks.undone():
                    answer = client.get(route.url(values), query)
                if answer.status_code in (404, 405) and query is QUERIES[0]:
                    break
                n_asked += 1
                if answer.status_code >= 500:
                    broken.append(f"{route.name} with {query}: {answer.status_code}")
        assert n_asked > 50, "The pages were not reached"
        assert not broken, "\n".join(broken)
