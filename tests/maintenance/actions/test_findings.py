"""Findings that stay: one row from the first day to the last, the same again for the same records, resting with a reason."""

from __future__ import annotations

import uuid
from datetime import date, time, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from company import jobs
from company.actions import ensure_policies
from company.models import ChangeRow, Job
from company.undo import undo
from devices.actions.receivers import remove_receiver
from devices.actions.slot_settings import settings_of
from devices.actions.slots import register_transmitter, remove_transmitter
from devices.models import Away, Fault, PlannedChange, Receiver, Registration
from devices.rules.slot_life import NO_TIME
from maintenance.actions import findings as actions
from maintenance.actions.findings import look_again, refresh_findings
from maintenance.actions.rounds import RoundPlan, cancel_round, plan_round, publish_round
from maintenance.models import DueItem, Entry, FindingRecord, IssuedReport, Round, WalkTest
from tests import factories
from tests.conftest import World
from tests.factories import NOW, TODAY

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def in_order(world: World) -> Receiver:
    """A receiver in order: its one slot is tested and on an output that somebody clears."""
    ensure_policies()
    world.own_receiver.outputs.update(clears="night staff")
    walk_test(world.own_registration, heard=True)
    return world.own_receiver


@pytest.fixture
def receiver(world: World) -> Receiver:
    return in_order(world)


def walk_test(registration: Registration, *, heard: bool, ago: timedelta = timedelta(days=200)) -> WalkTest:
    visit = factories.make_visit(registration.site, state="finished", finished_at=NOW - ago)
    entry = Entry.objects.create(
        key=uuid.uuid4(), customer=registration.customer, visit=visit, receiver=registration.receiver,
        registration=registration, kind="walk_test", made_at=NOW - ago, by=factories.make_user("technician"), sha256="0" * 64,
    )  # fmt: skip
    return WalkTest.objects.create(
        customer=registration.customer, entry=entry, visit=visit, registration=registration, at=NOW - ago, heard=heard
    )


def due(registration: Registration, fitting: Any, on: date) -> DueItem:
    return DueItem.objects.create(
        customer=registration.customer, site=registration.site, kind="cells", fitting=fitting,
        receiver=registration.receiver, registration=registration, transmitter=registration.transmitter,
        duty="life_safety", harm=0, due_on=on, reason="calendar", model_version="1", as_of=TODAY,
    )  # fmt: skip


def codes(receiver: Receiver) -> list[str]:
    return sorted(FindingRecord.objects.open().filter(site=receiver.site).values_list("code", flat=True))


def refreshed(receiver: Receiver, at: Any = NOW) -> list[str]:
    refresh_findings(receivers=[receiver.pk], at=at)
    return codes(receiver)


def test_a_receiver_in_order_has_no_findings(receiver: Receiver) -> None:
    assert refreshed(receiver) == []


def plant_fault(receiver: Receiver, world: World, **over: Any) -> Fault:
    fields = {"kind": "low_battery", "raised_at": NOW - timedelta(days=30), "is_latched": True}
    return Fault.objects.create(
        customer=receiver.customer, site=receiver.site, receiver=receiver, registration=world.own_registration,
        transmitter=world.own_registration.transmitter, **(fields | over),
    )  # fmt: skip


def plant_late(receiver: Receiver, world: World) -> None:
    due(world.own_registration, world.own_fitting, TODAY - timedelta(days=1))


def plant_away(receiver: Receiver, world: World) -> None:
    Away.objects.create(
        customer=receiver.customer, site=receiver.site, registration=world.own_registration, reason="in hospital",
        from_on=TODAY - timedelta(days=40), agreed_until_on=TODAY - timedelta(days=1), agreed_with="matron",
    )  # fmt: skip


def plant_plan(receiver: Receiver, world: World) -> None:
    PlannedChange.objects.create(
        customer=receiver.customer, site=receiver.site, receiver=receiver, slot=5, kind="register", reason="new room",
        planned_at=NOW - timedelta(days=31),
    )  # fmt: skip


def plant_copy(receiver: Receiver, world: World) -> None:
    IssuedReport.objects.create(
        customer=receiver.customer, site=receiver.site, receiver=receiver, kind="slot_map", number=f"SM-{receiver.code}",
        title="Slot map", data={}, content=b"%PDF", sha256="0" * 64, issued_at=NOW - timedelta(days=500),
    )  # fmt: skip


def plant_on_test(receiver: Receiver, world: World) -> None:
    factories.make_visit(
        receiver.site, state="finished", finished_at=NOW - timedelta(hours=2), on_test_at=NOW - timedelta(hours=3)
    )


def plant_failed_test(receiver: Receiver, world: World) -> None:
    walk_test(world.own_registration, heard=False, ago=timedelta(days=3))


