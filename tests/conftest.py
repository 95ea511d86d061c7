"""Fixtures: a world that always holds two customers, so that every page test has an outsider for free."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import hypothesis
import pytest
import time_machine
from django.core.cache import cache
from django.db import connection
from django.test import Client

from company.models import Customer, User
from devices.models import Fitting, Receiver, Registration
from sites.models import Site
from tests import factories
from tests.tools import migrated

# The same examples in every run, so that a red run comes from what was changed. `HYPOTHESIS_PROFILE=search` draws new ones.
# How long examples take to be drawn hangs on what else the machine does; nothing here is timed.
_UNTIMED = {"deadline": None, "suppress_health_check": [hypothesis.HealthCheck.too_slow]}
hypothesis.settings.register_profile("house", derandomize=True, **_UNTIMED)
hypothesis.settings.register_profile("search", derandomize=False, **_UNTIMED)
hypothesis.settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "house"))


OF_THE_DATABASE = {"db", "transactional_db", "live_server", "django_db_setup"}


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--only-database", action="store_true", help="leave out tests that ask no database: a second one tells nothing"
    )


def asks_a_database(item: pytest.Item) -> bool:
    """Whether a test may ask the database; pytest-django lets no other."""
    names = set(getattr(item, "fixturenames", ()))
    return bool(item.get_closest_marker("django_db") or names & OF_THE_DATABASE or getattr(item, "cls", None))


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--only-database"):
        left_out = [item for item in items if not asks_a_database(item)]
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if asks_a_database(item)]


@dataclass
class World:
    """Two customers, each with a site, a receiver, one slot with cells; one person of each audience."""

    manager: User
    office: User
    technician: User
    own: Customer
    other: Customer
    own_user: User
    other_user: User
    own_site: Site
    other_site: Site
    own_receiver: Receiver
    other_receiver: Receiver
    own_registration: Registration
    other_registration: Registration
    own_fitting: Fitting
    other_fitting: Fitting

    def client(self, who: str) -> Client:
        """Client signed in as the person of that name."""
        client = Client()
        client.force_login(getattr(self, who), backend="allauth.account.auth_backends.AuthenticationBackend")
        return client


@pytest.fixture(scope="session")
def django_db_keepdb(django_db_modify_db_settings: None) -> bool:
    """Whether the database is one that an earlier step of this run has migrated: then it need not be made anew."""
    return migrated.fill_test_database(connection)


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_keepdb: bool, django_db_blocker: Any) -> None:
    """A database of our own, left as it is now for later steps of this run."""
    if not django_db_keepdb:
        with django_db_blocker.unblock():
            migrated.keep(connection)


@pytest.fixture(autouse=True)
def nothing_left_over() -> None:
    """No test sees what another has left, nor depends on how many ran before it.

    Keys come again when a database rolls back, and with them codes that were used once; and a number that grows from
    test to test one day equals a figure that a test looks for.
    """
    cache.clear()
    factories.number_from(7001)


@pytest.fixture
def at_now() -> Iterator[None]:
    """The clock stands still at the moment to which the records of `factories` belong."""
    with time_machine.travel(factories.NOW, tick=False):
        yield


@pytest.fixture
def world(db: Any) -> World:
    own = factories.make_customer(name="Harbour Trust")
    other = factories.make_customer(name="Lighthouse Trust")
    own_site, other_site = factories.make_site(own), factories.make_site(other)
    own_receiver, other_receiver = factories.make_receiver(own_site), factories.make_receiver(other_site)
    outputs = [factories.make_output(receiver, 1) for receiver in (own_receiver, other_receiver)]
    registrations = [
        factories.make_registration(receiver, 1, outputs=[(output, "latching", None)])
        for receiver, output in zip((own_receiver, other_receiver), outputs, strict=True)
    ]
    fittings = [factories.make_fitting(row.transmitter) for row in registrations]
    return World(
        manager=factories.make_manager(),
        office=factories.make_user("office"),
        technician=factories.make_user("technician"),
        own=own,
        other=other,
        own_user=factories.make_portal_user(own),
        other_user=factories.make_portal_user(other),
        own_site=own_site,
        other_site=other_site,
        own_receiver=own_receiver,
        other_receiver=other_receiver,
        own_registration=registrations[0],
        other_registration=registrations[1],
        own_fitting=fittings[0],
        other_fitting=fittings[1],
    )
