"""The night learns from cells that ended: dates follow, lots and recalls speak, and whatever dies, one fit is in use."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
import time_machine
from django.core.management import call_command
from django.utils import timezone

from company import jobs
from company.actions import ensure_policies
from company.models import Job
from devices.models import Fault, Fitting, FittingTotals, Receiver, Transmitter
from maintenance.actions import due, fits
from maintenance.models import BatteryFit, DueChange, DueItem, LotFit, Recall, RecallItem, RefreshRun, StratumFit
from maintenance.querysets.fits import current_fit, fit_in_use
from maintenance.querysets.fleet import Scope, read_fleet
from maintenance.querysets.fleet_history import read_history
from maintenance.querysets.fleet_raw import open_part, read_whole
from maintenance.rules.fleet_history import grouped, history_of
from tests import factories
from tests.factories import NOW, TODAY

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _clock() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


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


# --- lots and recalls -------------------------------------------------------------------------------------------------


@pytest.fixture
def bad_lot(receiver: Receiver) -> tuple[Fitting, Fitting]:
    """Cells of a kind that lasts, and one of a lot that did not."""
    ended(40, after_days=1700)
    ended(12, after_days=700, lot="23-44K")
    return in_service(receiver, lot="23-44K"), in_service(receiver, 2, lot="24-01A")


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


# --- the record -------------------------------------------------------------------------------------------------------


def silent(receiver: Receiver, fitting: Fitting, hours: float) -> None:
    Fault.objects.create(
        customer=receiver.customer, site=receiver.site, receiver=receiver, kind="missing",
        transmitter=fitting.transmitter, raised_at=NOW - timedelta(hours=hours),
    )  # fmt: skip


@pytest.mark.parametrize(("n_silent", "hours", "n_ends"), [(1, 20, 1), (1, 5, 0), (2, 20, 0)])
def test_a_long_silence_is_an_end_unless_half_of_the_receiver_is_silent(
    n_silent: int, hours: float, n_ends: int
) -> None:
    # The window is 4 hours; the fault is raised one window after the last check-in.
    receiver = factories.make_receiver(evidence="every")
    cells = [in_service(receiver, number) for number in range(1, 5)]
    for fitting in cells[:n_silent]:
        silent(receiver, fitting, hours)
    history = history_of(read_history(NOW), 9825.0)
    assert history.outcome.is_provisional.sum() == n_ends
    assert len(grouped(history).batteries) == 4


def test_a_record_that_nobody_can_use_is_counted_and_breaks_nothing(receiver: Receiver) -> None:
    in_service(receiver, fitted_at=None)
    in_service(receiver, 2, fitted_at=NOW + timedelta(days=30))
    factories.make_fitting(factories.make_transmitter(type=None))
    in_service(receiver, 3, type=factories.transmitter_type("test-mains", power="mains"))
    fit = fits.refresh_fit(at=NOW, as_of=TODAY)
    assert fit.n_batteries == 0
    assert sum(fit.facts["left_out"].values()) == 4


@pytest.mark.filterwarnings("error::RuntimeWarning")
@pytest.mark.parametrize("figure", [-0.05, 1e300, 1e-300])
def test_a_catalogue_figure_that_cannot_be_leaves_its_cells_to_the_calendar(receiver: Receiver, figure: float) -> None:
    mine, other = in_service(receiver), in_service(receiver, 2, type=kind("test-other"))
    ended(12, after_days=700)
    row = factories.transmitter_type("test-busy").battery_type
    assert row is not None
    name = "self_discharge_per_year" if figure != 1e-300 else "capacity_mah"
    type(row)._default_manager.filter(pk=row.pk).update(**{name: figure})
    tonight()
    fit = BatteryFit.objects.get(is_current=True)
    assert fit.n_batteries == 0
    assert fit.facts["left_out"]["unknown_type"] >= 12
    assert [item_of(cells).due_on is not None for cells in (mine, other)] == [True, True]


@pytest.mark.filterwarnings("error::RuntimeWarning")
@pytest.mark.parametrize("figure", [-1e300, 0.0, 1e300])
def test_no_figure_of_a_kind_breaks_the_night_or_the_next(receiver: Receiver, figure: float) -> None:
    cells = factories.transmitter_type("test-busy").battery_type
    assert cells is not None
    for number, name in enumerate(("usable_share", "sleep_ua", "checkin_uas", "activation_uah"), start=1):
        one = factories.transmitter_type(f"test-{number}", **{name: figure, "battery_type": cells})
        fitting = in_service(receiver, number, type=one)
        ended(6, after_days=700, type=one)
        for days in (300, 100):
            FittingTotals.objects.create(
                customer_id=fitting.customer_id, fitting=fitting, from_on=TODAY - timedelta(days=days), interval_s=600,
                days_measured=90, activations=90, temperature_days=90, temperature_sum_c=-1800,
            )  # fmt: skip
    in_service(receiver, 9)
    type(cells)._default_manager.filter(pk=cells.pk).update(share_m20c=figure, share_m40c=figure, share_0c=figure)
    tonight()
    tonight(TODAY + timedelta(days=1))
    dates = DueItem.objects.exclude(fitting=None).values_list("due_on", flat=True)
    assert len(dates) == 5
    assert None not in dates


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_totals_that_cannot_be_break_no_night(receiver: Receiver) -> None:
    for fitting in [in_service(receiver), *ended(12, after_days=700)]:
        FittingTotals.objects.create(
            customer_id=fitting.customer_id, fitting=fitting, from_on=date(2025, 1, 1), interval_s=1,
            days_measured=2**31 - 1, activations=2**31 - 1, temperature_days=1, temperature_sum_c=-1e308,
        )  # fmt: skip
    tonight()
    assert BatteryFit.objects.get(is_current=True).n_batteries > 0


def test_a_signal_that_came_twice_is_an_end_and_one_that_cold_brought_is_none() -> None:
    receiver = factories.make_receiver(evidence="every")
    once, twice = in_service(receiver, 1), in_service(receiver, 2)
    for fitting, days in ((once, (30,)), (twice, (30, 20))):
        for n in days:
            raised = NOW - timedelta(days=n)
            Fault.objects.create(
                customer=receiver.customer, site=receiver.site, receiver=receiver, kind="low_battery",
                transmitter=fitting.transmitter, raised_at=raised, cleared_at=raised + timedelta(hours=2),
            )  # fmt: skip
    outcome = history_of(read_history(NOW), 9825.0).outcome
    assert outcome.is_end.tolist() == [False, True]
    assert outcome.end_day[1] == 9825.0 - 30


def test_cells_found_dead_ended_between_the_last_check_in_and_the_next() -> None:
    receiver = factories.make_receiver(evidence="every")
    fitting = in_service(receiver)
    Fitting.objects.filter(pk=fitting.pk).update(
        removed_at=NOW - timedelta(days=2), removed_why="dead", last_alive_at=NOW - timedelta(days=60)
    )
    outcome = history_of(read_history(NOW), 9825.0).outcome
    assert outcome.is_end.tolist() == outcome.is_found_dead.tolist() == [True]
    assert 9825.0 - 60 <= outcome.end_day[0] <= 9825.0 - 59, "not on some day before the visit that found it"


# --- the same by whatever way it is read ------------------------------------------------------------------------------


def test_a_part_of_the_fleet_reads_as_in_the_whole() -> None:
    receivers = [factories.make_receiver() for _ in range(4)]
    cells = [in_service(receiver, number) for receiver in receivers for number in (1, 2, 3)]
    ended(3, after_days=200)
    for fitting in cells[::2]:
        FittingTotals.objects.create(
            fitting=fitting,
            customer=fitting.customer,
            from_on=TODAY - timedelta(days=100),
            days_measured=90,
            activations=5,
        )
    whole, everything = read_fleet(Scope()), read_whole()
    here = read_fleet(Scope(receivers=(receivers[1].pk,)))
    low, high = (Transmitter.objects.get(pk=cells[n].transmitter_id).pk for n in (3, 6))
    chunk = read_fleet(Scope(low=low, high=high))
    from_whole = read_fleet(Scope(low=low, high=high), raw=open_part(everything, Scope(low=low, high=high)))
    for part in (here, chunk, from_whole):
        assert part.fittings["pk"].tolist() == [fitting.pk for fitting in cells[3:6]]
        assert part.units["receiver"].tolist() == [receivers[1].pk] * 3
        assert part.periods["activations"].tolist() == [5.0] * len(part.periods["fitting"])
        at = np.isin(whole.fittings["pk"], part.fittings["pk"])
        for name in ("fitted_day", "entered_day", "cell", "low_day", "has_code"):
            assert np.array_equal(part.fittings[name], whole.fittings[name][at], equal_nan=True), name


# --- crashes ----------------------------------------------------------------------------------------------------------


def test_a_fit_that_died_half_written_is_made_again_and_leaves_nothing(
    receiver: Receiver, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    in_service(receiver)
    ended(10, after_days=600, lot="A1")
    run = due.start_nightly(day=TODAY)
    handle = jobs.claim(Job.objects.get().pk)
    assert handle is not None
    monkeypatch.setattr(fits, "_lots", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
    with pytest.raises(KeyboardInterrupt):
        due.fit_night(handle, run_id=run.pk)
    monkeypatch.undo()
    assert BatteryFit.objects.filter(is_current=False).count() == 1, "strata are there, lots are not, nobody uses it"
    assert Job.objects.count() == 1, "no chunk before the fit is in use"
    with time_machine.travel(NOW + timedelta(seconds=settings.JOB_LEASE_S + 60), tick=False):
        jobs.run_ready()
        with pytest.raises(jobs.LeaseLost):
            due.fit_night(handle, run_id=run.pk)
    run.refresh_from_db()
    assert run.state == "closed"
    assert BatteryFit.objects.filter(is_current=True).count() == 1
    assert Job.objects.filter(handler__endswith="refresh_chunk").count() == run.n_chunks == 1
    fits_of_run = BatteryFit.objects.filter(run=run)
    assert fits_of_run.filter(is_current=True).count() == 1


def test_a_night_whose_fit_fails_works_with_the_model_before(
    receiver: Receiver, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    fitting = in_service(receiver)
    before = fits.refresh_fit(at=NOW, as_of=TODAY)
    monkeypatch.setattr(fits, "learn", lambda **_: 1 / 0)
    run = due.start_nightly(day=TODAY)
    for n in range(settings.JOB_MAX_ATTEMPTS + 1):
        with time_machine.travel(timezone.now() + timedelta(hours=n), tick=False):
            jobs.run_ready()
    run.refresh_from_db()
    assert run.state == "closed"
    assert item_of(fitting).due_on is not None
    assert list(BatteryFit.objects.filter(is_current=True)) == [before]


def test_a_chunk_reads_for_itself_where_the_fit_was_made_elsewhere(monkeypatch: pytest.MonkeyPatch) -> None:
    cells = [in_service(factories.make_receiver()) for _ in range(3)]
    ended(20, after_days=500)
    tonight(TODAY - timedelta(days=1))
    dates = [due_on(fitting) for fitting in cells]
    DueItem.objects.all().delete()
    monkeypatch.setattr(due, "_go_on", lambda *_: None)
    monkeypatch.setattr(due, "TRANSMITTERS_A_CHUNK", 2)
    tonight()
    assert [due_on(fitting) for fitting in cells] == dates


def test_a_second_night_of_the_same_facts_writes_nothing(receiver: Receiver) -> None:
    ended(20, after_days=800, lot="A1")
    in_service(receiver, lot="A1")
    in_service(receiver, 2, fitted_at=None)
    tonight(TODAY - timedelta(days=1))
    before = list(DueItem.objects.order_by("pk").values())
    run = tonight()
    assert run.n_changed == 0
    assert list(DueItem.objects.order_by("pk").values()) == before
    written = Job.objects.filter(key__startswith=f"due:{TODAY}:", handler__endswith="refresh_chunk").get().result
    assert written == {"items": 2, "moved": 0, "written": 0, "ranked": 0}


def everything_kept() -> dict[str, list[Any]]:
    tables = (BatteryFit, StratumFit, LotFit, DueItem, DueChange, RefreshRun, Job)
    return {model.__name__: list(model._default_manager.order_by("pk").values()) for model in tables}


def test_asked_again_by_hand_nothing_is_written_until_the_record_changes(
    receiver: Receiver, capsys: pytest.CaptureFixture[str]
) -> None:
    ended(20, after_days=800, lot="A1")
    ended(20, after_days=300, lot="B2")
    mine = in_service(receiver, lot="A1")
    in_service(receiver, 2, fitted_at=None)
    tonight()
    before = everything_kept()
    assert before["LotFit"]
    for _ in range(2):
        call_command("refresh_due", "--on", TODAY.isoformat())
        assert "the fit in use stays" in capsys.readouterr().out
        assert everything_kept() == before
    ended(1, after_days=500, type=mine.transmitter.type)
    call_command("refresh_due", "--on", TODAY.isoformat())
    assert "a new fit of the model is in use" in capsys.readouterr().out
    assert BatteryFit.objects.count() == 2
    after = everything_kept()
    call_command("refresh_due", "--on", TODAY.isoformat())
    assert everything_kept() == after


def test_a_fit_whose_figures_were_tampered_with_is_made_again(receiver: Receiver) -> None:
    ended(20, after_days=800)
    first = fits.refresh_fit(at=NOW, as_of=TODAY)
    assert fits.refresh_fit(at=NOW, as_of=TODAY).pk == first.pk
    StratumFit.objects.filter(fit=first, number=0).update(u_1=0.123)
    assert fits.refresh_fit(at=NOW, as_of=TODAY).pk != first.pk


@pytest.mark.parametrize(
    ("a", "b", "same"),
    [(1.0, 1.0 + 1e-12, True), (1.0, 1.0 + 1e-7, False), (None, 1.0, False), ({"a": [1.0]}, {"a": [1]}, True),
     ({"a": 1}, {"b": 1}, False), ([1], [1, 2], False), (True, False, False)],
)  # fmt: skip
def test_figures_are_the_same_to_nine_places(a: Any, b: Any, same: bool) -> None:
    assert fits.same_figures(a, b) is same


def test_the_chance_of_an_end_soon_keeps_pace_though_the_date_stands_still(receiver: Receiver) -> None:
    fitting = in_service(receiver)
    tonight()
    before = item_of(fitting)
    tonight(TODAY + timedelta(days=1))
    assert item_of(fitting).chance_ahead == before.chance_ahead, "one day is no news"
    tonight(TODAY + timedelta(days=40))
    after = item_of(fitting)
    assert (after.chance_ahead or 0) > 1.25 * (before.chance_ahead or 9)
    assert (after.due_on, after.as_of) == (before.due_on, before.as_of)
    written = Job.objects.filter(handler__endswith="refresh_chunk").order_by("-pk")[0].result
    assert written == {"items": 1, "moved": 0, "written": 0, "ranked": 1}
