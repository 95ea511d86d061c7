"""The test of earlier predictions as a job: from the records to rows, once, and not oftener than weekly by itself."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
import time_machine

from company import jobs
from company.actions import ensure_policies
from company.models import Job
from devices.models import Fitting
from maintenance.actions.backtest import (
    TESTS_KEPT,
    NothingToTest,
    ask_for_backtest,
    ensure_backtest,
    key_of,
    refresh_backtest,
    run_backtest,
)
from maintenance.models import Backtest, BatteryFit
from maintenance.querysets.backtest_history import Looks, read_record
from maintenance.rules.due_facts import to_day
from tests import factories
from tests.conftest import World
from tests.factories import NOW, TODAY
from tests.maintenance.fits_made import half_year, make_fit, make_kind

pytestmark = pytest.mark.django_db

YEARS = 5
PROMISED_DAYS = 450
"""What the catalogue promises of a type that sleeps at 47 µA: 527 mAh / 1.15 mAh a day, and 1.5 % a year of its own."""
PLANNED_DAYS = 370


@pytest.fixture(autouse=True)
def _clock() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        ensure_policies()
        yield


def lived_through(n: int = 30, seed: int = 1) -> list[Fitting]:
    """A receiver whose transmitters have had cells for five years: some ran low or died, most were changed by plan.

    Lives scatter about what the catalogue promises, by a sixth.
    """
    kind = factories.transmitter_type("thirsty", sleep_ua=47.0)
    rng = np.random.default_rng(seed)
    receiver = factories.make_receiver(evidence="every")
    made: list[Fitting] = []
    for slot in range(1, n + 1):
        unit = factories.make_transmitter(receiver.customer, type=kind)
        row = factories.make_registration(
            receiver, slot, transmitter=unit, registered_at=NOW - timedelta(days=365 * YEARS)
        )  # fmt: skip
        at = NOW - timedelta(days=float(rng.uniform(300, 365)) + 365 * (YEARS - 1))
        while at < NOW:
            life = float(PROMISED_DAYS * rng.weibull(8.0))
            stay = min(life, PLANNED_DAYS)
            why = "preventive" if life > PLANNED_DAYS else str(rng.choice(["low_battery", "dead"]))
            end = at + timedelta(days=stay)
            out = end if why == "preventive" else end + timedelta(days=5)
            facts: dict[str, Any] = {"fitted_at": at, "entered_at": at}
            if out < NOW:
                facts |= {"removed_at": out, "removed_why": why}
                if why == "low_battery":
                    facts["first_low_at"] = end
                elif why == "dead":
                    facts["last_alive_at"] = end
            made.append(
                Fitting(
                    transmitter=row.transmitter, customer=row.customer, battery_type=factories.battery_type(), **facts
                )
            )
            at = out + timedelta(minutes=5)
    return Fitting.objects.bulk_create(made)


def run(fit: BatteryFit) -> Job:
    job = ensure_backtest(fit=fit, at=NOW)
    assert job is not None
    assert jobs.run(job.pk)
    job.refresh_from_db()
    assert job.state == "done", job.error
    return job


def test_the_job_fills_a_row_for_each_half_year_and_counts_every_end(world: World) -> None:
    fittings = lived_through()
    fit = make_fit()
    job = run(fit)
    rows = Backtest.objects.filter(fit=fit, transmitter_type=factories.transmitter_type("thirsty"))
    starts = sorted(set(rows.values_list("from_on", flat=True)))
    assert len(starts) == job.result["half_years"] >= 9
    assert {(on.month, on.day) for on in starts} == {(1, 1), (7, 1)}
    assert job.result_url == "/due/honest/"
    begin = starts[0]
    ends = [
        f for f in fittings
        if f.removed_why in ("low_battery", "dead") and (f.first_low_at or f.last_alive_at).date() >= begin
    ]  # fmt: skip
    happened = sum(row.happened for row in rows)
    # One or two may fall on either side of midnight of the first day.
    assert abs(happened - len(ends)) <= 1
    assert happened >= 10
    assert sum(row.n_found_dead for row in rows) <= happened
    assert sum(row.facts["n_unspent"] for row in rows) > 50
    assert max(row.to_on for row in rows) == TODAY + timedelta(days=1)
    # The simulated lives are as the catalogue says: the sum of what was predicted is of the size of what happened.
    predicted = sum(row.predicted for row in rows)
    assert 0.4 * happened < predicted < 2.5 * happened


def test_a_second_run_changes_nothing(world: World) -> None:
    lived_through(8)
    fit = make_fit()
    job = run(fit)
    before = list(Backtest.objects.order_by("pk").values())
    Job.objects.filter(pk=job.pk).update(state="waiting", attempts=0, lease_until=None)
    assert jobs.run(job.pk)
    assert list(Backtest.objects.order_by("pk").values()) == before


def test_a_late_worker_writes_nothing(world: World) -> None:
    lived_through(3)
    fit = make_fit()
    job = ensure_backtest(fit=fit, at=NOW)
    assert job is not None
    handle = jobs.claim(job.pk, NOW)
    assert handle is not None
    Job.objects.filter(pk=job.pk).update(attempts=2)
    with pytest.raises(jobs.LeaseLost):
        run_backtest(handle, fit_id=fit.pk)
    assert not Backtest.objects.exists()


def test_an_empty_record_ends_well_without_a_row(db: None) -> None:
    job = run(make_fit())
    assert job.result == {"half_years": 0, "rows": 0}


def test_by_itself_it_is_asked_for_once_a_week(world: World) -> None:
    first, second = make_fit(is_current=False), make_fit()
    assert ensure_backtest(fit=first, at=NOW) is not None
    assert ensure_backtest(fit=second, at=NOW + timedelta(days=6)) is None
    assert ensure_backtest(fit=second, at=NOW + timedelta(days=7)) is not None


def test_a_failed_test_does_not_hold_up_the_next_night(world: World) -> None:
    first, second = make_fit(is_current=False), make_fit()
    ensure_backtest(fit=first, at=NOW)
    Job.objects.filter(key=key_of(first)).update(state="failed")
    assert ensure_backtest(fit=second, at=NOW + timedelta(days=1)) is not None


def test_by_hand_it_may_be_asked_for_at_any_time_but_not_before_the_first_fit(world: World) -> None:
    ensure_backtest(fit=make_fit(is_current=False), at=NOW)
    fit = make_fit()
    assert ask_for_backtest(fit=fit, by=world.office, at=NOW).key == key_of(fit)
    with pytest.raises(NothingToTest, match="Nothing has been learnt yet"):
        ask_for_backtest(fit=None, by=world.office, at=NOW)


def test_old_tests_are_dropped(world: World) -> None:
    for n in range(TESTS_KEPT + 2):
        half_year(make_kind(make_fit(is_current=False, as_of=TODAY - timedelta(days=n))), date(2026, 1, 1), 1.0, 1)
    lived_through(2)
    fit = make_fit()
    run(fit)
    kept = set(Backtest.objects.values_list("fit_id", flat=True))
    assert len(kept) == TESTS_KEPT
    assert fit.pk in kept


def test_cells_that_only_visits_see_are_known_up_to_the_last_visit_before_the_cut(world: World) -> None:
    receiver = factories.make_receiver(evidence="visits")
    row = factories.make_registration(receiver, 1, registered_at=NOW - timedelta(days=900))
    factories.make_fitting(
        row.transmitter, fitted_at=NOW - timedelta(days=900), entered_at=NOW - timedelta(days=900),
        removed_at=NOW - timedelta(days=100), removed_why="dead",
    )  # fmt: skip
    for ago in (700, 400):
        at = NOW - timedelta(days=ago)
        factories.make_visit(receiver.site, state="finished", planned_on=at.date(), finished_at=at)
    record = read_record(NOW, to_day(TODAY))
    mine = np.flatnonzero(record.looks.by_visit)
    assert len(mine) == 1
    today = to_day(TODAY)
    looked = [float(record.looks.before(today - ago)[mine[0]]) for ago in (300, 500, 800)]
    assert looked == pytest.approx([today - 400, today - 700, today - 900], abs=1)
    everybody_else = np.delete(record.looks.before(today - 300.0), mine)
    assert bool((everybody_else == today - 300).all())


def test_looks_of_one_site_are_not_anothers() -> None:
    looks = Looks(
        by_visit=np.array([True, True]), site=np.array([3, 4]), entry_day=np.array([10.0, 20.0]),
        visits=np.sort((np.array([3, 3]) << 20) + np.array([100, 200])),
    )  # fmt: skip
    np.testing.assert_array_equal(looks.before(150.0), [100.0, 20.0])
    np.testing.assert_array_equal(looks.before(50.0), [10.0, 20.0])


def test_at_once_it_may_be_repeated_and_gives_the_same(world: World) -> None:
    lived_through(6)
    fit = make_fit()
    n = refresh_backtest(fit=fit, at=NOW, today=TODAY)
    before = list(Backtest.objects.order_by("from_on", "duty", "pk").values("from_on", "duty", "predicted", "facts"))
    assert n == len(before) > 0
    assert refresh_backtest(fit=fit, at=NOW, today=TODAY) == n
    after = list(Backtest.objects.order_by("from_on", "duty", "pk").values("from_on", "duty", "predicted", "facts"))
    assert after == before