def plant_shared_elsewhere(receiver: Receiver, world: World) -> None:
    other = factories.make_receiver(receiver.site)
    unit = world.own_registration.transmitter
    factories.make_registration(other, 1, transmitter=unit, is_shared=True, duty="convenience")
    Registration.objects.filter(receiver=other).update(removed_at=None)


PLANTED: list[tuple[str, Any]] = [
    ("low_battery_ignored", plant_fault),
    ("standing_fault", lambda r, w: plant_fault(r, w, raised_at=NOW - timedelta(days=7))),
    ("latched_after_visit", lambda r, w: plant_fault(r, w, kind="tamper", raised_at=NOW - timedelta(days=300), cleared_at=NOW - timedelta(days=299))),
    ("standing_fault", lambda r, w: plant_fault(r, w, kind="tamper", cleared_at=NOW - timedelta(days=29))),
    ("life_late_unplaced", plant_late),
    ("away_too_long", plant_away),
    ("plan_waiting", plant_plan),
    ("map_copy_old", plant_copy),
    ("left_on_test", plant_on_test),
    ("walk_test_not_heard", plant_failed_test),
    ("registered_twice", plant_shared_elsewhere),
    ("low_battery_ignored", lambda r, w: w.own_fitting.__class__.objects.filter(pk=w.own_fitting.pk).update(first_low_at=NOW - timedelta(days=8))),
    ("cells_past_shelf_life", lambda r, w: w.own_fitting.__class__.objects.filter(pk=w.own_fitting.pk).update(made_on=date(2016, 1, 1))),
    ("cells_unknown_age", lambda r, w: w.own_fitting.__class__.objects.filter(pk=w.own_fitting.pk).update(fitted_at=None)),
    ("output_test_again", lambda r, w: r.outputs.update(test_again_since=NOW - timedelta(days=2))),
    ("loan_over", lambda r, w: Receiver.objects.filter(pk=r.pk).update(loan_until=TODAY - timedelta(days=1))),
    ("loan_over", lambda r, w: w.own_registration.transmitter.__class__.objects.update(loan_until=TODAY - timedelta(days=1))),
    ("life_safety_unsupervised", lambda r, w: Registration.objects.update(supervision="off", window_s=None)),
    ("window_over_duty", lambda r, w: Registration.objects.update(window_s=86_400)),
    ("register_again", lambda r, w: Registration.objects.update(register_again_since=NOW - timedelta(days=9))),
]  # fmt: skip
NOT_PLANTED: list[tuple[str, Any]] = [
    ("due today", lambda r, w: due(w.own_registration, w.own_fitting, TODAY)),
    ("late and in a published round", lambda r, w: (plant_late(r, w), factories.make_visit(r.site, factories.make_round()))),
    ("late and closed", lambda r, w: (plant_late(r, w), DueItem.objects.update(is_closed=True))),
    ("away until today", lambda r, w: (plant_away(r, w), Away.objects.update(agreed_until_on=TODAY))),
    ("away without an agreed day", lambda r, w: (plant_away(r, w), Away.objects.update(agreed_until_on=None))),
    ("back again", lambda r, w: (plant_away(r, w), Away.objects.update(ended_on=TODAY))),
    ("planned this month", lambda r, w: (plant_plan(r, w), PlannedChange.objects.update(planned_at=NOW - timedelta(days=30)))),
    ("plan dropped", lambda r, w: (plant_plan(r, w), PlannedChange.objects.update(dropped_at=NOW))),
    ("copy newer", lambda r, w: (plant_copy(r, w), IssuedReport.objects.all()._raw_delete("default"), plant_newer_copy(r))),
    ("registered after the copy and taken back on its day", lambda r, w: (plant_newer_copy(r), plant_taken_back(r))),
    ("taken off test on a later visit", lambda r, w: (plant_on_test(r, w), factories.make_visit(r.site, state="finished", finished_at=NOW, on_test_at=NOW - timedelta(hours=1), off_test_at=NOW))),
    ("testing now", lambda r, w: factories.make_visit(r.site, state="open", on_test_at=NOW - timedelta(hours=11))),
    ("heard since", lambda r, w: (plant_failed_test(r, w), walk_test(w.own_registration, heard=True, ago=timedelta(days=2)))),
    ("declared twice", lambda r, w: (plant_shared_elsewhere(r, w), Registration.objects.filter(receiver=r).update(is_shared=True))),
    ("fault cleared", lambda r, w: plant_fault(r, w, cleared_at=NOW, latch_cleared_at=NOW)),
    ("on loan until today", lambda r, w: Receiver.objects.filter(pk=r.pk).update(loan_until=TODAY)),
]  # fmt: skip


