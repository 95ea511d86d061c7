"""Very many events set aside are counted as background work: each once, whatever breaks off, and as if in one go."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from company import jobs
from company.models import ChangeRow, Job, User
from devices.actions import adoption, set_aside_later
from devices.actions.adoption import Adopted, NothingToAdopt, adopt
from devices.actions.rollups import differences
from devices.actions.set_aside import BeingCounted, dismiss_set_aside
from devices.actions.set_aside_later import adopt_or_ask, parts_of, place_or_ask
from devices.actions.slot_settings import OtherCustomer
from devices.models import CheckInDay, FittingTotals, IntakeSource, Receiver, SetAside, Transmitter
from devices.rules.events import Event
from tests.devices.intake.test_take_batch import clock, event, make_source, send
from tests.factories import (
    NOW,
    make_customer,
    make_fitting,
    make_receiver,
    make_registration,
    make_site,
    make_transmitter,
    make_user,
)
from tests.tools.crossing import Beside, crossings, needs_postgresql

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


class Killed(BaseException):
    """The process is gone: nothing is caught, nothing tidied up."""


@pytest.fixture(autouse=True)
def few(monkeypatch: pytest.MonkeyPatch) -> None:
    """Six events are very many, and three make a part."""
    monkeypatch.setattr(set_aside_later, "MOST_AT_ONCE", 5)
    monkeypatch.setattr(set_aside_later, "PART_EVENTS", 3)


def said_by(serial: str, n: int = 12) -> list[Event]:
    """A press every 4 minutes, so that several fall into a quarter hour, and a low battery at the end."""
    rows = [event(serial, clock(1) + timedelta(minutes=4 * i), "activation", i + 1) for i in range(n - 1)]
    return [*rows, event(serial, clock(9), "low_battery", n)]


def heard(source: IntakeSource, serial: str = "NEW-1", *, size: int = 2) -> None:
    """Twelve events in batches of this size."""
    rows = said_by(serial)
    for at in range(0, len(rows), size):
        send(source, *rows[at : at + size], batch=f"{serial}-{at}")


def ask(receiver: Receiver, office: User, **over: Any) -> Adopted | Job:
    return adopt_or_ask(**({"serial": "NEW-1", "customer": receiver.customer, "by": office, "at": NOW} | over))


def sums() -> list[Any]:
    names = (
        "day",
        "heard",
        "expected",
        "activations",
        "loss_runs",
        "presence",
        "acted",
        "acts_source",
        "flags",
        "last_heard_s",
    )
    return [[bytes(one) if isinstance(one, memoryview) else one for one in row] for row in CheckInDay.objects.order_by("transmitter_id", "day").values_list(*names)]  # fmt: skip


def test_few_are_counted_while_the_person_waits(source, receiver, office):
    send(source, *said_by("NEW-1", 5))
    assert ask(receiver, office).n_events == 5
    assert not Job.objects.exists()


def test_very_many_are_asked_for_and_the_unit_is_on_record_at_once(source, receiver, office):
    heard(source)
    job = ask(receiver, office)
    assert isinstance(job, Job)
    assert (SetAside.objects.open().count(), CheckInDay.objects.count()) == (12, 0)
    unit = Transmitter.objects.get(serial="NEW-1")
    asked = ChangeRow.objects.get(verb="adopt_set_aside")
    assert (asked.subject_id, asked.after) == (unit.pk, {"serial": "NEW-1", "waiting": 12, "is_new": True})
    jobs.run_ready()
    job.refresh_from_db()
    assert (job.state, job.result, job.progress_done) == ("done", {"n_events": 12, "n_left": 0}, 12)
    day = CheckInDay.objects.get()
    assert (day.transmitter_id, day.activations, day.flags) == (unit.pk, 11, CheckInDay.LOW_BATTERY)
    assert set(SetAside.objects.values_list("adopted_at", "adopted_by", "transmitter")) == {(NOW, office.pk, unit.pk)}
    end = ChangeRow.objects.get(verb="place_set_aside")
    assert (end.by, end.subject_id, end.after) == (office, unit.pk, {"serial": "NEW-1", "events": 12})


def test_a_double_click_makes_one_job_and_counts_once(source, receiver, office):
    heard(source)
    first, second = ask(receiver, office), ask(receiver, make_user("office"))
    assert first == second
    jobs.run_ready()
    with pytest.raises(NothingToAdopt):
        ask(receiver, office)
    assert (CheckInDay.objects.get().activations, Job.objects.count()) == (11, 1)
    assert ChangeRow.objects.filter(verb="adopt_set_aside").count() == 1


def test_a_second_click_while_few_are_left_waits_for_the_job_too(source, receiver, office):
    heard(source)
    job = ask(receiver, office)
    SetAside.objects.filter(pk__in=list(SetAside.objects.values_list("pk", flat=True)[:9])).update(
        dismissed_at=NOW, dismissed_by=office
    )
    assert ask(receiver, office) == job


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("broken", [1, 2, 3, 4])
@pytest.mark.parametrize("where", ["devices.actions.adoption.replay", "company.jobs.Handle.progress"])
def test_killed_in_any_part_it_goes_on_and_counts_each_event_once(source, receiver, office, monkeypatch, broken, where):
    heard(source, size=3)
    job = ask(receiver, office)
    turns = []
    real = adoption.replay if where.endswith("replay") else jobs.Handle.progress

    def dying(*args: Any, **given: Any) -> Any:
        turns.append(1)
        if len(turns) == broken + (not where.endswith("replay")):
            raise Killed
        return real(*args, **given)

    monkeypatch.setattr(where, dying)
    with pytest.raises(Killed):
        jobs.run(job.pk)
    assert SetAside.objects.filter(adopted_at=NOW).count() == 3 * (broken - 1)
    Job.objects.update(lease_until=timezone.now() - timedelta(seconds=1))
    jobs.run_ready()
    job.refresh_from_db()
    assert (job.state, job.attempts, job.result) == ("done", 2, {"n_events": 12, "n_left": 0})
    assert CheckInDay.objects.get().activations == 11
    assert ChangeRow.objects.filter(verb="place_set_aside").count() == 1


@pytest.mark.django_db(transaction=True)
def test_a_worker_that_has_lost_the_job_writes_nothing(source, receiver, office, monkeypatch):
    heard(source, size=3)
    job = ask(receiver, office)
    real, turns = adoption.replay, []

    def overtaken(*args: Any, **given: Any) -> Any:
        turns.append(1)
        if len(turns) == 2:
            Job.objects.update(attempts=2)
        return real(*args, **given)

    monkeypatch.setattr(adoption, "replay", overtaken)
    jobs.run(job.pk)
    assert SetAside.objects.filter(adopted_at=NOW).count() == 3
    assert CheckInDay.objects.get().activations == 3


@pytest.mark.parametrize("size", [1, 2, 5, 12])
@pytest.mark.parametrize("kinds", [("api",), ("file",), ("file", "api"), ("api", "file"), ("file", "file")])
def test_parts_count_what_all_at_once_would_count(receiver, office, kinds, size):
    sources = [make_source(receiver.customer, kind=kind) for kind in kinds]
    for serial in ("ALL-1", "NEW-1"):
        for one in sources:
            heard(one, serial, size=size)
    make_fitting(make_transmitter(receiver.customer, serial="ALL-1"))
    make_fitting(make_transmitter(receiver.customer, serial="NEW-1"))
    adopt(serial="ALL-1", customer=receiver.customer, by=office, at=NOW)
    assert isinstance(ask(receiver, office), Job)
    jobs.run_ready()
    mine, others = sums()
    assert mine == others
    one, two = FittingTotals.objects.order_by("pk").values_list("checkins", "activations")
    assert one == two
    assert differences(transmitter_ids=list(Transmitter.objects.values_list("pk", flat=True))) == []


def test_parts_follow_the_batches_and_never_cut_a_quarter_hour(source):
    for n, minutes in enumerate(([5], [6, 50], [0, 1, 14, 15, 16, 29, 30, 44, 59], [7], [8, 9, 10])):
        send(source, *(event("NEW-1", clock(3, at), row=row) for row, at in enumerate(minutes)), batch=f"b{n}")
    parts = [
        [(row.batch.batch_id, row.at.minute) for row in rows.order_by("pk")]
        for rows in parts_of(SetAside.objects.all())
    ]
    assert [one for one in parts if one] == [
        [("b0", 5), ("b1", 6), ("b1", 50)],
        [("b2", 0), ("b2", 1), ("b2", 14)],
        [("b2", 15), ("b2", 16), ("b2", 29)],
        [("b2", 30), ("b2", 44), ("b2", 59)],
        [("b3", 7)],
        [("b4", 8), ("b4", 9), ("b4", 10)],
    ]  # fmt: skip


def test_a_quarter_hour_with_more_events_than_a_part_stays_whole(source):
    send(source, *(event("NEW-1", clock(3, at), row=at) for at in (1, 2, 3, 4, 14, 15)))
    assert [rows.count() for rows in parts_of(SetAside.objects.all()) if rows.exists()] == [5, 1]


def test_what_comes_while_it_is_counted_counts_too(source, receiver, office, monkeypatch):
    heard(source, size=3)
    ask(receiver, office)
    real = adoption.replay
    came = []

    def meanwhile(*args: Any, **given: Any) -> Any:
        if not came:
            came.append(send(source, event("NEW-1", clock(10), "activation"), batch="live").answer["set_aside"])
        return real(*args, **given)

    monkeypatch.setattr(adoption, "replay", meanwhile)
    jobs.run_ready()
    assert came == [[]]
    assert CheckInDay.objects.get().activations == 12


def test_a_unit_of_another_customer_is_refused_before_anything_is_asked_for(source, receiver, office):
    heard(source)
    foreign = make_transmitter(make_customer())
    with pytest.raises(OtherCustomer):
        ask(receiver, office, transmitter=foreign)
    assert not Job.objects.exists()


def test_a_unit_that_went_to_another_customer_meanwhile_is_not_counted(source, receiver, office):
    heard(source)
    job = ask(receiver, office)
    Transmitter.objects.filter(serial="NEW-1").update(customer=make_customer())
    jobs.run_ready()
    job.refresh_from_db()
    assert (job.state, job.attempts) == ("failed", 1)
    assert "another customer" in job.error
    assert not CheckInDay.objects.exists()


def test_events_that_are_being_counted_are_not_dismissed(source, receiver, office):
    heard(source)
    ask(receiver, office)
    newest = SetAside.objects.latest("pk")
    with pytest.raises(BeingCounted, match="Wait"):
        dismiss_set_aside(event=newest, newest_pk=newest.pk, by=office, at=NOW, reason="no")
    jobs.run_ready()
    assert SetAside.objects.filter(adopted_at=None).count() == 0


# --- of slots and of receivers that nobody knew -----------------------------------------------------------------------


def of_account(source: IntakeSource, n: int = 8) -> None:
    """Rows of an account that nobody knows, of the slots 4 and 5 in turn."""
    rows = [
        Event(i + 1, "check_in", clock(1) + timedelta(minutes=15 * i), slot=4 + i % 2, receiver="9999")
        for i in range(n)
    ]
    send(source, *rows)


def test_a_receiver_is_named_for_very_many_and_what_stands_spare_waits_under_its_slot(receiver, office):
    make_registration(receiver, 4)
    of_account(make_source(kind="file"))
    job = place_or_ask(event=SetAside.objects.latest("pk"), receiver=receiver, by=office, at=NOW)
    jobs.run_ready()
    job.refresh_from_db()
    assert (job.state, job.result) == ("done", {"n_events": 4, "n_left": 4})
    assert CheckInDay.objects.get().heard == 4
    assert set(SetAside.objects.open().values_list("unit", flat=True)) == {f" slot {receiver.pk} 5"}
    said = [row.after for row in ChangeRow.objects.filter(verb="place_set_aside").order_by("pk")]
    assert [(row.get("waiting"), row.get("events"), row["receiver"]) for row in said] == [
        (8, None, receiver.label), (None, 4, receiver.label)
    ]  # fmt: skip


def test_where_none_can_be_placed_the_job_says_what_to_do_and_asking_again_starts_anew(receiver, office):
    of_account(make_source(kind="file"))
    newest = SetAside.objects.latest("pk")
    job = place_or_ask(event=newest, by=office, at=NOW)
    jobs.run_ready()
    job.refresh_from_db()
    assert (job.state, SetAside.objects.open().count()) == ("failed", 8)
    assert "Put the ledger right" in job.error
    receiver.serial = "9999"
    receiver.save()
    make_registration(receiver, 4)
    again = place_or_ask(event=newest, by=office, at=NOW)
    assert again != job
    jobs.run_ready()
    assert SetAside.objects.filter(adopted_at=NOW).count() == 4


def test_a_receiver_of_somebody_else_is_refused_before_anything_is_asked_for(office, receiver):
    of_account(make_source(receiver.customer, kind="file"))
    with pytest.raises(OtherCustomer):
        place_or_ask(
            event=SetAside.objects.latest("pk"), receiver=make_receiver(make_site(make_customer())), by=office, at=NOW
        )
    assert not Job.objects.exists()


# --- two at once ------------------------------------------------------------------------------------------------------


@needs_postgresql
@pytest.mark.django_db(transaction=True)
def test_two_who_click_at_the_same_moment_get_one_job(source, receiver, office):
    heard(source)
    both = [Beside(lambda: ask(receiver, office), keeps=True) for _ in range(2)]
    for one in both:
        one.start()
    for one in both:
        one.join(60)
    assert [one.failed for one in both] == [[], []]
    assert (Job.objects.count(), Transmitter.objects.filter(serial="NEW-1").count()) == (1, 1)


@needs_postgresql
@pytest.mark.django_db(transaction=True)
def test_a_part_and_a_batch_of_the_same_unit_never_wait_for_each_other_for_good(source, receiver, office):
    heard(source)
    make_registration(receiver, 1, transmitter=make_transmitter(receiver.customer, serial="NEW-1"))
    asked = ask(receiver, office)
    assert isinstance(asked, Job)
    args = asked.args | {"at": NOW, "customers": tuple(asked.args["customers"])}
    wish = set_aside_later.Asked(**args)

    def part() -> None:
        set_aside_later._count_part(wish, wish.rows(), office)

    def live() -> None:
        send(source, event("NEW-1", clock(10), "activation"), event("NEW-1", clock(11), "low_battery", 2), batch="live")

    assert crossings(part, live) == []
