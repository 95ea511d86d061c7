"""The demo firm before it is loaded: true to what the simulation knows, buildable on any day, of the size that is promised."""

from __future__ import annotations

from collections import Counter
from datetime import timedelta
from random import Random
from typing import Any

import pytest

from maintenance.management.demo.build import build_firm, size_of
from maintenance.management.demo.install import SPOKEN_FOR, Serials
from maintenance.management.demo.world import DemoFirm
from tests.maintenance.test_demo import TODAY


@pytest.fixture(scope="module")
def usual() -> DemoFirm:
    """The firm that the command loads, without a database."""
    return build_firm(seed=21, today=TODAY, n_transmitters=1500)


def test_the_usual_firm_has_the_size_that_is_promised(usual: DemoFirm) -> None:
    assert len(usual.sites) == 40
    assert len({site.customer for site in usual.sites}) == 15
    assert len(usual.receivers) == 110
    standing = {row.transmitter.serial for row in usual.slots if row.transmitter and row.removed_at is None}
    assert len(standing) == 1500
    assert {receiver.evidence for receiver in usual.receivers} == {"every", "exceptions", "visits"}
    assert len({row.transmitter.type["kind"] for row in usual.slots if row.transmitter}) >= 9


def test_lives_end_early_in_the_bad_lot_only(usual: DemoFirm) -> None:
    def mean_share(fittings: list[Any]) -> float:
        scale = usual.truth.scale_by_type
        shares = [f.life_u / scale[f.transmitter.type["code"]] for f in fittings]
        return sum(shares) / len(shares)

    drawn = [f for f in usual.fittings if f.transmitter.site.installed_on > TODAY - timedelta(days=1400) or f.fitted_at]
    bad = [f for f in drawn if f.lot == usual.truth.bad_lot]
    good = [f for f in drawn if f.lot != usual.truth.bad_lot]
    assert len(bad) >= 15
    assert {f.battery for f in bad} == {"cr2450"}
    # The mean of a Weibull life of shape 8 is 0.94 of its scale.
    assert mean_share(good) == pytest.approx(0.94, abs=0.05)
    assert mean_share(bad) == pytest.approx(0.47, abs=0.08)


def test_the_history_holds_every_way_a_battery_comes_out(usual: DemoFirm) -> None:
    why = Counter(fitting.why for fitting in usual.fittings if fitting.removed_at)
    assert why["preventive"] > 400
    assert why["low_battery"] >= 60
    assert why["dead"] >= 10
    assert why["retired"] >= 10
    assert why["defect"] >= 5
    assert why["leaked"] >= 2


def test_most_kinds_have_ended_lives_to_learn_from(usual: DemoFirm) -> None:
    worn = Counter(f.transmitter.type["code"] for f in usual.fittings if f.why in ("low_battery", "dead"))
    kinds = {f.transmitter.type["code"] for f in usual.fittings if not f.transmitter.type["welded_cell"]}
    assert sum(worn[kind] >= 3 for kind in kinds) >= len(kinds) / 2
    assert sum(worn.values()) >= 80


def test_the_bad_lot_has_ended_enough_to_show_and_leaves_enough_to_look_for(usual: DemoFirm) -> None:
    bad = [f for f in usual.fittings if f.lot == usual.truth.bad_lot]
    assert sum(f.why in ("low_battery", "dead") for f in bad) >= 6
    assert sum(f.removed_at is None for f in bad) >= 8
    lots = [f.lot for f in usual.fittings]
    assert 0.02 < lots.count("") / len(lots) < 0.07


def test_ends_are_told_as_far_as_somebody_could_know(usual: DemoFirm) -> None:
    """Where only visits tell, the signal is as old as the visit that saw it, and the last sign of life is a visit."""
    told = [f for f in usual.fittings if f.why in ("low_battery", "dead") and f.removed_at]
    by_visits = [f for f in told if f.transmitter.site.evidence == "visits"]
    assert len(by_visits) >= 5
    for f in by_visits:
        assert f.first_low_at is None or f.first_low_at.date() == f.removed_at.date()
        assert f.last_alive_at is None or f.last_alive_at.date() in f.transmitter.site.visit_days
    logged = [f for f in told if f.transmitter.site.evidence == "every" and f.why == "low_battery"]
    assert len(logged) >= 20
    assert all(f.first_low_at and f.first_low_at < f.removed_at for f in logged)
    assert {f.is_under_load for f in told if f.volts is not None} == {True, False}


def test_cells_follow_each_other_without_gap_or_overlap(usual: DemoFirm) -> None:
    checked = 0
    for unit in usual.transmitters:
        for older, newer in zip(unit.fittings, unit.fittings[1:], strict=False):
            assert older.removed_at == newer.fitted_at
            checked += 1
        for fitting in unit.fittings:
            assert not (fitting.removed_at and fitting.fitted_at) or fitting.fitted_at < fitting.removed_at
            if fitting.first_low_at and fitting.removed_at:
                assert fitting.first_low_at < fitting.removed_at
    assert checked > 500


def test_a_transmitter_stands_in_one_place_unless_declared(usual: DemoFirm) -> None:
    places = Counter(row.transmitter.serial for row in usual.slots if row.transmitter and row.removed_at is None)
    assert [serial for serial, n in places.items() if n > 1] == [usual.truth.shared_serial]


def test_slots_are_set_to_what_their_receiver_can_do(usual: DemoFirm) -> None:
    for row in usual.slots:
        assert 1 <= row.slot <= row.receiver.n_slots
        kind = row.receiver.type
        if kind is None:
            continue
        assert row.window_s is None or row.window_s in kind["windows_s"]
        assert all(behaviour in kind["behaviours"] for _, behaviour, _ in row.outputs)
        if row.transmitter and row.supervision == "off":
            assert kind["can_switch_supervision_off"]


@pytest.mark.parametrize("days", range(7))
def test_it_can_be_built_on_every_day_of_the_week(days: int) -> None:
    firm = build_firm(seed=3, today=TODAY + timedelta(days=days), n_transmitters=150)
    assert firm.truth.carried_off_serial
    assert firm.truth.latched_serial


def test_another_seed_makes_another_firm() -> None:
    serials = [
        [unit.serial for unit in build_firm(seed=seed, today=TODAY, n_transmitters=150).transmitters]
        for seed in (1, 1, 2)
    ]
    assert serials[0] == serials[1]
    assert serials[0] != serials[2]


@pytest.mark.parametrize("seed", range(6))
def test_a_large_firm_gives_out_no_serial_that_is_spoken_for(seed: int) -> None:
    """One in two and a half numbers is given out: without care some of these six would meet one of the three."""
    serials = Serials(Random(seed))
    serials.last = 90400
    given = [serials.next() for _ in range(30)]
    assert given == sorted(set(given))
    assert max(given) > max(SPOKEN_FOR)
    assert not SPOKEN_FOR & set(given)


@pytest.mark.parametrize(("scale", "n"), [(1, 1500), (0.1, 150), (2, 3000), (100_000, 100_000), (4000, 4000)])
def test_scale_is_a_multiple_or_a_number(scale: float, n: int) -> None:
    assert size_of(scale) == n


@pytest.mark.parametrize("scale", [0, 0.05, -1, 100_001])
def test_a_scale_out_of_range_is_refused(scale: float) -> None:
    with pytest.raises(ValueError, match="between"):
        size_of(scale)
