"""Days of check-ins and running totals: added in any order they agree with what the days give when added up anew."""

import contextlib
import random
import threading
from datetime import UTC, datetime, time, timedelta

import pytest
from django.db import connection, transaction

from devices.actions.batteries import fit_battery, remove_battery
from devices.actions.fitting_corrections import take_back_fitting
from devices.actions.ledger import OutOfOrder
from devices.actions.rollups import DayRow, NotADay, differences, rebuild_totals, record_days
from devices.models import CheckInDay, Fitting, FittingTotals, Registration
from devices.rules.presence import mask_of_quarters
from tests.factories import TODAY, battery_type, make_fitting, make_receiver, make_registration, make_user

pytestmark = pytest.mark.django_db
FIRST = TODAY - timedelta(days=60)


def noon(day):
    return datetime.combine(day, time(12), UTC)


def unit(days_ago=60, interval_s=3600, slot=1, receiver=None):
    """A transmitter in a slot with cells since some days ago."""
    begins = noon(TODAY - timedelta(days=days_ago))
    registration = make_registration(receiver, slot, interval_s=interval_s, registered_at=begins)
    make_fitting(registration.transmitter, fitted_at=begins)
    return registration.transmitter


def sums(transmitter):
    return list(
        FittingTotals.objects.filter(fitting__transmitter=transmitter)
        .order_by("from_on")
        .values_list("from_on", "interval_s", "days_measured", "checkins", "activations")
    )


def test_a_day_is_made_and_then_merged_into():
    one = unit()
    day = FIRST + timedelta(days=3)
    mask, other = mask_of_quarters([0, 1]), mask_of_quarters([1, 95])
    record_days([DayRow(one.pk, day, 0, 24, 2, 1, 7, 0, 50_000, mask)])
    record_days([DayRow(one.pk, day, 0, 0, 1, 2, 3, CheckInDay.LOW_BATTERY, 40_000, other)])
    record_days([DayRow(one.pk, day, flags=CheckInDay.TAMPER)])
    row = CheckInDay.objects.get()
    assert (row.transmitter_id, row.day, row.customer_id) == (one.pk, day, one.customer_id)
    assert (row.heard, row.expected, row.activations, row.loss_runs) == (3, 24, 3, 2)
    assert (row.lowest_margin_db, row.flags, row.last_heard_s) == (3, 3, 50_000)
    assert bytes(row.presence) == mask_of_quarters([0, 1, 95])
    assert sums(one) == [(FIRST, 3600, 1, 3, 3)]


def test_quarter_hours_that_come_again_change_nothing():
    one = unit()
    row = DayRow(one.pk, TODAY, presence=mask_of_quarters([3, 7]), last_heard_s=7000, interval_s=900)
    record_days([row])
    was = CheckInDay.objects.values().get()
    record_days([row, row])
    assert CheckInDay.objects.values().get() == was
    assert sums(one) == [(FIRST, 3600, 1, 2, 0)]


def test_two_rows_of_one_day_in_a_batch_are_one():
    one = unit()
    assert record_days([DayRow(one.pk, TODAY, 3, 5), DayRow(one.pk, TODAY, 7, 5)]).n_days == 1
    assert CheckInDay.objects.get().heard == 7
    assert sums(one) == [(FIRST, 3600, 1, 7, 0)]


def test_a_sealed_day_keeps_its_counts_until_more_are_heard():
    one = unit()
    record_days([DayRow(one.pk, TODAY, 5, 24, 0, 2)])
    record_days([DayRow(one.pk, TODAY, presence=mask_of_quarters(range(4)), interval_s=3600)])
    row = CheckInDay.objects.get()
    assert (row.heard, row.loss_runs, row.presence) == (5, 2, None)
    record_days([DayRow(one.pk, TODAY, presence=mask_of_quarters(range(9)), interval_s=3600)])
    assert CheckInDay.objects.get().heard == 9
    assert sums(one) == [(FIRST, 3600, 1, 9, 0)]


def test_a_day_without_anything_heard_is_not_measured():
    one = unit()
    record_days([DayRow(one.pk, TODAY, 0, 24)])
    assert sums(one) == [(FIRST, 3600, 0, 0, 0)]
    record_days([DayRow(one.pk, TODAY, 2, 0)])
    record_days([DayRow(one.pk, TODAY, 1, 0)])
    assert sums(one) == [(FIRST, 3600, 1, 2, 0)]


def test_counts_beyond_the_largest_are_cut_off_flagged_and_add_nothing():
    one = unit()
    assert record_days([DayRow(one.pk, TODAY, 40_000, 24, 30_000)]).n_capped == 1
    assert record_days([DayRow(one.pk, TODAY, 5, 24, 3_000)]).n_capped == 1
    row = CheckInDay.objects.get()
    assert (row.heard, row.activations, row.flags) == (32_767, 32_767, CheckInDay.CAPPED)
    assert sums(one) == [(FIRST, 3600, 1, 32_767, 32_767)]
    assert differences(transmitter_ids=[one.pk]) == []


