"""Thousands of days at once come to what the small path comes to: days, totals, refusals."""

from __future__ import annotations

import random
from datetime import timedelta

import pytest
from django.db import transaction

from devices.actions import bulk_days
from devices.actions.bulk_days import record_many
from devices.actions.months_close import seal
from devices.actions.rollups import DayRow, NotADay, differences, record_days
from devices.models import CheckInDay, FittingTotals, Registration
from devices.rules.months import month_of
from tests.factories import NOW, TODAY, make_fitting, make_receiver, make_registration, make_transmitter

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def units():
    """Four with cells and a change of interval, one whose cells came late and have gone, one without any."""
    receiver = make_receiver()
    made = []
    for slot in range(1, 7):
        row = make_registration(receiver, slot, interval_s=(600, 3600, None)[slot % 3])
        if slot < 5:
            make_fitting(row.transmitter)
        cut = NOW - timedelta(days=30 + slot)
        Registration.objects.filter(pk=row.pk).update(removed_at=cut)
        make_registration(receiver, slot, transmitter=row.transmitter, interval_s=1800, registered_at=cut)
        made.append(row.transmitter)
    make_fitting(made[4], fitted_at=NOW - timedelta(days=40), removed_at=NOW - timedelta(days=20), removed_why="dead")
    return made


def random_row(rng, unit):
    quarters = rng.sample(range(96), rng.choice([0, 1, 20, 96]))
    mask = bytearray(12)
    for quarter in quarters:
        mask[quarter // 8] |= 1 << quarter % 8
    return DayRow(
        unit.pk, TODAY - timedelta(days=rng.randint(0, 60)), heard=rng.choice([0, 0, 7, 40_000]),
        activations=rng.choice([0, 0, 2, 20_000]), lowest_margin_db=rng.choice([None, -4, 9]), flags=rng.choice([0, 1, 2]),
        last_heard_s=rng.choice([None, 5, 80_000]), presence=rng.choice([None, bytes(mask)]),
        acts=tuple((quarter, 1 + quarter % 3) for quarter in sorted(quarters)[:4]), source_id=rng.choice([0, 0, 1, 2]),
        interval_s=rng.choice([None, 600, 3600]), to_s=rng.choice([None, 86_400]),
    )  # fmt: skip


def on_record():
    names = [
        field.attname for field in CheckInDay._meta.concrete_fields if field.name not in ("pk", "presence", "acted")
    ]
    days = [
        (*counts, presence and bytes(presence), acted and bytes(acted))
        for presence, acted, *counts in CheckInDay.objects.order_by("transmitter_id", "day").values_list(
            "presence", "acted", *names
        )
    ]
    kept = ("fitting_id", "from_on", "customer_id", "interval_s", "days_measured", "checkins", "activations")
    return days, list(FittingTotals.objects.order_by("fitting_id", "from_on").values_list(*kept))


def done_by(record, batches):
    """What is on record after some batches, and what was answered; all of it is taken back."""
    with transaction.atomic():
        answers = [record(batch) for batch in batches]
        found = on_record(), answers
        transaction.set_rollback(True)
    return found


@pytest.mark.parametrize("seed", range(8))
def test_both_paths_come_to_the_same_days_totals_and_answers(seed):
    rng, some = random.Random(seed), units()
    batches = [[random_row(rng, rng.choice(some)) for _ in range(rng.choice([1, 30, 250]))] for _ in range(4)]
    batches[2] = list({row[:2]: row for row in batches[2]}.values())
    small, many = done_by(record_days, batches), done_by(record_many, batches)
    assert many == small
    assert small[0][1]
    assert sum(answer.n_capped for answer in small[1]) > 0 or seed


def test_totals_added_in_bulk_are_those_that_the_days_give():
    rng, some = random.Random(9), units()
    for _ in range(3):
        record_many([random_row(rng, rng.choice(some)) for _ in range(200)])
    assert FittingTotals.objects.filter(checkins__gt=0).count() > 5
    assert differences(transmitter_ids=[one.pk for one in some]) == []


def test_days_far_apart_are_found_one_by_one():
    one, two, *_ = units()
    batch = [
        DayRow(one.pk, TODAY - timedelta(days=300), presence=bytes([1] * 12)),
        DayRow(two.pk, TODAY, activations=3),
    ]
    small, many = done_by(record_days, [batch, batch]), done_by(record_many, [batch, batch])
    assert many == small
    assert small[0][0]


@pytest.mark.parametrize("record", [record_days, record_many])
def test_the_counts_of_a_sealed_day_only_rise(record):
    one = units()[0]
    day = month_of(TODAY) - timedelta(days=100)
    half, full = bytes([255] * 6 + [0] * 6), bytes([255] * 12)
    record([DayRow(one.pk, day, presence=half, acts=((3, 2), (4, 1)), interval_s=900, to_s=86_400)])
    seal(month=month_of(day))
    n_losses = CheckInDay.objects.get().loss_runs
    record([DayRow(one.pk, day, presence=bytes([1] + [0] * 11), acts=((3, 2),), interval_s=900, to_s=86_400)])
    row = CheckInDay.objects.get()
    assert (row.heard, row.activations, row.loss_runs, n_losses) == (48, 3, 1, 1)
    record([DayRow(one.pk, day, presence=full, acts=((3, 2), (7, 2)), interval_s=900, to_s=86_400)])
    row = CheckInDay.objects.get()
    assert (row.heard, row.activations) == (96, 4)
    assert not row.presence
    assert differences(transmitter_ids=[one.pk]) == []


@pytest.mark.parametrize(
    ("bad", "why"),
    [({"heard": -1}, "less than nothing"), ({"presence": bytes(3)}, "not 12 bytes"), ({"transmitter_id": 999_999}, "no transmitter|No transmitter")],
)  # fmt: skip
def test_what_cannot_be_is_refused_and_nothing_is_written(bad, why):
    one = make_transmitter()
    rows = [DayRow(one.pk, TODAY, 3), DayRow(one.pk, TODAY - timedelta(days=1), 3)._replace(**bad)]
    with pytest.raises(NotADay, match=why):
        record_many(rows)
    assert not CheckInDay.objects.exists()


def test_nothing_is_no_work(django_assert_num_queries):
    with django_assert_num_queries(0):
        assert record_many([]) == bulk_days.Recorded(0, 0)
