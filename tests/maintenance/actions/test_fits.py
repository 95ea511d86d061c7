"""The night learns from cells that ended: dates follow, lots and recalls speak, and whatever dies, one fit is in use."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest

from company import jobs
from company.actions import ensure_policies
from company.models import Job
from devices.models import Fitting, FittingTotals, Receiver
from maintenance.actions import due, fits
from maintenance.models import BatteryFit, DueItem, LotFit, Recall, RecallItem, RefreshRun, StratumFit
from maintenance.querysets.fits import current_fit, fit_in_use
from tests import factories
from tests.factories import NOW, TODAY

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def receiver(db: Any) -> Receiver:
    return factories.make_receiver()


def kind(code: str = "test-busy") -> Any:
    # Draws enough for the risk limit to come before every calendar rule: about 0.2 of the charge a year.
    return factories.transmitter_type(code, sleep_ua=10.0)


def in_service(receiver: Receiver, number: int = 1, **over: Any) -> Fitting:
    transmitter = factories.make_transmitter(receiver.customer, type=over.pop("type", None) or kind())
    factories.make_registration(receiver, number, transmitter=transmitter)
    over.setdefault("fitted_at", NOW - timedelta(days=400))
    return factories.make_fitting(transmitter, entered_at=over["fitted_at"] or NOW, **over)


def ended(n: int, *, after_days: int, why: str = "low_battery", ago_days: int = 20, **over: Any) -> list[Fitting]:
    """Cells that came out of transmitters since taken out of use, each a few days later than the last."""
    customer, found = factories.make_customer(), []
    for i in range(n):
        removed_at = NOW - timedelta(days=ago_days + i % 5)
        found.append(
            factories.make_fitting(
                factories.make_transmitter(customer, type=over.get("type") or kind()),
                fitted_at=removed_at - timedelta(days=after_days + i % 7), removed_at=removed_at, removed_why=why,
                entered_at=removed_at - timedelta(days=after_days + i % 7),
                last_alive_at=removed_at - timedelta(days=3),
                **{name: value for name, value in over.items() if name != "type"},
            )
        )  # fmt: skip
    return found


def tonight(day: date = TODAY) -> RefreshRun:
    run = due.start_nightly(day=day)
    jobs.run_ready()
    run.refresh_from_db()
    assert run.state == "closed", list(Job.objects.values_list("key", "state", "error"))
    return run


def item_of(fitting: Fitting) -> DueItem:
    return DueItem.objects.get(fitting=fitting)


def due_on(fitting: Fitting) -> date:
    found = item_of(fitting).due_on
    assert found is not None
    return found


# --- what is learnt ---------------------------------------------------------------------------------------------------


def test_early_ends_of_a_kind_bring_its_dates_forward_and_no_other_kinds(receiver: Receiver) -> None:
    mine, other = in_service(receiver), in_service(receiver, 2, type=kind("test-other"))
    tonight(TODAY - timedelta(days=1))
    before, before_other = due_on(mine), due_on(other)
    assert item_of(mine).flags == ["prior_only", "fallback_rate"]
    ended(30, after_days=250)
    run = tonight()
    assert due_on(mine) < before - timedelta(days=60)
    assert due_on(other) > due_on(mine)
    assert (item_of(mine).n_ends, item_of(mine).flags) == (30, ["fallback_rate"])
    assert run.n_changed >= 1
    assert before_other is not None


def test_long_lives_push_dates_out(receiver: Receiver) -> None:
    mine = in_service(receiver)
    tonight(TODAY - timedelta(days=1))
    before = due_on(mine)
    ended(30, after_days=1700)
    tonight()
    assert due_on(mine) > before + timedelta(days=200)


def test_a_fit_keeps_what_it_has_learnt_by_kind(receiver: Receiver) -> None:
    in_service(receiver)
    ended(8, after_days=900)
    ended(3, after_days=400, why="leaked")
    ended(4, after_days=300, why="preventive")
    ended(1, after_days=300, battery_type=None)
    fit = fits.refresh_fit(at=NOW, as_of=TODAY)
    assert (fit.n_batteries, fit.n_ends, fit.n_left_out) == (15, 8, 2)
    # In service, and nobody has seen it since it was fitted; and cells of an unknown type.
    assert fit.facts["left_out"] == {"not_seen": 1, "unknown_type": 1}
    row = StratumFit.objects.get(fit=fit, transmitter_type=kind())
    assert (row.n_batteries, row.n_ends, row.n_other, row.n_in_service, row.is_measured) == (15, 8, 3, 1, False)
    shares = [row.u_1, row.u_5, row.u_10, row.u_50]
    assert shares == sorted(share for share in shares if share is not None)
    assert set(row.limits) == {"life_safety", "security", "convenience"}
    unseen = StratumFit.objects.filter(fit=fit, transmitter_type=None)
    assert sorted(unseen.values_list("is_measured", flat=True)) == [False, True]


def test_the_fit_in_use_reads_back_as_it_was_made(receiver: Receiver) -> None:
    ended(12, after_days=700)
    policies = ensure_policies()
    learnt = fits.learn(at=NOW, as_of=TODAY, policies=policies)
    fits.refresh_fit(at=NOW, as_of=TODAY)
    current = current_fit()
    assert current is not None
    number = current.number_of(kind().pk, factories.battery_type().pk, False)
    u = np.array([0.2, 0.5, 0.9])
    assert current.fleet.failed(number, u) == pytest.approx(learnt.fit.failed(number, u), rel=1e-12)
    assert current.limits(policies).u == pytest.approx(learnt.limits.u, rel=1e-12)
    assert current.prior == learnt.fit.prior
    type(policies["security"]).objects.filter(duty="security").update(p_dead=0.01, p_call=0.05)
    other = current.limits(ensure_policies())
    assert other.u[number, 1] < learnt.limits.u[number, 1], "another policy has other limits"
    assert other.u[number, 0] == pytest.approx(learnt.limits.u[number, 0], rel=1e-9)


def test_before_the_first_fit_everything_rests_on_the_catalogue() -> None:
    assert current_fit() is None
    assert fit_in_use().number_of(1, 2, True) == 0
    assert fit_in_use().number_of(1, 2, False) == 1


def test_a_kind_without_counts_goes_by_a_wider_belief_than_one_with_counts(receiver: Receiver) -> None:
    counted, not_counted = in_service(receiver), in_service(receiver, 2)
    FittingTotals.objects.create(
        fitting=counted, customer=counted.customer, from_on=TODAY - timedelta(days=400), interval_s=3600,
        days_measured=400, activations=400,
    )  # fmt: skip
    tonight()
    assert item_of(counted).flags == ["prior_only"]
    assert item_of(not_counted).flags == ["prior_only", "fallback_rate"]
    assert (item_of(counted).exposure_limit or 0) > 1.2 * (item_of(not_counted).exposure_limit or 9)


def test_only_the_newest_fit_keeps_its_posteriors_and_its_sound_lots(receiver: Receiver) -> None:
    ended(6, after_days=500, lot="A1")
    first = fits.refresh_fit(at=NOW, as_of=TODAY)
    assert LotFit.objects.filter(fit=first, code="A1", observed=6).exists()
    second = fits.refresh_fit(at=NOW, as_of=TODAY + timedelta(days=1))
    assert not StratumFit.objects.filter(fit=first).exclude(posterior=None).exists()
    assert not StratumFit.objects.filter(fit=second, posterior=None).exists()
    assert not LotFit.objects.filter(fit=first, is_suspect=False).exists()
    assert list(BatteryFit.objects.filter(is_current=True)) == [second]
    found = current_fit()
    assert found is not None
    assert found.pk == second.pk


@pytest.fixture
def bad_lot(receiver: Receiver) -> tuple[Fitting, Fitting]:
    """Cells of a kind that lasts, and one of a lot that did not."""
    ended(40, after_days=1700)
    ended(12, after_days=700, lot="23-44K")
    return in_service(receiver, lot="23-44K"), in_service(receiver, 2, lot="24-01A")


# --- lots and recalls -------------------------------------------------------------------------------------------------


def test_a_lot_of_short_lives_gets_an_alarm_of_its_own(bad_lot: tuple[Fitting, Fitting]) -> None:
    bad, good = bad_lot
    tonight()
    assert LotFit.objects.get(is_suspect=True).code == "23-44K"
    item, other = item_of(bad), item_of(good)
    assert (item.reason, other.reason) == ("lot_alarm", "risk_limit")
    assert item.lot_factor is not None
    assert item.lot_factor < 0.7
    assert other.lot_factor is None
    assert due_on(bad) < due_on(good)
    assert "cells of its lot have ended early" in item.opinions[0]["why"]
    assert {o["code"] for o in item.opinions} >= {"lot_alarm", "risk_limit"}
    assert (item.chance_ahead or 0) > (other.chance_ahead or 1)


def test_cells_without_a_code_go_by_the_half_year_of_fitting(receiver: Receiver) -> None:
    ended(40, after_days=1700, lot="fine")
    ended(12, after_days=700, ago_days=60)
    bad = in_service(receiver, fitted_at=NOW - timedelta(days=765))
    good = in_service(receiver, 2, fitted_at=NOW - timedelta(days=765), lot="24-01A")
    tonight()
    assert LotFit.objects.get(is_suspect=True).is_half_year
    assert (item_of(bad).reason, item_of(good).lot_factor) == ("lot_alarm", None)


def test_the_immediate_path_knows_lots_too(receiver: Receiver, bad_lot: tuple[Fitting, Fitting]) -> None:
    fits.refresh_fit(at=NOW, as_of=TODAY)
    due.refresh_receivers(receiver_ids=[receiver.pk], at=NOW, today=TODAY)
    assert item_of(bad_lot[0]).reason == "lot_alarm"


def recall_of(fitting: Fitting, what: str = "cells", **over: Any) -> RecallItem:
    user = factories.make_user("office")
    recall = Recall.objects.create(
        title="Leaking cells",
        why="They leak.",
        what=what,
        due_on=TODAY + timedelta(days=9),
        opened_at=NOW,
        opened_by=user,
    )
    return RecallItem.objects.create(
        recall=recall, customer=fitting.customer, transmitter=fitting.transmitter, fitting=fitting, **over
    )


def test_a_recall_gives_its_date_until_it_is_done(receiver: Receiver) -> None:
    fitting = in_service(receiver)
    tonight(TODAY - timedelta(days=1))
    before = due_on(fitting)
    item = recall_of(fitting)
    tonight()
    assert (item_of(fitting).reason, due_on(fitting)) == ("recall", TODAY + timedelta(days=9))
    RecallItem.objects.filter(pk=item.pk).update(state="not_affected", state_at=NOW)
    due.refresh_receivers(receiver_ids=[receiver.pk], at=NOW, today=TODAY)
    assert (item_of(fitting).reason, due_on(fitting)) == ("risk_limit", before)


def test_a_recalled_unit_is_due_though_its_type_states_no_end_of_life(receiver: Receiver) -> None:
    fitting = in_service(receiver)
    recall_of(fitting, "unit")
    tonight()
    unit = DueItem.objects.get(kind="unit")
    assert (unit.reason, unit.due_on, unit.transmitter) == ("recall", TODAY + timedelta(days=9), fitting.transmitter)
    assert item_of(fitting).reason == "risk_limit"
