"""Event logs on their way to the records: each row once, whatever breaks off, comes again or overlaps."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from company import jobs
from company.models import ChangeRow, Job, Upload
from devices.actions import event_files as actions
from devices.models import CheckInDay, Fault, IntakeBatch, IntakeSource, PanelAccount, Registration, SetAside
from devices.rules import event_log
from tests import factories
from tests.conftest import World
from tests.devices.event_log_files import check, hand_over, job_of, make_source, problems, take

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def registration(world: World) -> Registration:
    """A slot that was in use all the year."""
    row = world.own_registration
    row.registered_at = factories.NOW - timedelta(days=400)
    row.save()
    return row


def serial_of(row: Registration) -> str:
    assert row.transmitter is not None
    return row.transmitter.serial


def log_of(serial: str, *days: int, event: str = "check-in", hours: range = range(0, 24, 2)) -> str:
    rows = [f"2026-11-{day:02} {hour:02}:05,{serial},{event}" for day in days for hour in hours]
    return "\n".join(["Time,Serial,Event", *rows, ""])


def days() -> list[tuple[Any, ...]]:
    return list(
        CheckInDay.objects.order_by("transmitter_id", "day").values_list(
            "transmitter_id", "day", "heard", "activations"
        )
    )


def test_files_that_overlap_count_every_check_in_once(registration: Registration) -> None:
    source, serial = make_source(), serial_of(registration)
    take(hand_over(source, log_of(serial, 1, 2, 3)), source)
    seen = check(hand_over(source, log_of(serial, 2, 3, 4)), source)
    assert (seen["n_days"], seen["n_days_heard"]) == (3, 2)
    take(hand_over(source, log_of(serial, 2, 3, 4)), source)
    assert [(day.day, heard) for _unit, day, heard, _acts in days()] == [(1, 12), (2, 12), (3, 12), (4, 12)]


def test_activations_of_files_that_overlap_are_counted_once(registration: Registration) -> None:
    source, other, serial = make_source(), make_source(), serial_of(registration)
    take(hand_over(source, log_of(serial, 5, event="Help call", hours=range(8, 12))), source)
    take(hand_over(other, log_of(serial, 5, event="Help call", hours=range(10, 14))), other)
    assert [acts for *_rest, acts in days()] == [6]


def test_the_same_file_twice_changes_nothing_and_says_so(registration: Registration) -> None:
    source, body = make_source(), log_of(serial_of(registration), 1, 2)
    first = take(hand_over(source, body), source)
    before = list(CheckInDay.objects.values())
    again = take(hand_over(source, body), source)
    assert (first["n_repeats"], again["n_repeats"], again["n_taken"]) == (0, 1, first["n_taken"])
    assert list(CheckInDay.objects.values()) == before
    assert IntakeBatch.objects.get().n_repeats == 1


def test_work_that_is_broken_off_goes_on_where_it_stopped(
    registration: Registration, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(event_log, "PART_ROWS", 10)
    source, body = make_source(), log_of(serial_of(registration), 1, 2, 3)
    upload = hand_over(source, body)
    check(upload, source)
    job = actions.ask_to_take(upload=upload, check=job_of(actions.check_prefix(upload)), by=None, at=factories.NOW)
    whole, calls = actions.take_part, []

    def dying(**given: Any) -> Any:
        calls.append(given["part"].number)
        if len(calls) == 3:
            raise MemoryError
        return whole(**given)

    monkeypatch.setattr(actions, "take_part", dying)
    jobs.run(job.pk)
    assert IntakeBatch.objects.count() == 2, "What was taken before the end stays."
    monkeypatch.setattr(actions, "take_part", whole)
    Job.objects.filter(pk=job.pk).update(not_before=factories.NOW)
    jobs.run(job.pk)
    job.refresh_from_db()
    assert job.state == "done", job.error
    result = job.result or {}
    assert (result["n_parts"], result["n_repeats"], result["n_taken"]) == (4, 2, 36)
    assert [heard for _unit, _day, heard, _acts in days()] == [12, 12, 12]
    assert ChangeRow.objects.filter(verb="take_event_log").count() == 1


def test_a_second_worker_that_comes_late_takes_nothing_twice(registration: Registration) -> None:
    source = make_source()
    upload = hand_over(source, log_of(serial_of(registration), 1))
    check(upload, source)
    job = actions.ask_to_take(upload=upload, check=job_of(actions.check_prefix(upload)), by=None, at=factories.NOW)
    late = jobs.claim(job.pk)
    assert late is not None
    Job.objects.filter(pk=job.pk).update(lease_until=factories.NOW - timedelta(seconds=1))
    assert jobs.run(job.pk)
    from devices.imports.event_logs import take_file

    with pytest.raises(jobs.LeaseLost):
        take_file(late, **job.args)
    assert IntakeBatch.objects.get().n_taken == 12
    assert ChangeRow.objects.filter(verb="take_event_log").count() == 1


def test_what_the_check_says_is_what_then_happens(registration: Registration, world: World) -> None:
    source = make_source()
    body = (
        log_of(serial_of(registration), 1) + "2026-11-01 09:00,NEVER-1,E384\nnever,AB-1,E384\n2026-11-01 09:00,,E401\n"
    )
    upload = hand_over(source, body)
    seen = check(upload, source)
    taken = take(upload, source)
    assert seen["n_events"] - seen["n_set_aside"] == taken["n_taken"] == 12
    assert seen["n_set_aside"] == taken["n_set_aside"] == 1
    assert seen["n_refused"] == taken["n_refused"] == 1
    assert seen["n_ignored"] == taken["n_ignored"] == 1
    assert seen["unknown"] == [["NEVER-1", 1]]
    assert [row for row, *_rest in problems(upload)] == [15]


def test_a_check_writes_nothing_but_what_it_found(registration: Registration) -> None:
    source = make_source()
    check(hand_over(source, log_of(serial_of(registration), 1)), source)
    assert [model.objects.count() for model in (CheckInDay, IntakeBatch, SetAside)] == [0, 0, 0]


def test_a_low_battery_in_a_file_raises_its_fault(registration: Registration) -> None:
    source, serial = make_source(), serial_of(registration)
    take(hand_over(source, f"Time,Serial,Event\n2026-11-24 09:00,{serial},E384\n"), source)
    assert Fault.objects.get(kind="low_battery").transmitter_id == registration.transmitter_id


def test_an_account_of_a_panel_and_a_zone_find_the_slot(registration: Registration) -> None:
    receiver = registration.receiver
    panel = make_source(kind="panel", column_map={})
    PanelAccount.objects.create(
        customer=receiver.customer, site=receiver.site, source=panel, number="04711", slot_offset=100
    )
    source = make_source()
    body = "Time,Account,Event code,Zone\n2026-11-24 09:00,4711,E384,101\n"
    assert take(hand_over(source, body), source)["n_taken"] == 1
    assert Fault.objects.get(kind="low_battery").registration_id == registration.pk


@pytest.mark.parametrize("name", ["code", "label", "serial", "site"])
def test_a_receiver_is_found_however_the_file_names_it(registration: Registration, name: str) -> None:
    receiver = registration.receiver
    receiver.serial, receiver.label = "RX 100-7", "Attic"
    receiver.save()
    named = {"code": receiver.code.lower(), "label": "ATTIC", "serial": "rx1007", "site": receiver.site.code}[name]
    source = make_source()
    body = f"Time,Account,Event,Zone\n2026-11-24 09:00,{named},E384,1\n"
    assert take(hand_over(source, body), source)["n_taken"] == 1


def test_a_site_with_two_receivers_is_told_apart_by_a_column_of_receivers(registration: Registration) -> None:
    site = registration.site
    factories.make_receiver(site, label="Second")
    source = make_source()
    upload = hand_over(source, f"Time,Site,Event,Zone\n2026-11-24 09:00,{site.code},E384,1\n")
    check(upload, source)
    assert "could be 2 receivers" in problems(upload)[0][2]
    body = f"Time,Site,Receiver,Event,Zone\n2026-11-24 09:00,{site.code},{registration.receiver.label},E384,1\n"
    assert take(hand_over(source, body), source)["n_taken"] == 1


def test_a_source_of_one_receiver_needs_no_column_for_it(registration: Registration) -> None:
    source = make_source(customer=registration.customer, site=registration.site)
    assert take(hand_over(source, "Time,Event,Zone\n2026-11-24 09:00,E384,1\n"), source)["n_taken"] == 1


def test_a_source_of_a_customer_says_nothing_of_another(world: World, registration: Registration) -> None:
    source = make_source(customer=world.own)
    foreign, receiver = serial_of(world.other_registration), world.other_receiver
    body = (
        f"Time,Account,Serial,Event,Zone\n2026-11-24 09:00,,{foreign},E384,\n2026-11-24 09:00,{receiver.code},,E384,1\n"
        "2026-11-24 09:00,,NEVER-1,E384,\n"
    )
    upload = hand_over(source, body)
    seen = check(upload, source)
    assert {name for name, _n in seen["unknown"]} == {foreign, "NEVER-1"}, "As unknown as what nobody has."
    assert [name for name, _n in seen["nowhere"]] == [receiver.code]
    assert take(upload, source)["n_set_aside"] == 3
    assert not Fault.objects.filter(customer=world.other).exists()
    assert len({row.why for row in SetAside.objects.exclude(serial="")}) == 1


def test_the_autumn_night_in_a_file_fills_its_twenty_five_hours(registration: Registration) -> None:
    serial = serial_of(registration)
    walls = ["00:30", "01:00", "01:30", "01:00", "01:30", "02:00"]
    body = "Time,Serial,Event\n" + "".join(f"2026-10-25 {wall},{serial},check-in\n" for wall in walls)
    source = make_source()
    take(hand_over(source, body), source)
    assert [(day.day, heard) for _unit, day, heard, _acts in days()] == [(24, 1), (25, 5)]


def test_a_retired_source_takes_no_file(registration: Registration) -> None:
    source = make_source(is_active=False)
    with pytest.raises(actions.CannotTakeFile):
        hand_over(source, log_of(serial_of(registration), 1))
    assert not Upload.objects.exists()


def test_the_map_of_a_source_is_logged_once_and_only_when_it_changes(registration: Registration) -> None:
    source = make_source()
    for _ in range(2):
        check(hand_over(source, log_of(serial_of(registration), 1)), source)
    row = ChangeRow.objects.get(verb="map_event_log")
    assert (row.after or {})["columns"] == "time: time, event: event, serial: serial"
    assert IntakeSource.objects.get().column_map["zone"] == "Europe/London"
