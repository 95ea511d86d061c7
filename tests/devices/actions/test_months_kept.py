"""Months of check-ins: made ahead, days of a wrong clock told, closed months packed, old ones dropped with their sums kept."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta

import pytest
from django.db import connection

from company import jobs
from company.actions import ensure_firm
from company.models import ChangeRow, Firm, Job
from devices.actions import months, months_close, months_drop
from devices.actions.fault_events import Signal, record_signals
from devices.actions.rollups import differences, rebuild_totals
from devices.models import CheckInDay, Fault, FaultReport, FittingTotals, Registration
from devices.querysets.days_read import Strays, stray_days
from devices.rules.months import closed_until, month_after, months_back
from tests.factories import NOW, TODAY, make_fitting, make_receiver, make_registration

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]
POSTGRESQL = connection.vendor == "postgresql"
MASK = bytes([0xFF, 0x0F, *[0] * 10])
CLOSED = months_back(closed_until(TODAY), 1)
"""The last month that is closed today: all of it lies 70 days back."""


def units(n=3, **over):
    receiver = make_receiver()
    made = [make_registration(receiver, slot + 1, **over).transmitter for slot in range(n)]
    for one in made:
        make_fitting(one)
    return made


def month_days(month):
    return [month + timedelta(days=n) for n in range((month_after(month) - month).days)]


def hear(transmitters, days):
    CheckInDay.objects.bulk_create(
        CheckInDay(
            transmitter_id=one.pk, day=day, customer_id=one.customer_id, heard=12, expected=24, activations=1,
            last_heard_s=9000, presence=MASK, acted=MASK,
        )
        for day in days
        for one in transmitters
    )  # fmt: skip
    rebuild_totals(transmitter_ids=[one.pk for one in transmitters])


def counts():
    names = (
        "transmitter_id",
        "day",
        "customer_id",
        "heard",
        "expected",
        "activations",
        "loss_runs",
        "last_heard_s",
        "flags",
    )
    return list(CheckInDay.objects.order_by("transmitter_id", "day").values_list(*names))


def masks(**which):
    return {
        bytes(mask) if mask is not None else None
        for mask in CheckInDay.objects.filter(**which).values_list("presence", flat=True)
    }


def night(today=TODAY):
    kept = months.keep_months(today=today)
    jobs.run_ready()
    assert not Job.objects.exclude(state=Job.State.DONE).exists(), list(Job.objects.values_list("error", flat=True))
    return kept


# --- closing ------------------------------------------------------------------------------------------------------------


def test_a_closed_month_keeps_its_counts_and_loses_its_quarter_hours():
    some = units()
    hear(some, [*month_days(CLOSED), closed_until(TODAY), TODAY])
    before = counts()
    assert CLOSED in night().closing
    assert counts() == before
    assert masks(day__lt=closed_until(TODAY)) == {b""}
    assert masks(day__gte=closed_until(TODAY)) == {MASK}
    assert differences(transmitter_ids=[one.pk for one in some]) == []


def test_a_month_is_closed_once():
    hear(units(), month_days(CLOSED))
    assert CLOSED in night().closing
    assert night().closing == ()
    assert night(TODAY + timedelta(days=1)).closing == ()


def test_months_without_a_day_are_no_work_for_the_night():
    """A new firm has years of them: a job for each would fill the list of jobs on its first night."""
    hear(units(), [month_days(CLOSED)[0]])
    assert night().closing == (CLOSED,)


def test_a_month_is_not_closed_before_all_of_it_lies_seventy_days_back():
    hear(units(), [date(2026, 8, 31), date(2026, 9, 1)])
    assert date(2026, 8, 1) not in night(date(2026, 11, 8)).closing
    assert date(2026, 8, 1) in night(date(2026, 11, 10)).closing
    assert masks(day=date(2026, 9, 1)) == {MASK}


@pytest.mark.skipif(not POSTGRESQL, reason="SQLite has one table")
def test_the_table_of_a_closed_month_is_full_and_in_the_order_of_its_key():
    some = units(6)
    for day in month_days(CLOSED):
        hear(some, [day])
    night()
    name = months.partition_name(CLOSED)
    with connection.cursor() as cursor:
        cursor.execute(f'SELECT transmitter_id, day FROM "{name}" ORDER BY ctid')
        rows = cursor.fetchall()
    assert rows == sorted(rows)
    assert len(rows) == 6 * len(month_days(CLOSED))
    assert {one.month: one.fill for one in months.partitions()}[CLOSED] == 100
    assert {one.month: one.fill for one in months.partitions()}[month_after(CLOSED)] == 50


def test_sealing_that_was_cut_short_goes_on_where_it_was(monkeypatch):
    monkeypatch.setitem(months_close.UNITS_A_WRITE, connection.vendor, 1)
    hear(units(), month_days(CLOSED))
    before = counts()

    class Cut(Exception):
        pass

    def cut(n):
        if n:
            raise Cut

    with pytest.raises(Cut):
        months_close.seal(month=CLOSED, fence=cut)
    assert masks() == {b"", MASK}
    months_close.seal(month=CLOSED)
    assert (masks(), counts()) == ({b""}, before)
    assert months_close.seal(month=CLOSED) == 0


# --- room made, wrong clocks --------------------------------------------------------------------------------------------


def test_days_that_came_before_their_month_was_made_get_into_it():
    (one,) = units(1)
    ahead = month_after(month_after(TODAY))
    hear([one], [ahead])
    strange = date(2030, 2, 3)
    hear([one], [strange])
    today = date(2029, 12, 30)
    assert ("devices_checkinday_203002" in night(today).made) is POSTGRESQL
    assert stray_days(today=today) == Strays(0)
    assert CheckInDay.objects.filter(day=strange, heard=12).count() == 1
    if POSTGRESQL:
        with connection.cursor() as cursor:
            cursor.execute("SELECT count(*) FROM devices_checkinday_203002")
            assert cursor.fetchone() == (1,)


def test_days_of_a_wrong_clock_are_told_and_stop_nothing(caplog):
    one, two, _ = units()
    hear([one], [date(2047, 5, 6), TODAY])
    hear([two], [date(2001, 1, 2), date(2047, 5, 9)])
    assert night().n_strays == 3
    assert "Correct the clock" in caplog.text
    assert stray_days(today=TODAY) == Strays(3, date(2001, 1, 2), date(2047, 5, 9))
    assert CheckInDay.objects.count() == 4


# --- dropping -----------------------------------------------------------------------------------------------------------


def keep_for(n_months):
    ensure_firm()
    Firm.objects.update(checkin_months=n_months)


def totals():
    names = ("fitting_id", "from_on", "days_measured", "checkins", "activations")
    return list(FittingTotals.objects.order_by("fitting_id", "from_on").values_list(*names))


OLD = [date(2024, 9, 29), date(2024, 9, 30), date(2024, 10, 1), date(2024, 10, 31), date(2024, 11, 1)]


def old_units():
    """Two units with cells of three years, whose interval changed in October 2024."""
    made, receiver = [], make_receiver()
    cut = NOW.replace(year=2024, month=10, day=15)
    for slot in (1, 2):
        row = make_registration(receiver, slot, registered_at=NOW - timedelta(days=1100))
        make_fitting(row.transmitter, fitted_at=NOW - timedelta(days=1100))
        Registration.objects.filter(pk=row.pk).update(removed_at=cut)
        make_registration(receiver, slot, transmitter=row.transmitter, interval_s=600, registered_at=cut)
        made.append(row.transmitter)
    return made


def test_reports_of_faults_from_before_the_border_go_but_low_batteries_and_the_faults_stay():
    one, _ = old_units()
    hear([one], [*OLD, TODAY])
    row = Registration.objects.filter(transmitter=one).first()
    for day in (date(2024, 10, 31), date(2024, 11, 1)):
        at = datetime.combine(day, time(12), tzinfo=UTC)
        told = [
            Signal(kind, at + timedelta(minutes=n), row.customer_id, row.site_id, row.receiver_id, row.pk, one.pk)
            for n, kind in enumerate(["trouble", "trouble_restored", "low_battery", "battery_restored"])
        ]
        record_signals(signals=told, source="gateway", at=at)
    faults = list(Fault.objects.order_by("pk").values_list("pk", "raised_at", "cleared_at"))
    keep_for(24)
    night()
    kept = FaultReport.objects.order_by("at").values_list("kind", "is_raised", "at__date")
    new = date(2024, 11, 1)
    assert list(kept) == [
        ("low_battery", True, date(2024, 10, 31)), ("trouble", True, new), ("trouble", False, new),
        ("low_battery", True, new), ("low_battery", False, new),
    ]  # fmt: skip
    assert list(Fault.objects.order_by("pk").values_list("pk", "raised_at", "cleared_at")) == faults


def test_days_older_than_the_firm_keeps_go_and_their_sums_stay():
    some = old_units()
    hear(some, [*OLD, TODAY])
    before = totals()
    keep_for(24)
    assert night().dropping[-2:] == (date(2024, 9, 1), date(2024, 10, 1))
    assert sorted({row[1] for row in counts()}) == [date(2024, 11, 1), TODAY]
    assert totals() == before
    rows = FittingTotals.objects.order_by("fitting_id", "from_on")
    assert list(rows.values_list("dropped_days", "dropped_checkins", "dropped_activations")) == [
        (3, 36, 3), (1, 12, 1), (3, 36, 3), (1, 12, 1),
    ]  # fmt: skip
    assert Firm.objects.get().checkins_from == date(2024, 11, 1)
    assert {one.month for one in months.partitions() if one.month < date(2024, 11, 1)} == set()


def test_dropping_is_written_down_and_done_once():
    hear(old_units(), OLD)
    keep_for(24)
    night()
    said = ChangeRow.objects.filter(verb="drop_checkin_days").order_by("pk")
    assert (said[0].by, said[0].reason) == (None, "Kept for 24 months.")
    assert said.last().after == {"checkins_from": "2024-11-01"}
    n = said.count()
    assert night().dropping == ()
    assert night(TODAY + timedelta(days=1)).dropping == ()
    assert said.count() == n


def test_nothing_is_dropped_where_days_are_kept_for_ever():
    hear(old_units(), OLD)
    ensure_firm()
    assert night().dropping == ()
    assert len(counts()) == 2 * len(OLD)
    assert Firm.objects.get().checkins_from is None


def test_dropping_that_was_cut_short_goes_on_and_counts_no_day_twice(monkeypatch):
    monkeypatch.setitem(months_close.UNITS_A_WRITE, connection.vendor, 1)
    hear(old_units(), OLD)
    before = totals()
    keep_for(24)

    class Cut(Exception):
        pass

    def cut(n):
        if n:
            raise Cut

    with pytest.raises(Cut):
        months_drop.drop_days(month=date(2024, 10, 1), fence=cut)
    assert CheckInDay.objects.filter(day__in=OLD[2:4]).count() == 2
    night()
    assert totals() == before
    assert [row.dropped_checkins for row in FittingTotals.objects.order_by("fitting_id", "from_on")] == [36, 12] * 2
    assert sorted({row[1] for row in counts()}) == [date(2024, 11, 1)]


def test_a_month_that_the_firm_wants_to_keep_after_all_is_kept():
    hear(old_units(), OLD)
    keep_for(24)
    months.keep_months(today=TODAY)
    keep_for(None)
    jobs.run_ready()
    assert len(counts()) == 2 * len(OLD)