def plant_taken_back(receiver: Receiver) -> None:
    begun = NOW - timedelta(days=5)
    factories.make_registration(receiver, 5, registered_at=begun, removed_at=begun + NO_TIME)


def plant_newer_copy(receiver: Receiver, ago: timedelta = timedelta(days=399)) -> None:
    IssuedReport.objects.create(
        customer=receiver.customer, site=receiver.site, receiver=receiver, kind="slot_map", number=f"SM-{receiver.code}",
        title="Slot map", data={}, content=b"%PDF", sha256="0" * 64, issued_at=NOW - ago, revision=2,
    )  # fmt: skip


@pytest.mark.parametrize(("code", "plant"), PLANTED, ids=[f"{n}-{code}" for n, (code, _) in enumerate(PLANTED)])
def test_each_cause_on_record_is_found_with_its_place(receiver: Receiver, world: World, code: str, plant: Any) -> None:
    plant(receiver, world)
    assert set(refreshed(receiver)) - {"never_walk_tested"} == {code}
    row = FindingRecord.objects.open().get(site=receiver.site, code=code)
    assert row.where.startswith(receiver.site.name)
    assert row.customer == receiver.customer
    assert all(len(text) > 10 for text in (row.what, row.why, row.do))


@pytest.mark.parametrize(("name", "plant"), NOT_PLANTED, ids=[name for name, _ in NOT_PLANTED])
def test_what_is_as_agreed_is_not_found(receiver: Receiver, world: World, name: str, plant: Any) -> None:
    plant(receiver, world)
    assert set(refreshed(receiver)) <= {"never_walk_tested"}
    assert not FindingRecord.objects.open().filter(receiver=receiver).exists()


HOURS = [timedelta(hours=n) for n in range(5)]


@pytest.mark.parametrize("deed", ["register", "remove"])
@pytest.mark.parametrize(
    ("issued", "is_old"), [(HOURS[4], False), (HOURS[2], True), (HOURS[0], False)], ids=["before", "between", "after"]
)
def test_a_copy_issued_between_a_change_and_its_taking_back_is_old(
    receiver: Receiver, world: World, deed: str, issued: timedelta, is_old: bool
) -> None:
    row, at = world.own_registration, NOW - HOURS[3]
    if deed == "register":
        unit = factories.make_transmitter(row.customer)
        register_transmitter(
            receiver=receiver, slot=5, transmitter=unit, settings=settings_of(row), by=world.office, at=at, reason="new room"
        )  # fmt: skip
    else:
        remove_transmitter(registration=row, by=world.office, at=at, reason="gone")
    undo(change=ChangeRow.objects.latest("pk"), by=world.office, at=NOW - HOURS[1])
    plant_newer_copy(receiver, issued)
    assert ("map_copy_old" in refreshed(receiver)) is is_old


def test_a_draft_is_nobodys_round_yet_and_the_finding_says_so(receiver: Receiver, world: World) -> None:
    plant_late(receiver, world)
    factories.make_visit(receiver.site, factories.make_round(state="draft"))
    assert refreshed(receiver) == ["life_late_unplaced"]
    assert "only a draft" in FindingRecord.objects.get().what


def test_a_second_refresh_writes_nothing(receiver: Receiver, world: World) -> None:
    plant_fault(receiver, world)
    plant_on_test(receiver, world)
    first = refresh_findings(receivers=[receiver.pk], at=NOW)
    assert (first.n_new, first.n_changed, first.n_gone) == (2, 0, 0)
    rows = list(FindingRecord.objects.order_by("pk").values())
    second = refresh_findings(receivers=[receiver.pk], at=NOW + timedelta(hours=1))
    assert (second.n_new, second.n_changed, second.n_gone) == (0, 0, 0)
    assert list(FindingRecord.objects.order_by("pk").values()) == rows


def test_what_is_mended_goes_and_what_comes_back_is_a_new_row(receiver: Receiver, world: World) -> None:
    Registration.objects.update(register_again_since=NOW - timedelta(days=2))
    refreshed(receiver)
    Registration.objects.update(register_again_since=None)
    assert refreshed(receiver, NOW + timedelta(days=1)) == []
    gone = FindingRecord.objects.get()
    assert gone.gone_at == NOW + timedelta(days=1)
    Registration.objects.update(register_again_since=NOW)
    assert refreshed(receiver, NOW + timedelta(days=2)) == ["register_again"]
    assert FindingRecord.objects.count() == 2