@pytest.mark.parametrize(
    "row", [DayRow(1, TODAY, -1), DayRow(1, TODAY, 1, presence=b"\x01"), DayRow(2_000_000_000, TODAY, 1)]
)
def test_what_cannot_be_is_refused_whole(row):
    one = unit()
    with pytest.raises(NotADay):
        record_days([DayRow(one.pk, TODAY, 1), row])
    assert not CheckInDay.objects.exists()
    assert not FittingTotals.objects.exists()


def test_it_joins_the_callers_transaction():
    one = unit()

    def whole_batch():
        with transaction.atomic():
            record_days([DayRow(one.pk, TODAY, 1)])
            assert CheckInDay.objects.exists()
            raise RuntimeError("the rest of the batch failed")

    with pytest.raises(RuntimeError):
        whole_batch()
    assert not CheckInDay.objects.exists()
    assert not FittingTotals.objects.exists()


def test_days_before_the_cells_and_after_they_came_out_belong_to_nobody():
    one, office = unit(days_ago=30), make_user("office")
    remove_battery(transmitter=one, by=office, at=noon(TODAY - timedelta(days=5)), removed_why="retired")
    record_days([DayRow(one.pk, TODAY - timedelta(days=n), 24, 24, 1) for n in range(40)])
    assert sums(one) == [(TODAY - timedelta(days=30), 3600, 25, 25 * 24, 25)]
    assert differences(transmitter_ids=[one.pk]) == []


def test_a_changed_interval_begins_a_period_also_in_the_past():
    one = unit()
    record_days([DayRow(one.pk, FIRST + timedelta(days=n), 24, 24) for n in range(50)])
    old = Registration.objects.get()
    cut = noon(FIRST + timedelta(days=20))
    Registration.objects.filter(pk=old.pk).update(removed_at=cut)
    make_registration(old.receiver, 1, transmitter=one, interval_s=600, registered_at=cut)
    assert {one.name for one in rebuild_totals(transmitter_ids=[one.pk])} == {
        "interval_s", "days_measured", "checkins", "activations",
    }  # fmt: skip
    assert sums(one) == [(FIRST, 3600, 20, 480, 0), (FIRST + timedelta(days=20), 600, 30, 720, 0)]
    record_days([DayRow(one.pk, FIRST + timedelta(days=4), 26), DayRow(one.pk, TODAY, 5)])
    assert sums(one) == [(FIRST, 3600, 20, 482, 0), (FIRST + timedelta(days=20), 600, 31, 725, 0)]
    assert rebuild_totals(transmitter_ids=[one.pk]) == []


def test_a_change_of_cells_dated_back_takes_its_days_along():
    one, office = unit(), make_user("office")
    record_days([DayRow(one.pk, FIRST + timedelta(days=n), 10, 24, 1) for n in range(60)])
    new = fit_battery(
        transmitter=one,
        battery_type=battery_type(),
        by=office,
        at=noon(FIRST + timedelta(days=45)),
        reason="late paper",
    )
    assert sums(one) == [(FIRST, 3600, 45, 450, 45), (FIRST + timedelta(days=45), 3600, 15, 150, 15)]
    take_back_fitting(fitting=new, by=office, at=noon(TODAY), reason="wrong slot")
    assert sums(one) == [(FIRST, 3600, 60, 600, 60)]


def test_temperature_sums_are_left_alone():
    one = unit()
    record_days([DayRow(one.pk, TODAY, 10)])
    FittingTotals.objects.update(temperature_days=3, temperature_sum_c=51.5, checkins=99)
    rebuild_totals(transmitter_ids=[one.pk])
    row = FittingTotals.objects.get()
    assert (row.checkins, row.temperature_days, row.temperature_sum_c) == (10, 3, 51.5)


def random_day(rng, one):
    heard, acts = rng.choice([0, 0, 3, 24]), rng.choice([0, 1, 17_000])
    mask = mask_of_quarters(rng.choices(range(96), k=heard)) if rng.random() < 0.7 else None
    counted = ((rng.randint(0, 95), rng.choice([1, 17_000])),) if rng.random() < 0.3 else ()
    return DayRow(
        one.pk, FIRST + timedelta(days=rng.randint(-10, 60)), 0 if mask else heard, 24, acts, 0, rng.choice([None, -3, 8]),
        presence=mask, acts=counted, source_id=rng.choice([0, 5, 9]), interval_s=rng.choice([None, 3600]),
    )  # fmt: skip


