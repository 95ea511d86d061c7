"""What is written down of the queries that pages read: the leak test asks no other names, so nothing may slip past."""

from __future__ import annotations

import copy
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django import forms
from django.http import HttpRequest, QueryDict
from django.template import engines
from django.test import Client, RequestFactory

from tests.conftest import World
from tests.house.asked import reads_of_queries, views_reached

ROOT = Path(__file__).parents[2]


class SiteForm(forms.Form):
    site = forms.CharField()


def shown(text: str) -> Callable[[QueryDict], Any]:
    return lambda query: engines["django"].from_string(text).render({"query": query})


@pytest.mark.parametrize(
    "look",
    [
        lambda query: query["site"],
        lambda query: query.get("site"),
        lambda query: query.getlist("site"),
        lambda query: "site" in query,
        lambda query: SiteForm(query or None).is_valid(),
        shown("{{ query.site }}"),
    ],
)
@pytest.mark.parametrize("given", ["site", "other"])
def test_a_name_that_is_looked_up_is_written_down_whether_or_not_it_is_there(
    look: Callable[[QueryDict], Any], given: str
) -> None:
    with reads_of_queries() as reads:
        query = RequestFactory().get("/", {given: "3"}).GET
        assert (reads.names, reads.is_whole) == (set(), False)
        try:
            look(query)
        except KeyError:
            assert given == "other"
    assert reads.names == {"site"}
    assert not reads.is_whole


@pytest.mark.parametrize(
    "look",
    [
        lambda request: list(request.GET),
        lambda request: dict(request.GET),
        lambda request: {**request.GET},
        lambda request: request.GET.dict(),
        lambda request: list(request.GET.keys()),
        lambda request: list(request.GET.values()),
        lambda request: list(request.GET.items()),
        lambda request: list(request.GET.lists()),
        lambda request: request.GET.urlencode(),
        lambda request: request.GET.copy(),
        lambda request: copy.copy(request.GET),
        lambda request: copy.deepcopy(request.GET),
        lambda request: str(request.GET),
        lambda request: request.get_full_path(),
        lambda request: request.build_absolute_uri(),
        lambda request: shown("{% for name in query %}{{ name }}{% endfor %}")(request.GET),
    ],
)
def test_a_query_that_is_taken_as_a_whole_is_written_down(look: Callable[[HttpRequest], Any]) -> None:
    with reads_of_queries() as reads:
        look(RequestFactory().get("/", {"site": "3"}))
    assert reads.is_whole


def test_a_watched_query_holds_what_any_query_holds() -> None:
    asked = {"site": ["3", "4"], "q": "Zoë & sons"}
    plain = RequestFactory().get("/", asked).GET
    with reads_of_queries():
        watched = RequestFactory().get("/", asked).GET
    assert list(watched.lists()) == list(plain.lists())
    for look in (QueryDict.urlencode, QueryDict.dict, QueryDict.copy, len, bool, lambda query: query["site"]):
        assert look(watched) == look(plain)


def test_nobody_reads_a_query_as_raw_text_where_it_would_not_be_written_down() -> None:
    files = [file for app in ("company", "sites", "devices", "maintenance") for file in (ROOT / app).rglob("*.py")]
    assert len(files) > 100
    assert not [file for file in files if "QUERY_STRING" in file.read_text()]


def test_a_view_is_reached_by_its_audience_and_by_nobody_else(world: World) -> None:
    with views_reached() as reached:
        assert world.client("own_user").get("/sites/").status_code == 404
        assert Client().get("/sites/").status_code == 302
        assert reached == []
        assert world.client("office").get("/sites/").status_code == 200
    assert [view.__name__ for view in reached] == ["site_list"]
