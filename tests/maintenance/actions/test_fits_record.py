"""The record that the fleet model learns from: what counts as an end, and what breaks no night."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest

from devices.actions.fault_events import Signal, record_signals
from devices.models import Fault, Fitting, FittingTotals, Receiver, Transmitter
from maintenance.actions import fits
from maintenance.models import BatteryFit, DueItem
from maintenance.querysets.fleet import Scope, read_fleet
from maintenance.querysets.fleet_history import read_history
from maintenance.querysets.fleet_raw import open_part, read_whole
from maintenance.rules.fleet_history import grouped, history_of
from tests import factories
from tests.factories import NOW, TODAY
from tests.maintenance.actions.test_fits import ended, in_service, item_of, kind, tonight

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def receiver(db: Any) -> Receiver:
    return factories.make_receiver()


def silent(receiver: Receiver, fitting: Fitting, hours: float) -> None:
    Fault.objects.create(
        customer=receiver.customer, site=receiver.site, receiver=receiver, kind="missing",
        transmitter=fitting.transmitter, raised_at=NOW - timedelta(hours=hours),
    )  # fmt: skip


# --- the record -------------------------------------------------------------------------------------------------------


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


def test_an_end_is_dated_by_the_signals_that_confirm_each_other_and_not_by_a_cold_night_long_before() -> None:
    receiver = factories.make_receiver(evidence="every")
    fitting = in_service(receiver)
    for n in (300, 30, 20):
        raised = NOW - timedelta(days=n)
        Fault.objects.create(
            customer=receiver.customer, site=receiver.site, receiver=receiver, kind="low_battery",
            transmitter=fitting.transmitter, raised_at=raised, cleared_at=raised + timedelta(hours=2),
        )  # fmt: skip
    outcome = history_of(read_history(NOW), 9825.0).outcome
    assert (outcome.is_end.tolist(), outcome.end_day[0]) == ([True], 9825.0 - 30)


@pytest.mark.parametrize(("hours", "is_end"), [(3, False), (30, True)])
def test_a_signal_that_is_reported_again_on_another_day_is_confirmed(hours: int, is_end: bool) -> None:
    receiver = factories.make_receiver(evidence="every")
    row = in_service(receiver).transmitter.registrations.get()
    for n, word in ((0, "low_battery"), (hours, "low_battery"), (hours + 1, "battery_restored")):
        signal = Signal(
            kind=word, at=NOW - timedelta(days=40, hours=6) + timedelta(hours=n), customer_id=row.customer_id,
            site_id=row.site_id, receiver_id=receiver.pk, registration_id=row.pk, transmitter_id=row.transmitter_id,
        )  # fmt: skip
        record_signals(signals=[signal], source="gateway", at=NOW)
    assert history_of(read_history(NOW), 9825.0).outcome.is_end.tolist() == [is_end]


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