def change_something(rng, one, office):
    """New cells, a change taken back, or another interval, all dated back."""
    when, what = noon(FIRST + timedelta(days=rng.randint(1, 59))), rng.random()
    if what < 0.5:
        fit_battery(transmitter=one, battery_type=battery_type(), by=office, at=when)
    elif what < 0.7:
        take_back_fitting(fitting=Fitting.objects.open().get(transmitter=one), by=office, at=when, reason="slip")
    else:
        row = Registration.objects.open().get(transmitter=one)
        if when > row.registered_at:
            Registration.objects.filter(pk=row.pk).update(removed_at=when)
            interval_s = rng.choice([600, 1800])
            make_registration(row.receiver, row.slot, transmitter=one, interval_s=interval_s, registered_at=when)
            rebuild_totals(transmitter_ids=[one.pk])


@pytest.mark.parametrize("seed", range(6))
def test_random_days_changes_and_orders_come_to_what_the_days_give(seed):
    rng, office, receiver = random.Random(seed), make_user("office"), make_receiver()
    units = [unit(slot=n + 1, receiver=receiver, interval_s=rng.choice([None, 600, 3600])) for n in range(5)]
    steps = [random_day(rng, rng.choice(units)) for _ in range(500)]
    while steps:
        n = rng.randint(1, 40)
        record_days(steps[:n])
        steps = steps[n:]
        # Not every change fits where others were made before it.
        with contextlib.suppress(OutOfOrder, Fitting.DoesNotExist):
            change_something(rng, rng.choice(units), office)
    assert CheckInDay.objects.filter(flags=CheckInDay.CAPPED).exists()
    assert FittingTotals.objects.filter(checkins__gt=0).count() > 5
    assert differences(transmitter_ids=[one.pk for one in units]) == []
    assert rebuild_totals(transmitter_ids=[one.pk for one in units]) == []


@pytest.mark.django_db(transaction=True)
def test_four_writers_at_once_lose_nothing_and_count_no_day_twice():
    office, receiver = make_user("office"), make_receiver()
    units = [unit(slot=n + 1, receiver=receiver) for n in range(4)]
    start, failed = threading.Barrier(4), []

    def send(number):
        rng = random.Random(number)
        try:
            start.wait(timeout=20)
            for turn in range(8):
                mask = mask_of_quarters([number * 8 + turn])
                rows = [
                    DayRow(one.pk, TODAY - timedelta(days=n), 0, 1, 1, presence=mask) for one in units for n in range(5)
                ]
                rng.shuffle(rows)
                record_days(rows)
            if number == 0:
                fit_battery(
                    transmitter=units[0], battery_type=battery_type(), by=office, at=noon(TODAY - timedelta(days=2))
                )
        except Exception as error:
            failed.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=send, args=[number]) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=120)
    assert failed == []
    assert sums(units[1]) == [(FIRST, 3600, 5, 5 * 4 * 8, 5 * 4 * 8)]
    assert differences(transmitter_ids=[one.pk for one in units]) == []


def test_days_that_are_no_longer_kept_stay_in_the_totals_also_when_cells_are_dated_anew():
    one, office = unit(), make_user("office")
    record_days([DayRow(one.pk, FIRST + timedelta(days=n), 10, 24, 1) for n in range(60)])
    CheckInDay.objects.filter(day__lt=FIRST + timedelta(days=20)).delete()
    FittingTotals.objects.update(dropped_days=20, dropped_checkins=200, dropped_activations=20)
    assert differences(transmitter_ids=[one.pk]) == []
    FittingTotals.objects.update(checkins=5)
    rebuild_totals(transmitter_ids=[one.pk])
    assert sums(one) == [(FIRST, 3600, 60, 600, 60)]
    fit_battery(transmitter=one, battery_type=battery_type(), by=office, at=noon(FIRST + timedelta(days=45)))
    assert sums(one) == [(FIRST, 3600, 45, 450, 45), (FIRST + timedelta(days=45), 3600, 15, 150, 15)]
    assert differences(transmitter_ids=[one.pk]) == []


def test_dropped_days_go_along_when_their_cells_were_fitted_earlier_than_was_said():
    one = unit()
    record_days([DayRow(one.pk, FIRST + timedelta(days=n), 10, 24) for n in range(60)])
    CheckInDay.objects.filter(day__lt=FIRST + timedelta(days=20)).delete()
    FittingTotals.objects.update(dropped_days=20, dropped_checkins=200)
    Fitting.objects.update(fitted_at=noon(FIRST - timedelta(days=5)))
    rebuild_totals(transmitter_ids=[one.pk])
    row = FittingTotals.objects.get()
    assert (row.from_on, row.days_measured, row.checkins) == (FIRST - timedelta(days=5), 60, 600)
    assert (row.dropped_days, row.dropped_checkins) == (20, 200)
    assert differences(transmitter_ids=[one.pk]) == []
