"""Every address of ours × every kind of person: the status of GET. An address that the table does not know fails.

The failure prints the line to add, with the answers measured. Read it before you paste it: it says what the page does,
not what it should do.
"""

from __future__ import annotations

from typing import Any

import pytest
import time_machine
from django.http import HttpRequest, HttpResponse
from django.test import Client
from django.urls import reverse

from company.access import AUDIENCES, audience
from tests.house import leaks, planting
from tests.house.audience_answers import LOGIN, NAMES, PEOPLE
from tests.house.audience_table import TABLE
from tests.house.routes import Route, is_ours, own_routes, routes

BACKEND = "allauth.account.auth_backends.AuthenticationBackend"


def answer_of(response: HttpResponse) -> int | str:
    """Status, or LOGIN for the way to the sign-in page."""
    if response.status_code == 302 and response.headers["Location"].startswith(reverse("account_login")):
        return LOGIN
    return response.status_code


@pytest.fixture
def measured(db: Any) -> Any:
    """Answer of every address of ours to every person, with the records of the own customer in it."""
    with time_machine.travel(planting.NOW, tick=False):
        garden = planting.plant()
        who = {"other": "foreign", "own": "own"}
        clients = {}
        for person in PEOPLE:
            clients[person] = Client(raise_request_exception=False)
            if person != "anonymous":
                clients[person].force_login(garden.people[who.get(person, person)], backend=BACKEND)
        found = {}
        for route in own_routes():
            ((values, _),) = leaks.fillings(route, [garden.own])
            answers = []
            for person in PEOPLE:
                with leaks.undone():
                    answers.append(answer_of(clients[person].get(route.url(values))))
            found[route.name] = tuple(answers)
        yield found


def line_of(name: str, answers: tuple[int | str, ...]) -> str:
    """The line of the table for these answers."""
    known = next((word for word, row in NAMES.items() if row == answers), None)
    return f'    "{name}": {known or "(" + ", ".join("LOGIN" if a == LOGIN else str(a) for a in answers) + ")"},'


def test_every_address_answers_each_person_as_the_table_says(measured: dict[str, tuple[int | str, ...]]) -> None:
    missing = [line_of(name, answers) for name, answers in measured.items() if name not in TABLE]
    wrong = [
        f"{name}: {dict(zip(PEOPLE, answers, strict=True))} instead of {dict(zip(PEOPLE, TABLE[name], strict=True))}"
        for name, answers in measured.items()
        if name in TABLE and answers != TABLE[name]
    ]
    assert not wrong, "\n".join(wrong)
    assert all(answer == 302 for answer in measured["company:home"][1:]), "Everybody has a first page"
    assert not missing, "Add to tests/house/audience_table.py after thinking about each:\n" + "\n".join(missing)


def test_the_table_names_no_address_that_is_gone() -> None:
    assert set(TABLE) <= {route.name for route in own_routes()}


def test_no_page_of_the_table_breaks() -> None:
    assert not [name for name, row in TABLE.items() if any(isinstance(a, int) and a >= 500 for a in row)]


def test_every_view_of_ours_declares_its_audience() -> None:
    assert not [route.name for route in own_routes() if not route.audience], "Put @audience(…) on the view"
    assert all(route.audience <= AUDIENCES for route in own_routes() if route.audience)


def test_a_view_without_an_audience_would_be_seen() -> None:
    def bare(request: HttpRequest) -> HttpResponse:
        return HttpResponse()

    assert Route("new", "new/", (), bare, False).audience is None
    assert is_ours(bare)
    assert Route("new", "new/", (), audience("portal")(bare), False).audience == {"portal"}


def test_every_address_has_a_name_of_its_own() -> None:
    names = [route.name for route in own_routes()]
    assert all(name and not name.endswith(":") for name in names)
    assert sorted(names) == sorted(set(names))


def test_libraries_stand_only_where_they_guard_themselves() -> None:
    strangers = [route.pattern for route in routes() if not route.is_library and not is_ours(route.view)]
    assert not strangers, "A view of a library among our own pages declares no audience"


def test_portal_addresses_hold_no_counters() -> None:
    for route in own_routes():
        if route.audience and "portal" in route.audience and route.pattern.startswith("portal/"):
            assert not [name for name in route.parameters if name.endswith("pk")], route.pattern


def test_technician_pages_live_under_tech() -> None:
    for route in own_routes():
        if route.audience == {"technician"}:
            assert route.pattern.startswith("tech/"), route.pattern


def test_an_unknown_parameter_is_an_error() -> None:
    with pytest.raises(KeyError):
        list(leaks.fillings(Route("new", "new/<int:thing>/", ("thing",), None, False), []))
