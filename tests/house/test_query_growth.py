"""A list makes the same number of queries with 3 rows and with 23: no template and no loop asks the database.

`assert_same_queries` is the whole harness: give it a client, an address and what makes 20 more rows.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from allauth.usersessions.models import UserSession
from django.contrib.auth import HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from django.core.cache import cache
from django.db import connection
from django.http import HttpRequest, HttpResponse
from django.test import Client, override_settings
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from devices.models import Away, Fault, PlannedChange
from maintenance.models import BatteryFit, DueItem, Entry, FindingRecord, IssuedReport, Request
from sites.models import AccessNote
from tests import factories
from tests.conftest import World
from tests.maintenance import fits_made

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


# ------------------------------------------------------------------------------------------------ what grows


def sites(world: World, n: int) -> None:
    for _ in range(n):
        receiver = factories.make_receiver(factories.make_site(world.own))
        thing(receiver, 1)


def customers(world: World, n: int) -> None:
    for _ in range(n):
        factories.make_site(factories.make_customer())


def receivers(world: World, n: int) -> None:
    for _ in range(n):
        thing(factories.make_receiver(world.own_site), 1)


def slots(world: World, n: int) -> None:
    taken = world.own_receiver.registrations.count()
    for slot in range(taken + 1, taken + n + 1):
        thing(world.own_receiver, slot)


def thing(receiver: Any, slot: int) -> DueItem:
    """A slot with an output, cells, a due date and a fault."""
    output = receiver.outputs.first() or factories.make_output(receiver, 1)
    row = factories.make_registration(receiver, slot, outputs=[(output, "latching", None)])
    fitting = factories.make_fitting(row.transmitter)
    Fault.objects.create(
        customer=row.customer, site=row.site, receiver=receiver, registration=row, transmitter=row.transmitter,
        kind="low_battery", raised_at=factories.NOW - timedelta(days=1), is_latched=True,
    )  # fmt: skip
    return DueItem.objects.create(
        customer=row.customer, site=row.site, kind="cells", fitting=fitting, receiver=receiver, registration=row,
        transmitter=row.transmitter, duty="life_safety", harm=0, due_on=factories.TODAY - timedelta(days=1),
        reason="calendar_cap", model_version="0", as_of=factories.TODAY,
        opinions=[{"due_on": factories.TODAY.isoformat(), "code": "calendar_cap", "why": "Four years in service."}],
    )  # fmt: skip


def planned_changes(world: World, n: int) -> None:
    first = world.own_receiver.planned_changes.count()
    for slot in range(first + 2, first + n + 2):
        row = factories.make_registration(world.own_receiver, slot)
        PlannedChange.objects.create(
            customer=row.customer, site=row.site, receiver=row.receiver, slot=slot, registration=row, kind="remove",
            wanted={"settings": None, "serial": "", "stood": None}, reason="Room is being rebuilt", planned_by=world.office,
        )  # fmt: skip


def absences(world: World, n: int) -> None:
    first = world.own_receiver.registrations.count()
    for slot in range(first + 1, first + n + 1):
        row = factories.make_registration(world.own_receiver, slot)
        Away.objects.create(
            customer=row.customer, site=row.site, registration=row, from_on=factories.TODAY, agreed_with="the family",
            reason="on holiday",
        )  # fmt: skip


def rounds(world: World, n: int) -> None:
    for _ in range(n):
        row = factories.make_round(world.technician)
        visit = factories.make_visit(factories.make_site(world.own), row)
        thing(factories.make_receiver(visit.site), 1)


def stops(world: World, n: int) -> None:
    row = world.technician.rounds.first() or factories.make_round(world.technician)
    for _ in range(n):
        visit = factories.make_visit(factories.make_site(world.own), row, position=row.visits.count() + 1)
        thing(factories.make_receiver(visit.site), 1)


def reports(world: World, n: int) -> None:
    for _ in range(n):
        visit = factories.make_visit(world.own_site, state="finished", finished_at=factories.NOW)
        IssuedReport.objects.create(
            customer=world.own, site=world.own_site, visit=visit, kind="service_report", number=f"SR-{factories.number()}",
            title="Service report", data={}, content=b"%PDF-", sha256="0" * 64, issued_by=world.office,
        )  # fmt: skip


def entries(world: World, n: int) -> None:
    visit = world.own_site.visits.first() or factories.make_visit(world.own_site, state="open")
    for _ in range(n):
        Entry.objects.create(
            key=uuid.uuid4(), customer=world.own, visit=visit, receiver=world.own_receiver,
            registration=world.own_registration, kind="note", made_at=factories.NOW, by=world.technician,
            facts={"text": "Cover was loose."}, sha256="0" * 64,
        )  # fmt: skip


def requests(world: World, n: int) -> None:
    for _ in range(n):
        Request.objects.create(
            customer=world.own, site=world.own_site, by=world.own_user, title="Please look at the lamp"
        )


def people(world: World, n: int) -> None:
    for _ in range(n):
        factories.make_portal_user(world.own)


def contacts(world: World, n: int) -> None:
    for _ in range(n):
        world.own.contacts.create(name=f"Contact {factories.number()}")


def imports(world: World, n: int) -> None:
    from company.actions import keep_upload

    for _ in range(n):
        keep_upload(
            kind="workbook", name=f"book-{factories.number()}.xlsx", content=b"PK", by=world.office, at=factories.NOW
        )


def hazards(world: World, n: int) -> None:
    for _ in range(n):
        world.own_site.hazards.create(
            customer=world.own, kind="height", text=f"Ladder {factories.number()}", noted_on=factories.TODAY
        )


def jobs(world: World, n: int) -> None:
    from company.jobs import enqueue

    for _ in range(n):
        enqueue(handler="tests.house.planting.nothing", key=str(uuid.uuid4()), title="Paper", by=world.office)


def findings(world: World, n: int) -> None:
    for _ in range(n):
        number = factories.number()
        FindingRecord.objects.create(
            customer=world.own, site=world.own_site, receiver=world.own_receiver, key=str(number), code=f"kind-{number}",
            slot=1, harm=3, what=f"Something {number}", where=f"Slot {number}", why="It matters", do="Mend it",
        )  # fmt: skip


def kinds(world: World, n: int) -> None:
    """Kinds of transmitter that a night has learnt of, each with half-years that were tested and a lot."""
    fit = BatteryFit.objects.filter(is_current=True).first() or fits_made.make_fit()
    for _ in range(n):
        label = f"Kind {factories.number()}"
        code = label.lower().replace(" ", "-")
        kind = fits_made.make_kind(
            fit, fit.strata.count(), transmitter_type=factories.transmitter_type(code, label=label),
            in_alarm=True, z=5.0,
        )  # fmt: skip
        fits_made.half_year(kind, factories.TODAY - timedelta(days=200), 5.0, 4)
        kind.lots.create(fit=fit, code=f"LOT-{kind.pk}", observed=6, expected=5.0)


def changes(world: World, n: int) -> None:
    from company.actions import record_change

    for _ in range(n):
        record_change(
            by=factories.make_user("office"), at=factories.NOW, verb="change_slot", subject=world.own_registration,
            customer=factories.make_customer(), before={"label": "old"}, after={"label": f"new {factories.number()}"},
            reason="because",
        )  # fmt: skip


def slots_changed(world: World, n: int) -> None:
    """Slots filled this month, each logged by somebody of their own."""
    from company.actions import record_change

    taken = world.own_receiver.registrations.count()
    for slot in range(taken + 1, taken + n + 1):
        row = factories.make_registration(
            world.own_receiver, slot, registered_at=factories.NOW - timedelta(days=3),
            register_again_since=factories.NOW - timedelta(days=1),
        )  # fmt: skip
        record_change(
            by=factories.make_user("office"), at=row.registered_at, verb="register_transmitter", subject=row,
            customer=world.own, after={"receiver": row.receiver_id, "slot": slot, "version": slot}, reason="because",
        )  # fmt: skip


def stays(world: World, n: int) -> None:
    """Former registrations of one transmitter in one slot, each with its change, an absence and former cells."""
    from company.actions import record_change

    row = world.own_registration
    done = row.receiver.registrations.filter(slot=1).count()
    for step in range(done, done + n):
        begun = factories.NOW - timedelta(days=800 + 3 * step)
        old = factories.make_registration(
            row.receiver, 1, transmitter=row.transmitter, registered_at=begun, removed_at=begun + timedelta(days=2),
            removed_why=f"moved {step}",
        )  # fmt: skip
        old.away.create(customer=row.customer, site=row.site, from_on=begun.date(), ended_on=(begun + timedelta(days=1)).date(),
                        reason=f"away {step}", agreed_with="matron")  # fmt: skip
        factories.make_fitting(row.transmitter, fitted_at=begun, removed_at=begun + timedelta(days=1))
        record_change(
            by=factories.make_user("office"), at=begun, verb="change_slot", subject=old, customer=world.own,
            before={"label": "old"}, after={"label": "new", "receiver": row.receiver_id, "slot": 1}, reason="because",
        )  # fmt: skip


def showings(world: World, n: int) -> None:
    """Codes shown, each of a note and to a person of its own; some of the notes are gone since."""
    for step in range(n):
        note = AccessNote.objects.create(
            customer=world.own, site=factories.make_site(world.own), title=f"Key safe {factories.number()}",
            kind="key_safe", cipher=b"", removed_at=factories.NOW if step % 2 else None,
        )  # fmt: skip
        note.shown.create(to=factories.make_user("technician"), at=factories.NOW)


def sessions(world: World, n: int) -> None:
    """Places where the person of the office is signed in."""
    for _ in range(n):
        store = SessionStore()
        store[SESSION_KEY], store[HASH_SESSION_KEY] = str(world.office.pk), world.office.get_session_auth_hash()
        store.create()
        UserSession.objects.create(user=world.office, session_key=store.session_key, ip="192.0.2.7", user_agent="x")


def types(world: World, n: int) -> None:
    """Types of the catalogue, each with cells of its own and in use."""
    for _ in range(n):
        code = f"type-{factories.number()}"
        kind = factories.transmitter_type(code, label=f"Kind {code}", battery_type=factories.battery_type(f"b-{code}"))
        factories.make_transmitter(world.own, type=kind)
        factories.receiver_type(f"r-{code}", label=f"Receiver {code}")


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
    ("devices:import_list", "", "office", imports),
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
