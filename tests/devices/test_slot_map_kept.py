"""The slot map in few queries, and a kept copy that never outlives what it shows."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from django.core.cache import cache
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from company.actions import ensure_firm, record_change
from company.models import Firm, RiskPolicy
from devices.actions.receivers import edit_receiver, save_output
from devices.actions.slot_settings import settings_of
from devices.actions.slots import change_slot, remove_transmitter
from devices.models import CheckInDay, Fault, Receiver, Registration, TransmitterType
from devices.views.shown import FindingGroup, cell
from devices.views.slot_cells import draw
from maintenance.actions.findings import refresh_findings
from maintenance.actions.findings_snooze import snooze_findings
from maintenance.models import DueItem, Entry, FindingRecord
from tests import factories
from tests.conftest import World
from tests.house.growing import slots, thing

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]
NOW = factories.NOW
MOST_QUERIES = 6
SEEN_ON = date(2026, 3, 14)


def asked(client: Client, url: str) -> list[str]:
    """Queries of one page besides session and user."""
    with CaptureQueriesContext(connection) as caught:
        assert client.get(url).status_code == 200
    sql = [query["sql"] for query in caught.captured_queries]
    assert sum("django_session" in one for one in sql) == 1
    return [one for one in sql if "django_session" not in one and 'FROM "company_user" WHERE' not in one]


@pytest.mark.parametrize("evidence", ["every", "exceptions", "visits"])
def test_one_receiver_of_64_slots_takes_at_most_six_queries_and_one_once_it_is_kept(
    world: World, evidence: str
) -> None:
    slots(world, 63)
    visit = factories.make_visit(world.own_site, state="finished", finished_at=NOW - timedelta(days=3))
    enter(world, visit)
    Receiver.objects.filter(pk=world.own_receiver.pk).update(evidence=evidence, heard_until=NOW)
    client, url = world.client("office"), reverse("devices:slot_map", args=[world.own_receiver.pk])
    client.get(url)
    cache.clear()
    cold = asked(client, url)
    assert len(cold) <= MOST_QUERIES, "\n".join(cold)
    # Kept whole: one small read says that it is still true.
    assert len(asked(client, url)) == 1


def test_four_receivers_of_64_slots_take_at_most_six_queries(world: World) -> None:
    for n in range(4):
        receiver = factories.make_receiver(world.own_site, label=f"Box {n}")
        for slot in range(1, 65):
            thing(receiver, slot)
    client, url = world.client("office"), reverse("devices:site_map", args=[world.own_site.pk])
    client.get(url)
    found = asked(client, url)
    assert len(found) <= MOST_QUERIES, "\n".join(found)
    page = client.get(url).content.decode()
    assert page.count("Room 64") == 4


def enter(world: World, visit: Any, **over: Any) -> Entry:
    fields = {
        "kind": "note", "made_at": NOW, "by": world.technician, "facts": {"text": "seen"}, "sha256": "0" * 64,
        "registration": world.own_registration,
    }  # fmt: skip
    return Entry.objects.create(
        key=uuid.uuid4(), customer=world.own, visit=visit, receiver=world.own_receiver, **(fields | over)
    )  # fmt: skip


def rename_slot(world: World) -> str:
    row = world.own_registration
    change_slot(
        registration=row,
        settings=replace(settings_of(row), label="Linen room"),
        by=world.office,
        at=NOW,
        reason="moved",
    )
    return "Linen room"


def end_slot(world: World) -> str:
    remove_transmitter(registration=world.own_registration, by=world.office, at=NOW, reason="gone")
    return "0 of 64"


def due_moves(world: World) -> str:
    # As a night writes it: the receiver is not touched and no change is logged.
    DueItem.objects.filter(transmitter=world.own_registration.transmitter).update(
        due_on=factories.TODAY - timedelta(days=77)
    )
    return "late 77 d"


def fault_comes(world: World) -> str:
    row = world.own_registration
    Fault.objects.create(
        customer=row.customer, site=row.site, receiver=row.receiver, registration=row, transmitter=row.transmitter,
        kind="tamper", raised_at=NOW - timedelta(hours=1),
    )  # fmt: skip
    return "tamper"


def site_is_renamed(world: World) -> str:
    world.own_site.name = "Netmakers' Rest"
    world.own_site.save()
    return "Netmakers&#x27; Rest"


def type_is_renamed(world: World) -> str:
    kind = factories.transmitter_type()
    kind.label = "neck pendant"
    kind.save()
    record_change(by=world.office, at=NOW, verb="edit_type", subject=kind)
    return "neck pendant"


def type_is_relabelled_by_hand(world: World) -> str:
    # No log of changes tells of it.
    TransmitterType.objects.filter(pk=world.own_registration.transmitter.type_id).update(label="wrist pendant")
    return "wrist pendant"


def firm_takes_another_name(world: World) -> str:
    Firm.objects.update(name="Brinehaven Alarms")
    return "Brinehaven Alarms"


def firm_writes_days_otherwise(world: World) -> str:
    Firm.objects.update(date_style="iso")
    return f"seen to work on {SEEN_ON.isoformat()}"


def look(world: World) -> None:
    refresh_findings(receivers=[world.own_receiver.pk], at=NOW)


def policy_is_stricter(world: World) -> str:
    RiskPolicy.objects.filter(duty="life_safety").update(longest_window_s=600)
    look(world)
    return "10 min"


def finding_comes(world: World) -> str:
    # As a night writes it: the receiver is not touched and no change is logged.
    Receiver.objects.filter(pk=world.own_receiver.pk).update(loan_until=factories.TODAY - timedelta(days=3))
    look(world)
    return "The receiver is on loan"


def finding_says_something_else(world: World) -> str:
    FindingRecord.objects.open().filter(receiver=world.own_receiver).update(do="Ask whoever was there.")
    return "Ask whoever was there."


def finding_is_snoozed(world: World) -> str:
    snooze_findings(
        pks=list(FindingRecord.objects.open().values_list("pk", flat=True)), until=factories.TODAY + timedelta(days=2),
        reason="room is being painted", by=world.office, at=NOW, today=factories.TODAY,
    )  # fmt: skip
    return "Nothing else needs a person now."


def receiver_is_edited(world: World) -> str:
    receiver = Receiver.objects.get(pk=world.own_receiver.pk)
    receiver.area = "Boiler room"
    edit_receiver(receiver=receiver, by=world.office, at=NOW, reason="moved")
    return "Boiler room"


def output_is_named(world: World) -> str:
    output = world.own_receiver.outputs.first()
    output.drives = "Corridor lamps"
    save_output(output=output, by=world.office, at=NOW, reason="named")
    return "Corridor lamps"


def link_is_tested(world: World) -> str:
    Receiver.objects.filter(pk=world.own_receiver.pk).update(evidence="exceptions", link_tested_at=NOW)
    return "link tested"


def visit_is_finished(world: World) -> str:
    visit = factories.make_visit(world.own_site, state="finished", finished_at=NOW - timedelta(hours=1))
    enter(world, visit)
    return "order on 25 Nov"


def check_in_comes(world: World) -> str:
    Receiver.objects.filter(pk=world.own_receiver.pk).update(evidence="every", heard_until=NOW)
    CheckInDay.objects.create(
        transmitter_id=world.own_registration.transmitter_id, day=factories.TODAY, customer_id=world.own.pk, heard=9,
        last_heard_s=9 * 3600 + 1800,
    )  # fmt: skip
    return "1 of 2 heard"


CHANGES = [
    rename_slot, end_slot, due_moves, fault_comes, site_is_renamed, type_is_renamed, type_is_relabelled_by_hand,
    firm_takes_another_name, firm_writes_days_otherwise, policy_is_stricter, receiver_is_edited, output_is_named, link_is_tested, visit_is_finished, check_in_comes,
    finding_comes, finding_says_something_else, finding_is_snoozed,
]  # fmt: skip


@pytest.mark.parametrize("change", CHANGES, ids=[change.__name__ for change in CHANGES])
def test_a_kept_slot_map_shows_a_change_at_once(world: World, change: Callable[[World], str]) -> None:
    ensure_firm()
    world.own_receiver.outputs.update(end_effect_seen_on=SEEN_ON)
    thing(world.own_receiver, 2)
    DueItem.objects.create(
        customer=world.own, site=world.own_site, kind="cells", fitting=world.own_fitting, receiver=world.own_receiver,
        registration=world.own_registration, transmitter=world.own_registration.transmitter, duty="life_safety", harm=0,
        due_on=factories.TODAY + timedelta(days=400), reason="calendar_cap", model_version="0", as_of=factories.TODAY,
    )  # fmt: skip
    Fault.objects.all().delete()
    if change is end_slot:
        DueItem.objects.filter(registration__slot=2).delete()
        Registration.objects.filter(slot=2).delete()
    look(world)
    client, url = world.client("office"), reverse("devices:slot_map", args=[world.own_receiver.pk])
    before = client.get(url)
    assert client.get(url, headers={"If-None-Match": before["ETag"]}).status_code == 304
    expected = change(world)
    after = client.get(url, headers={"If-None-Match": before["ETag"]})
    assert after.status_code == 200
    assert expected not in before.content.decode()
    assert expected in after.content.decode()


def test_whatever_people_write_is_escaped_in_a_cell_and_in_a_finding(world: World) -> None:
    bad = "<i>\"'&"
    row = replace(
        Registration.objects.filter(pk=world.own_registration.pk).slot_rows(NOW, world.own_site.zone)[0],
        label=bad, area=bad, serial=bad, type_label=bad,
    )  # fmt: skip
    shown = cell(row, url=f"/x/?{bad}", today=factories.TODAY, is_today=True, troubled=frozenset())
    markup = draw(replace(shown, faults=(bad,), flags=(bad,)), is_today=True, language="en", receiver=bad)
    spare = draw(replace(shown, css="slot--spare"), is_today=True, language="en", register_url=f"/r/?{bad}")
    group = FindingGroup(what="", why="", do="", places=((bad, f"#{bad}"),), since="", duty="")
    for text in (markup, spare, group.links):
        assert "<i>" not in text
        assert "&lt;i&gt;&quot;&#x27;&amp;" in text
    assert markup.count("&lt;i&gt;") == 8


def test_a_whole_site_is_one_table_for_spreadsheets(world: World) -> None:
    world.own_registration.label = "=1+1"
    world.own_registration.save()
    factories.make_registration(factories.make_receiver(world.own_site, label="Zweiter"), 3, label="Attic")
    text = (
        world.client("office")
        .get(reverse("devices:site_map_csv", args=[world.own_site.pk]))
        .content.decode("utf-8-sig")
    )
    lines = text.splitlines()
    assert lines[0].startswith("Receiver,Receiver serial,Slot,Place")
    assert len(lines) == 1 + 2 * 64
    assert "'=1+1" in text
    assert any(line.startswith("Zweiter,,3,Attic") for line in lines)


def test_receivers_are_listed_with_their_spare_slots_and_narrowed_by_them(world: World) -> None:
    small = factories.receiver_type("test-1", label="receiver, 1 slot", n_slots=1)
    full = factories.make_receiver(world.own_site, type=small, label="Full box")
    factories.make_registration(full, 1)
    client, url = world.client("office"), reverse("devices:receiver_list")
    listed = {row.label: row.n_spare for row in client.get(url).context["page"]}
    assert listed == {"Full box": 0, world.own_receiver.label: 63, world.other_receiver.label: 63}
    assert [row.label for row in client.get(url, {"show": "full"}).context["page"]] == ["Full box"]
    assert [row.n_spare for row in client.get(url, {"show": "spare"}).context["page"]] == [63, 63]
    assert next(row.label for row in client.get(url, {"sort": "spare"}).context["page"]) == "Full box"
