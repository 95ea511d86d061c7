"""Every list and page of ours, asked with nonsense behind the question mark: it answers, and nothing breaks."""

from __future__ import annotations

from typing import Any

import pytest
import time_machine
from django.test import Client

from tests.house import leaks, planting
from tests.house.asked import reads_of_queries
from tests.house.routes import Route, own_routes
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
        broken, n_reached = [], 0

        def asked(route: Route, query: dict[str, str]) -> int:
            ((values, _),) = leaks.fillings(route, [garden.own])
            with leaks.undone():
                status = client.get(route.url(values), query).status_code
            if status >= 500:
                broken.append(f"{route.name} with {query}: {status}")
            return status

        for route in own_routes():
            with reads_of_queries() as reads:
                status = asked(route, {"nobody_reads_this": "x"})
            if status in (404, 405):
                continue
            n_reached += 1
            for query in QUERIES:
                # A page that looks for none of these names cannot tell this query from the one before.
                if reads.is_whole or reads.names & query.keys():
                    asked(route, query)
        assert n_reached > 12, "The pages were not reached"
        assert not broken, "\n".join(broken)
