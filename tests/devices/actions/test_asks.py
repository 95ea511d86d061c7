"""Statements that travel together: each sees the ones before, and one that fails takes nothing of the others along."""

import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext

from company.env import postgresql
from devices.actions.asks import Ask, ask, sending

pytestmark = pytest.mark.django_db


@pytest.fixture
def table():
    with connection.cursor() as cursor:
        cursor.execute("CREATE TEMPORARY TABLE asked (n integer PRIMARY KEY)")
    yield
    with connection.cursor() as cursor:
        cursor.execute("DROP TABLE asked")


def add(n):
    return Ask("INSERT INTO asked (n) VALUES (%s)", [n])


ALL = Ask("SELECT n FROM asked ORDER BY n", [])


def test_each_sees_what_the_ones_before_did(table):
    assert ask(add(1), ALL, add(2), ALL) == [[], [(1,)], [], [(1,), (2,)]]
    assert ask(ALL) == [[(1,), (2,)]]
    assert ask() == []


def test_all_that_was_sent_is_done_once_the_block_is_left(table):
    with sending() as send:
        send(add(3), add(4))
        # A question in between is answered with what was sent before.
        assert ask(ALL) == [[(3,), (4,)]]
        send(add(5))
    assert ask(ALL) == [[(3,), (4,), (5,)]]


def by_ask(*asks):
    ask(*asks)


def by_sending(*asks):
    with sending() as send:
        for one in asks:
            send(one)


@pytest.mark.parametrize("way", [by_ask, by_sending])
def test_one_that_fails_takes_the_others_back(table, way):
    with pytest.raises(IntegrityError), transaction.atomic():
        way(add(6), add(6), add(7))
    assert ask(ALL) == [[]]
    assert ask(add(8), ALL) == [[], [(8,)]]


def test_whoever_counts_the_statements_hears_each_of_them(table):
    with CaptureQueriesContext(connection) as heard:
        ask(add(1), ALL)
        with sending() as send:
            send(add(2))
    assert len(heard) == 3


@pytest.mark.skipif("connection.vendor != 'postgresql'", reason="SQLite plans each statement as it comes")
def test_what_is_asked_again_and_again_is_planned_once(table):
    one = Ask("SELECT n, 'planned once' FROM asked WHERE n = %s", [4])
    for _ in range(7):
        ask(one, one)
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT generic_plans > 0, custom_plans FROM pg_prepared_statements WHERE statement LIKE '%planned once%'"
        )
        assert cursor.fetchall() == [(True, 0)]


@pytest.mark.parametrize(
    ("query", "threshold", "options"),
    [
        ("", 5, "-c plan_cache_mode=force_generic_plan"), ("?prepare_threshold=none", None, None),
        ("?prepare_threshold=2", 2, "-c plan_cache_mode=force_generic_plan"), ("?options=-c%20jit%3Doff", 5, "-c jit=off"),
    ],
)  # fmt: skip
def test_behind_a_pooler_nothing_is_planned_ahead(query, threshold, options):
    found = postgresql(f"postgresql://someone@database/ledger{query}")["OPTIONS"]
    assert (found["prepare_threshold"], found.get("options")) == (threshold, options)
