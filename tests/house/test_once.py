"""Which tests the second database leaves out: those that could not tell it from the first."""

from __future__ import annotations

from typing import Any

import pytest

from tests.conftest import World, asks_a_database


def test_a_test_that_asks_no_database_runs_once(request: pytest.FixtureRequest) -> None:
    assert not asks_a_database(request.node)


def test_a_test_with_the_database_runs_on_both(request: pytest.FixtureRequest, db: Any) -> None:
    assert asks_a_database(request.node)


def test_a_test_whose_fixture_has_the_database_runs_on_both(request: pytest.FixtureRequest, world: World) -> None:
    assert asks_a_database(request.node)


@pytest.mark.django_db
def test_a_test_that_is_marked_for_the_database_runs_on_both(request: pytest.FixtureRequest) -> None:
    assert asks_a_database(request.node)


def test_a_test_whose_module_fills_the_database_runs_on_both(request: pytest.FixtureRequest, filled: None) -> None:
    assert asks_a_database(request.node)


@pytest.fixture(scope="module")
def filled(django_db_setup: None) -> None:
    """Where a module fills the database for itself, as that of the demo firm does."""