def test_another_transmitter_in_the_slot_is_another_finding(receiver: Receiver, world: World) -> None:
    Registration.objects.update(register_again_since=NOW - timedelta(days=2))
    refreshed(receiver)
    world.own_registration.transmitter = factories.make_transmitter(world.own)
    world.own_registration.register_again_since = NOW
    world.own_registration.save()
    refreshed(receiver)
    assert FindingRecord.objects.filter(code="register_again", gone_at=None).count() == 1
    assert FindingRecord.objects.filter(code="register_again").count() == 2


def test_a_receiver_taken_down_keeps_no_finding(
    receiver: Receiver, world: World, django_capture_on_commit_callbacks: Any
) -> None:
    Registration.objects.update(register_again_since=NOW - timedelta(days=2))
    assert refreshed(receiver) == ["register_again"]
    Registration.objects.filter(receiver=receiver).update(removed_at=NOW)
    receiver.refresh_from_db()
    with django_capture_on_commit_callbacks(execute=True):
        remove_receiver(
            receiver=receiver, by=world.office, at=NOW, reason="burnt", seen_version=receiver.version
        )  # fmt: skip
    assert codes(receiver) == []


def test_a_site_that_is_no_longer_looked_after_keeps_no_finding(receiver: Receiver, world: World) -> None:
    plant_on_test(receiver, world)
    Registration.objects.update(register_again_since=NOW)
    refreshed(receiver)
    receiver.site.closed_at = NOW
    receiver.site.save()
    assert refreshed(receiver) == []


def test_nobody_elses_findings_are_touched(receiver: Receiver, world: World) -> None:
    refresh_findings(receivers=[world.other_receiver.pk], at=NOW)
    before = list(FindingRecord.objects.filter(customer=world.other).order_by("pk").values())
    assert before
    refreshed(receiver)
    assert list(FindingRecord.objects.filter(customer=world.other).order_by("pk").values()) == before


def test_many_changed_receivers_are_left_to_the_background(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(actions, "RECEIVERS_AT_MOST_NOW", 1)
    look_again(receiver_ids=[world.own_receiver.pk, world.other_receiver.pk], at=NOW)
    assert not FindingRecord.objects.exists()
    jobs.run(Job.objects.get().pk)
    assert FindingRecord.objects.filter(receiver=world.own_receiver).exists()
    assert Job.objects.get().state == "done"


def test_the_night_looks_at_everything_once(world: World) -> None:
    actions.ask_for_night(day=TODAY)
    actions.ask_for_night(day=TODAY)
    job = Job.objects.get(key=f"findings:{TODAY.isoformat()}")
    jobs.run(job.pk)
    job.refresh_from_db()
    assert job.state == "done"
    assert job.result["new"] == FindingRecord.objects.count() > 0


def test_a_refresh_asks_as_often_for_one_slot_as_for_twenty(receiver: Receiver, world: World) -> None:
    with CaptureQueriesContext(connection) as few:
        refresh_findings(receivers=[receiver.pk], at=NOW)
    for slot in range(2, 22):
        row = factories.make_registration(receiver, slot, outputs=[(receiver.outputs.first(), "follower", None)])
        factories.make_fitting(row.transmitter, fitted_at=None)
    FindingRecord.objects.all().delete()
    with CaptureQueriesContext(connection) as many:
        refresh_findings(receivers=[receiver.pk], at=NOW)
    assert FindingRecord.objects.count() > 20
    # One query more writes what is new.
    assert len(many) <= len(few) + 1


def test_texts_are_cut_to_what_the_columns_hold() -> None:
    for name, length in actions.LENGTHS.items():
        assert FindingRecord._meta.get_field(name).max_length == length


@pytest.mark.parametrize(
    ("change", "left"),
    [
        (lambda r, w: publish(r, w), []),
        (lambda r, w: cancel(publish(r, w), w), ["life_late_unplaced"]),
    ],
    ids=["published", "cancelled again"],
)
def test_a_published_round_ends_the_finding_and_a_cancelled_one_brings_it_back(
    receiver: Receiver, world: World, change: Any, left: list[str], django_capture_on_commit_callbacks: Any
) -> None:
    plant_late(receiver, world)
    assert refreshed(receiver) == ["life_late_unplaced"]
    with django_capture_on_commit_callbacks(execute=True):
        change(receiver, world)
    assert codes(receiver) == left


def publish(receiver: Receiver, world: World) -> Round:
    plan = RoundPlan(
        name="Harbour", day=TODAY, technician=world.technician, starts=time(8, 30), horizon_weeks=4, note=""
    )
    round = plan_round(plan=plan, sites=[receiver.site], by=world.office, at=NOW, today=TODAY)
    return publish_round(round=round, seen_version=round.version, by=world.office, at=NOW)


def cancel(round: Round, world: World) -> None:
    cancel_round(round=round, reason="snow", seen_version=round.version, by=world.office, at=NOW)
