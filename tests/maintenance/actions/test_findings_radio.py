"""What the radio tells becomes findings: read in bulk, gone when it is over, and never of what does not reach us."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from company.actions import ensure_policies
from devices.models import (
    Away,
    CheckInDay,
    Fault,
    IntakeBatch,
    IntakeSource,
    LinkWatch,
    OutageDay,
    Receiver,
    Registration,
    SetAside,
)
from devices.querysets.radio_records import radio_records, watched_windows
from devices.rules.radio_record import RadioRecord, Watched
from devices.rules.silence import LATE
from maintenance.actions.findings import refresh_findings
from maintenance.models import FindingRecord
from tests.factories import NOW, TODAY, make_receiver, make_registration, number

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]
RADIO = ("silent", "link_weak", "link_very_weak", "nuisance_faults", "stranger_heard")


@pytest.fixture
def slot() -> Registration:
    ensure_policies()
    return make_registration(make_receiver(evidence="every", heard_until=NOW, days_closed_until=TODAY))


def days(of: Registration, n: int, *, heard: int = 24, runs: int = 0, ago: int = 0, **over: Any) -> None:
    CheckInDay.objects.bulk_create(
        CheckInDay(
            **(
                {
                    "transmitter_id": of.transmitter_id, "day": TODAY - timedelta(days=ago + i), "expected": 24,
                    "customer_id": of.customer_id, "heard": heard, "loss_runs": runs, "last_heard_s": 30_000 if heard else None,
                }
                | over
            )
        )
        for i in range(n)
    )  # fmt: skip


def found(receiver: Receiver) -> list[str]:
    refresh_findings(receivers=[receiver], at=NOW)
    rows = FindingRecord.objects.open().filter(receiver=receiver, code__in=RADIO)
    return sorted(rows.values_list("code", flat=True))


def weak(of: Registration, **over: Any) -> LinkWatch:
    fields = {
        "judged_on": TODAY - timedelta(days=1), "onset_on": TODAY - timedelta(days=12), "score": 22.0,
        "amber_since": TODAY - timedelta(days=4), "share_before": 0.97, "share_now": 0.78,
    }  # fmt: skip
    return LinkWatch.objects.create(
        transmitter=of.transmitter, customer=of.customer, registration=of, **(fields | over)
    )


def test_a_slot_heard_as_it_should_be_is_no_finding(slot: Registration) -> None:
    days(slot, 90)
    assert found(slot.receiver) == []


def test_a_weak_link_is_found_dated_and_gone_when_it_is_well_again(slot: Registration) -> None:
    days(slot, 90)
    state = weak(slot)
    assert found(slot.receiver) == ["link_weak"]
    row = FindingRecord.objects.open().get(code="link_weak")
    assert (row.slot, row.duty, row.since_on) == (1, "life_safety", TODAY - timedelta(days=12))
    assert "78 in 100" in row.what
    LinkWatch.objects.filter(pk=state.pk).update(red_since=TODAY)
    assert found(slot.receiver) == ["link_very_weak"]
    LinkWatch.objects.filter(pk=state.pk).update(amber_since=None, red_since=None)
    assert found(slot.receiver) == []


def test_the_state_of_a_link_at_another_receiver_says_nothing_here(slot: Registration) -> None:
    days(slot, 90)
    weak(slot)
    moved = make_registration(
        make_receiver(slot.site, evidence="every", heard_until=NOW), transmitter=slot.transmitter, is_shared=True
    )
    Registration.objects.filter(pk=slot.pk).update(removed_at=NOW - timedelta(hours=1))
    assert found(slot.receiver) == []
    assert found(moved.receiver) == []


def test_what_is_not_heard_past_its_window_is_found_whether_supervised_or_not(slot: Registration) -> None:
    other = make_registration(slot.receiver, 2, supervision="off", window_s=None, duty="convenience")
    days(slot, 30, ago=2)
    days(other, 30, ago=2)
    assert found(slot.receiver) == ["silent", "silent"]
    row = FindingRecord.objects.open().get(code="silent", slot=1)
    assert row.what == "Silent since 23 November, 08:20"
    assert row.since_on == TODAY - timedelta(days=2)
    Away.objects.create(
        customer=slot.customer, site=slot.site, registration=slot, from_on=TODAY, reason="stay", agreed_with="ward"
    )
    Fault.objects.create(
        customer=slot.customer, site=slot.site, receiver=slot.receiver, registration=other, transmitter=other.transmitter,
        kind="missing", raised_at=NOW - timedelta(hours=3),
    )  # fmt: skip
    assert found(slot.receiver) == []


def test_a_dead_receiver_explains_the_silence_of_all(slot: Registration) -> None:
    days(slot, 30, ago=2)
    Fault.objects.create(
        customer=slot.customer,
        site=slot.site,
        receiver=slot.receiver,
        kind="outage",
        raised_at=NOW - timedelta(hours=30),
    )
    assert found(slot.receiver) == []


@pytest.mark.parametrize("evidence", ["exceptions", "visits"])
def test_where_check_ins_do_not_reach_us_nothing_is_found_silent(slot: Registration, evidence: str) -> None:
    days(slot, 60, heard=20, runs=2, ago=2)
    weak(slot)
    Receiver.objects.filter(pk=slot.receiver_id).update(evidence=evidence)
    assert found(slot.receiver) == []


def test_a_window_that_cries_wolf_by_the_record_is_found(slot: Registration) -> None:
    # 3 of 24 lost, all in one run: with a window of 4 h that is a fault many times a year.
    days(slot, 60, heard=21, runs=1)
    assert found(slot.receiver) == ["nuisance_faults"]
    Registration.objects.filter(pk=slot.pk).update(window_s=24 * 3600)
    assert found(slot.receiver) == []


def missing(of: Registration, ago: int, **over: Any) -> Fault:
    begun = NOW - timedelta(days=ago)
    fields = {"kind": "missing", "raised_at": begun, "cleared_at": begun + timedelta(hours=1)}
    return Fault.objects.create(
        customer=of.customer, site=of.site, receiver=of.receiver, registration=of, transmitter=of.transmitter,
        **(fields | over),
    )  # fmt: skip


def test_a_window_that_should_cry_wolf_and_never_did_is_no_finding(slot: Registration) -> None:
    days(slot, 60, heard=21, runs=1)
    Registration.objects.filter(pk=slot.pk).update(registered_at=NOW - timedelta(days=61))
    Receiver.objects.filter(pk=slot.receiver_id).update(judged_until=NOW)
    assert found(slot.receiver) == []
    for ago in range(1, 41):
        missing(slot, ago)
    assert found(slot.receiver) == ["nuisance_faults"]
    assert (
        "on record: 40 missing faults since 26 September"
        in FindingRecord.objects.open().get(code="nuisance_faults").what
    )


def test_faults_count_from_when_the_window_in_use_began_there(slot: Registration) -> None:
    Registration.objects.filter(pk=slot.pk).update(registered_at=NOW - timedelta(days=200))
    Receiver.objects.filter(pk=slot.receiver_id).update(judged_until=NOW)
    for ago in (100, 50, 30, 10, 0):
        missing(slot, ago)
    missing(slot, 20, cause=LATE)
    missing(slot, 21, kind="tamper")
    since = TODAY - timedelta(days=90)
    assert watched_windows([slot.receiver_id], TODAY) == {slot.pk: Watched(3, since, 90, is_whole=True)}
    # Another label is another registration with the same window; another window begins anew.
    for ago, over in ((40, {"label": "other"}), (20, {"label": "other", "window_s": 86400})):
        Registration.objects.filter(receiver=slot.receiver, removed_at=None).update(
            removed_at=NOW - timedelta(days=ago)
        )
        last = make_registration(
            slot.receiver, transmitter=slot.transmitter, registered_at=NOW - timedelta(days=ago), **over
        )
        (one,) = watched_windows([slot.receiver_id], TODAY).items()
        wanted = Watched(3, since, 90, is_whole=True) if ago == 40 else Watched(1, TODAY - timedelta(days=19), 19)
        assert one == (last.pk, wanted)
    Receiver.objects.filter(pk=slot.receiver_id).update(judged_until=NOW - timedelta(days=15))
    assert watched_windows([slot.receiver_id], TODAY)[last.pk] == Watched(0, TODAY - timedelta(days=19), 4)
    Receiver.objects.filter(pk=slot.receiver_id).update(judged_until=None)
    assert watched_windows([slot.receiver_id], TODAY) == {}


def test_the_record_leaves_out_outages_and_days_without_any_and_days_elsewhere(slot: Registration) -> None:
    begun = datetime.combine(TODAY - timedelta(days=50), time(9), UTC)
    Registration.objects.filter(pk=slot.pk).update(registered_at=begun)
    days(slot, 80, heard=23, runs=1)
    for ago in (3, 4):
        OutageDay.objects.create(
            customer=slot.customer, receiver=slot.receiver, day=TODAY - timedelta(days=ago), median=0.2
        )
    CheckInDay.objects.filter(transmitter_id=slot.transmitter_id, day=TODAY - timedelta(days=9)).update(heard=0)
    # The day of registration and today are no whole days.
    assert radio_records([slot.pk], TODAY) == {
        slot.pk: RadioRecord(46, 46 * 24, 46 * 23, 46, TODAY - timedelta(days=49), 3)
    }
    # A changed window begins another registration, not another record.
    Registration.objects.filter(pk=slot.pk).update(removed_at=NOW - timedelta(days=20))
    later = make_registration(
        slot.receiver, transmitter=slot.transmitter, registered_at=NOW - timedelta(days=20), window_s=86400
    )
    assert radio_records([later.pk], TODAY)[later.pk].n_days == 46
    Registration.objects.filter(pk=later.pk).update(interval_s=1800)
    assert radio_records([later.pk], TODAY)[later.pk].n_days == 16


def stranger(receiver: Receiver, serial: str, ago: int, **over: Any) -> SetAside:
    source = IntakeSource.objects.get_or_create(name="gateway", defaults={"customer": receiver.customer})[0]
    batch = IntakeBatch.objects.create(source=source, batch_id=f"b{number()}", sha256="0" * 64)
    fields = {
        "at": NOW - timedelta(days=ago),
        "serial": serial,
        "kind": "check_in",
        "event": {},
        "why": "unknown serial",
    }
    return SetAside.objects.create(batch=batch, customer=receiver.customer, receiver=receiver, **(fields | over))


def test_a_stranger_is_found_once_it_was_heard_on_two_days_and_gone_when_dismissed(slot: Registration) -> None:
    days(slot, 30)
    stranger(slot.receiver, "SK-77777", 1)
    stranger(slot.receiver, "SK-77777", 1)
    stranger(slot.receiver, "SK-88888", 40)
    stranger(slot.receiver, "SK-88888", 2)
    assert found(slot.receiver) == []
    last = stranger(slot.receiver, "SK-77777", 5)
    assert found(slot.receiver) == ["stranger_heard"]
    row = FindingRecord.objects.open().get(code="stranger_heard")
    assert "SK-77777" in row.what
    assert row.since_on == TODAY - timedelta(days=5)
    SetAside.objects.filter(pk=last.pk).update(dismissed_at=NOW)
    assert found(slot.receiver) == []


def test_more_receivers_need_no_more_queries(slot: Registration) -> None:
    def spent(ids: list[int]) -> int:
        refresh_findings(receivers=ids, at=NOW)
        with CaptureQueriesContext(connection) as caught:
            refresh_findings(receivers=ids, at=NOW)
        return len(caught)

    ids = [slot.receiver_id]
    days(slot, 20, heard=22, runs=1, ago=2)
    few = spent(ids)
    for _ in range(4):
        more = make_registration(make_receiver(slot.site, evidence="every", heard_until=NOW))
        days(more, 20, heard=22, runs=1, ago=2)
        weak(more)
        ids.append(more.receiver_id)
    assert spent(ids) == few
