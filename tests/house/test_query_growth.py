"""A list makes the same number of queries with 3 rows and with 23: no template and no loop asks the database.

`assert_same_queries` is the whole harness: give it a client, an address and what makes 20 more rows.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
import time_machine
from django.core.cache import cache
from django.db import connection
from django.http import HttpRequest, HttpResponse
from django.test import Client, override_settings
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from tests import factories
from tests.conftest import World
from tests.house.growing import (
    absences,
    batches,
    changes,
    contacts,
    customers,
    entries,
    event_logs,
    faults,
    findings,
    hazards,
    imports,
    jobs,
    kinds,
    loans,
    notices,
    panels,
    people,
    planned_changes,
    receivers,
    reports,
    requests,
    rounds,
    sessions,
    set_aside,
    showings,
    sites,
    slots,
    slots_changed,
    sources,
    stays,
    stops,
    types,
)

FEW, MORE = 3, 20


def queries_of(client: Client, url: str) -> list[str]:
    """Queries of a second look at a page: the first one fills what is read once per process."""
    client.get(url)
    cache.clear()
    with CaptureQueriesContext(
        connection,
    ) as caught:
        response = client.get(url)
    assert response.status_code == 200, f"{url} answers {response.status_code}"
    return [query["sql"] for query in caught.captured_queries]


def assert_same_queries(
    client: Client, url: str, grow: Callable[[int], None], *, few: int = FEW, more: int = MORE
) -> None:
    """Fail if the page needs more queries after `grow(more)` than after `grow(few)`, or does not show the new rows."""
    grow(few)
    before = queries_of(client, url)
    small = client.get(url).content
    grow(more)
    after = queries_of(client, url)
    large = client.get(url).content
    assert len(large) > len(small) + more * 10, "The page does not show what has grown: the test would prove nothing."
    extra = "\n".join(sorted(set(after) - set(before))[:10])
    assert len(after) == len(before), (
        f"{url}: {len(before)} queries with {few}, {len(after)} with {few + more}:\n{extra}"
    )


@pytest.fixture
def now(db: Any) -> Any:
    with time_machine.travel(factories.NOW, tick=False):
        yield


# (address name, what fills it, who looks, what grows)
PAGES: list[tuple[str, str, str, Callable[[World, int], None]]] = [
    ("sites:site_list", "", "office", sites),
    # Its receivers and due dates are panels of their own, below.
    ("sites:site_detail", "own_site.pk", "office", hazards),
    ("company:customer_list", "", "office", customers),
    ("company:customer_detail", "own.pk", "office", contacts),
    ("company:person_list", "", "office", people),
    ("company:job_list", "", "office", jobs),
    ("company:change_list", "", "office", changes),
    ("devices:receiver_list", "", "office", receivers),
    ("devices:site_receivers", "own_site.pk", "office", receivers),
    ("devices:slot_map", "own_receiver.pk", "office", slots),
    ("devices:tech_slot_map", "own_receiver.pk", "technician", slots),
    ("devices:slot_map_csv", "own_receiver.pk", "office", slots),
    ("devices:plan_list", "", "office", planned_changes),
    ("devices:tech_plan_list", "", "technician", planned_changes),
    ("devices:away_list", "", "office", absences),
    ("devices:loan_list", "", "office", loans),
    ("devices:receiver_bulk", "own_receiver.pk", "office", slots),
    ("devices:receiver_changes", "own_receiver.pk", "office", slots_changed),
    ("devices:receiver_changes_csv", "own_receiver.pk", "office", slots_changed),
    ("devices:site_changes", "own_site.pk", "office", slots_changed),
    ("devices:register_again", "own_receiver.pk", "office", slots_changed),
    ("devices:receiver_log", "own_receiver.pk", "office", slots_changed),
    ("devices:slot_detail", "own_receiver.pk/1", "office", stays),
    ("devices:transmitter_detail", "own_registration.transmitter_id", "office", stays),
    ("devices:transmitter_csv", "own_registration.transmitter_id", "office", stays),
    ("maintenance:slot_work_panel", "own_receiver.pk/1", "office", entries),
    ("devices:source_list", "", "office", sources),
    ("devices:panel_list", "", "office", panels),
    ("devices:batch_list", "", "office", batches),
    ("devices:set_aside_list", "", "office", set_aside),
    ("devices:import_list", "", "office", imports),
    ("devices:event_file_list", "", "office", event_logs),
    ("devices:export", "", "office", sites),
    ("devices:site_map", "own_site.pk", "office", slots),
    ("devices:site_map", "own_site.pk", "office", receivers),
    ("devices:catalogue", "", "office", types),
    ("devices:tech_catalogue", "", "technician", types),
    ("company:session_list", "", "office", sessions),
    ("sites:access_log", "", "manager", showings),
    ("maintenance:search?q=room", "", "office", slots),
    ("maintenance:search?q=site", "", "office", sites),
    ("maintenance:tech_search?q=room", "", "technician", slots),
    ("maintenance:due_list", "", "office", sites),
    ("maintenance:due_panel", "own_site.pk", "office", slots),
    ("maintenance:fault_list", "", "office", faults),
    ("maintenance:fault_list?group=none", "", "office", faults),
    ("maintenance:tech_fault_list", "", "technician", faults),
    ("maintenance:notice_list", "", "office", notices),
    ("maintenance:notice_rule_list", "", "manager", notices),
    ("maintenance:finding_list", "", "office", findings),
    ("maintenance:finding_csv", "", "office", findings),
    ("maintenance:finding_panel", "own_site.pk", "office", findings),
    ("maintenance:honesty", "", "office", kinds),
    ("maintenance:honesty_csv", "", "office", kinds),
    ("maintenance:kinds", "", "office", kinds),
    ("maintenance:round_list", "", "office", rounds),
    ("maintenance:round_detail", "technician.rounds.first.pk", "office", stops),
    ("maintenance:round_packing", "technician.rounds.first.pk", "office", stops),
    ("maintenance:visit_list", "", "office", rounds),
    ("maintenance:visit_detail", "own_site.visits.first.pk", "office", entries),
    ("maintenance:report_list", "", "office", reports),
    ("maintenance:request_list", "", "office", requests),
    ("maintenance:tech_today", "", "technician", stops),
    ("maintenance:tech_sites", "", "technician", sites),
    ("maintenance:tech_site", "own_site.pk", "technician", receivers),
    ("maintenance:portal_home", "", "own_user", sites),
    ("maintenance:portal_site", "own_site.uuid", "own_user", receivers),
    ("maintenance:portal_slot_map", "own_receiver.code", "own_user", slots),
    ("maintenance:portal_reports", "", "own_user", reports),
    ("maintenance:portal_request_list", "", "own_user", requests),
]


def follow(world: World, path: str) -> Any:
    """Value at a dotted path of the world; methods are called."""
    value: Any = world
    for name in path.split("."):
        value = getattr(value, name)
        value = value() if callable(value) and name == "first" else value
    return value


@pytest.mark.parametrize(
    ("name", "path", "who", "grow"), PAGES, ids=[f"{name}-{grow.__name__}" for name, _, _, grow in PAGES]
)
def test_a_list_makes_the_same_queries_with_3_and_with_23_rows(
    now: None, world: World, name: str, path: str, who: str, grow: Callable[[World, int], None]
) -> None:
    if path.startswith(("technician.rounds", "own_site.visits")):
        grow(world, 1)
    # "own_receiver.pk/1" fills two parameters: a record's key, and a number as it stands.
    args = [int(part) if part.isdecimal() else follow(world, part) for part in path.split("/")] if path else []
    name, mark, question = name.partition("?")
    assert_same_queries(world.client(who), reverse(name, args=args) + mark + question, lambda n: grow(world, n))


def test_a_slot_map_makes_the_same_few_queries_with_1_slot_and_with_64(now: None, world: World) -> None:
    client, url = world.client("office"), reverse("devices:slot_map", args=[world.own_receiver.pk])
    alone = queries_of(client, url)
    slots(world, 63)
    full = queries_of(client, url)
    assert len(full) == len(alone)
    sign_in = [sql for sql in full if "django_session" in sql or 'FROM "company_user" WHERE "company_user"."id"' in sql]
    assert len(full) - len(sign_in) <= 9, "\n".join(full)


def test_a_page_that_asks_once_a_row_is_caught(now: None, world: World) -> None:
    import types

    from django.urls import include, path

    from company.access import audience
    from sites.models import Site

    @audience("office")
    def careless(request: HttpRequest) -> HttpResponse:
        return HttpResponse("<br>".join(f"{site.name} of {site.customer.name}" for site in Site.objects.all()))

    module = types.ModuleType("careless_addresses")
    module.urlpatterns = [path("careless/", careless), path("", include("company.urls"))]  # type: ignore[attr-defined]
    with override_settings(ROOT_URLCONF=module), pytest.raises(AssertionError, match="queries with 3"):
        assert_same_queries(world.client("office"), "/careless/", lambda n: sites(world, n))


def test_a_page_that_does_not_show_the_rows_proves_nothing(now: None, world: World) -> None:
    with pytest.raises(AssertionError, match="prove nothing"):
        assert_same_queries(world.client("office"), reverse("company:health"), lambda n: sites(world, n))
