"""Fates of single batteries: when each would end, be dead, be seen to, from the draws of a fleet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.benchmarks.fleet.worlds import (
    LEAD_SD,
    LEAD_SHARE,
    LOOK_DAYS,
    BoolArray,
    FloatArray,
    IntArray,
    Truth,
    life_failed,
    life_quantile,
)

USE_SD = 0.2
DEFECT_SPAN = 0.8


@dataclass(frozen=True, slots=True)
class Fates:
    """What will happen to batteries if nobody changes them before; days count from the start of the world.

    `end_day` is the end of life (signal or death, whichever comes first), `natural_day` the day somebody comes for it.
    """

    rate: FloatArray
    sleep_share: FloatArray
    fitted_day: FloatArray
    end_day: FloatArray
    dead_day: FloatArray
    natural_day: FloatArray
    is_seen: BoolArray
    is_other: BoolArray
    is_noted: BoolArray


def next_look(phase: FloatArray, day: FloatArray) -> FloatArray:
    """Give the first yearly look at or after a day."""
    return np.asarray(phase + np.ceil((day - phase) / LOOK_DAYS) * LOOK_DAYS)


def last_look(phase: FloatArray, day: FloatArray) -> FloatArray:
    """Give the last yearly look at or before a day."""
    return np.asarray(phase + np.floor((day - phase) / LOOK_DAYS) * LOOK_DAYS)


def fates(truth: Truth, device: IntArray, turn: IntArray, lot: IntArray, fitted_day: FloatArray) -> Fates:
    """Work out the fates of each device's battery number `turn`, all columns of one length.

    A battery that was taken over (turn 0 of such a device) is known to be alive on day 0, and its fitting day is worked
    out from its age.
    """
    world, s = truth.world, truth.stratum[device]
    is_old = truth.is_taken_over[device] & (turn == 0)
    turn = turn % truth.life_u.shape[1]
    beta, eta = truth.beta[s], truth.eta[s]
    active = truth.active_rate[device] * np.exp(USE_SD * truth.use_z[device, turn])
    sleep = truth.sleep_rate[device]
    rate = sleep + active
    wear_rate = (world.sleep_factor * sleep + active) * truth.hidden[device]
    lot_life = np.where(truth.lot_is_bad[lot], world.bad_lot_life, 1.0)
    age = np.where(is_old, truth.begin_age[device] * eta * lot_life, 0.0)
    passed = life_failed(world, age / lot_life, beta, eta)
    wear = life_quantile(world, passed + (1.0 - passed) * truth.life_u[device, turn], beta, eta) * lot_life
    defect_at = DEFECT_SPAN * eta * truth.defect_at_u[device, turn]
    is_other = (truth.defect_u[device, turn] < world.defect_share) & (defect_at < wear) & ~is_old
    fitted = np.where(is_old, -age / wear_rate, fitted_day)
    end_day = fitted + np.where(is_other, defect_at, wear) / wear_rate
    has_log = truth.has_log[device]
    sends = truth.has_signals
    lead = LEAD_SHARE * eta * np.exp(LEAD_SD * truth.lead_z[device, turn]) / wear_rate
    is_slow = sends & (truth.seen_u[device, turn] < world.signal_share) & ~is_other
    dead_day = end_day + np.where(is_slow, lead, 0.0)
    looked = next_look(truth.look_phase[device], end_day)
    return Fates(
        rate=rate,
        sleep_share=sleep / rate,
        fitted_day=fitted,
        end_day=end_day,
        dead_day=dead_day,
        natural_day=np.where(has_log, end_day + truth.response[device, turn], looked),
        is_seen=is_slow & has_log,
        is_other=is_other,
        is_noted=is_other & (truth.noted_u[device, turn] < world.noted_share),
    )
