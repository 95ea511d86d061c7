"""The worlds: what simulated batteries really do. All figures of a world stand here and nowhere else.

Common to all worlds
--------------------
*Strata.* 30 (option): three to a transmitter model. Every fourth one has no counted activations ("fallback") and shares its
physics with the stratum before it. Sizes are uneven: weights are lognormal with sd 0.7.
*Wear.* A battery ends at a wear exposure X: Weibull with ln β_s ~ N(ln 8, 0.2) and
ln η_s ~ model N(0, 0.12) + stratum N(0, 0.09), which is sd 0.15 together; η is 1 where the catalogue is right.
*Use.* Catalogue exposure per day of a device: lognormal, median 1 / (3 · 365), sd 0.25. Its sleep share follows Beta(4, 4); the
part from activations changes from one battery to the next by a lognormal factor of sd 0.2.
*Fallback.* True use of a device in a fallback stratum is the assumed one times a lognormal factor of sd 0.3, for good.
*Start.* 30 % of the devices are taken over on day 0 with a battery of known age (uniform over 0 … 0.6 of its typical life,
alive on that day), the others are fitted on a day of the first year.
*Lots.* Each stratum is supplied lot after lot: lognormal sizes, median 30, sd 0.6, 5 … 150.
*Sites.* About 10 devices, of any stratum and duty class. At a quarter of the sites no check-ins reach us: there, ends are found
only at a look (every 365 days, phase at random, or a visit of a round). Elsewhere a silent battery is known to the day.
*Signal.* At the end of its life a battery sends low-battery signals; they are seen in 90 % of the ends, and the battery is dead
after another wear exposure, lognormal with median 0.04 η_s and sd 0.5. Unseen, or without signals at all, the end of life
is the death. Somebody comes after an exponential time of mean 25 days. Where no check-ins reach us, no signal does either;
a look finds the battery low or dead.
*Time.* Steps of 15 days with the exact day of every event inside, a new fit every 90 days. No calendar cap.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

STEP_DAYS = 15.0
REFIT_DAYS = 90.0
YEAR = 365.25
LOOK_DAYS = 365.0
RESPONSE_DAYS = 25.0
CATALOGUE_DAYS = 3.0 * YEAR
NO_LOG_SHARE = 0.25
FALLBACK_SD = 0.3
TAKEN_OVER_SHARE = 0.3
SITE_SIZE = 10
LEAD_SHARE, LEAD_SD = 0.04, 0.5
MOST_BATTERIES = 96
"""Draws kept ready per device; the few that need more batteries in 16 years begin again with the first."""


@dataclass(frozen=True, slots=True)
class World:
    """How a world differs from the plain Weibull one.

    Parameters
    ----------
    about : str
        One line for `--list`.
    is_lognormal : bool
        Lives are lognormal with the median and the sd of ln X of the Weibull law.
    device_sd : float
        Hidden factor of a device's true use, lognormal, for good (temperature, wiring, radio).
    catalogue_factor : float
        Factor on η [1]: 0.5 = the catalogue's currents are half of the true ones.
    catalogue_share : float
        Share of the strata to which that factor applies.
    sleep_factor : float
        True sleep current over the catalogue's.
    is_mixed_use : bool
        Sleep shares follow Beta(1.2, 1.2) instead of Beta(4, 4).
    bad_lot_share, bad_lot_life : float
        Share of lots with a life factor, and that factor.
    defect_share, noted_share : float
        Share of cells that die of a defect at a wear exposure uniform over 0 … 0.8 η_s (suddenly, no signal), and the
        share of these that the technician writes down as a defect; the others are written down as dead.
    signal_share : float
        Share of ends whose signal is seen.
    """

    about: str
    is_lognormal: bool = False
    device_sd: float = 0.0
    catalogue_factor: float = 1.0
    catalogue_share: float = 1.0
    sleep_factor: float = 1.0
    is_mixed_use: bool = False
    bad_lot_share: float = 0.0
    bad_lot_life: float = 0.5
    defect_share: float = 0.0
    noted_share: float = 0.7
    signal_share: float = 0.9


WORLDS: dict[str, World] = {
    "weibull": World("Weibull lives, the catalogue is right on average"),
    "lognormal": World("lognormal lives of the same median and spread", is_lognormal=True),
    "device-spread": World("hidden factor of each device's use, sd 0.2", device_sd=0.2),
    "catalogue-low": World("true currents are twice the catalogue's everywhere", catalogue_factor=0.5),
    "catalogue-high": World("true currents are half the catalogue's everywhere", catalogue_factor=2.0),
    "catalogue-part": World(
        "true currents are twice the catalogue's in 40 % of the strata", catalogue_factor=0.5, catalogue_share=0.4
    ),
    "sleep-double": World(
        "true sleep current is twice the catalogue's, mixed use", sleep_factor=2.0, is_mixed_use=True
    ),
    "bad-lots": World("8 % of the lots have half the life", bad_lot_share=0.08),
    "defects": World("3 % of the cells die of a defect, early and at random", defect_share=0.03),
    "everything": World(
        "device-spread, catalogue-part, sleep-double, bad-lots and defects at once",
        device_sd=0.2,
        catalogue_factor=0.5,
        catalogue_share=0.4,
        sleep_factor=2.0,
        is_mixed_use=True,
        bad_lot_share=0.08,
        defect_share=0.03,
    ),
}


@dataclass(frozen=True, slots=True)
class Truth:
    """One fleet drawn from a world: strata, devices and what each device's next batteries will be like.

    Columns of strata have `n_strata` rows, those of devices `n`; draws are (n, MOST_BATTERIES).
    """

    world: World
    has_signals: bool
    # strata
    model: IntArray
    is_measured: BoolArray
    beta: FloatArray
    eta: FloatArray
    lot_ends: list[IntArray]  # per stratum: number of batteries up to the end of each lot
    lot_first: IntArray  # number of each stratum's first lot
    lot_is_bad: BoolArray
    # devices
    stratum: IntArray
    duty: IntArray
    site: IntArray
    has_log: BoolArray
    look_phase: FloatArray
    sleep_rate: FloatArray  # catalogue exposure per day
    active_rate: FloatArray
    hidden: FloatArray  # true use over believed use
    is_taken_over: BoolArray
    begin_day: FloatArray
    begin_age: FloatArray  # share of the typical life
    # draws per battery
    life_u: FloatArray
    use_z: FloatArray
    lead_z: FloatArray
    response: FloatArray
    seen_u: FloatArray
    defect_u: FloatArray
    defect_at_u: FloatArray
    noted_u: FloatArray

    @property
    def n(self) -> int:
        """Number of devices."""
        return len(self.stratum)

    @property
    def n_strata(self) -> int:
        """Number of strata."""
        return len(self.beta)


def life_quantile(world: World, p: ArrayLike, beta: FloatArray | float, eta: FloatArray | float) -> FloatArray:
    """Give the wear exposure that a share p does not reach (good lot, no defect)."""
    if world.is_lognormal:
        return np.asarray(eta * np.log(2.0) ** (1.0 / beta) * np.exp(np.pi / np.sqrt(6.0) / beta * ndtri(p)))
    return np.asarray(eta * (-np.log1p(-np.asarray(p))) ** (1.0 / beta))


def life_failed(world: World, x: FloatArray, beta: FloatArray | float, eta: FloatArray | float) -> FloatArray:
    """Give the share that has ended at a wear exposure (good lot, no defect)."""
    if world.is_lognormal:
        ratio = np.log(np.maximum(x, 1e-300) / (eta * np.log(2.0) ** (1.0 / beta)))
        return np.asarray(ndtr(ratio * np.sqrt(6.0) * beta / np.pi))
    return np.asarray(-np.expm1(-((x / eta) ** beta)))


def draw(world: World, *, n_devices: int, n_strata: int, seed: int, has_signals: bool) -> Truth:
    """Draw a fleet. The same seed gives the same devices and the same batteries to every policy."""
    rng = np.random.default_rng([seed, n_devices, n_strata])
    strata = _draw_strata(world, n_strata, rng)
    lots = _draw_lots(world, n_strata, n_devices, rng)
    devices = _draw_devices(world, n_devices, strata["is_measured"], rng)
    shape = (n_devices, MOST_BATTERIES)
    batteries: dict[str, Any] = {
        "life_u": rng.random(shape),
        "use_z": rng.standard_normal(shape),
        "lead_z": rng.standard_normal(shape),
        "response": rng.exponential(RESPONSE_DAYS, shape),
        "seen_u": rng.random(shape),
        "defect_u": rng.random(shape),
        "defect_at_u": rng.random(shape),
        "noted_u": rng.random(shape),
    }
    return Truth(world=world, has_signals=has_signals, **strata, **lots, **devices, **batteries)


def _draw_strata(world: World, n: int, rng: np.random.Generator) -> dict[str, Any]:
    model = np.arange(n) // 3
    beta = np.exp(rng.normal(np.log(8.0), 0.2, n))
    model_effect = rng.normal(0.0, 0.12, n)[model]
    eta = np.exp(model_effect + rng.normal(0.0, 0.09, n))
    is_wrong = rng.permutation(n) < round(world.catalogue_share * n)
    eta = np.where(is_wrong, eta * world.catalogue_factor, eta)
    is_measured = np.arange(n) % 4 != 3
    twin = np.where(is_measured, np.arange(n), np.arange(n) - 1)
    return {"model": model[twin], "is_measured": is_measured, "beta": beta[twin], "eta": eta[twin]}


def _draw_lots(world: World, n_strata: int, n_devices: int, rng: np.random.Generator) -> dict[str, Any]:
    enough = max(20, int(1.2 * n_devices / n_strata * MOST_BATTERIES / 20))
    sizes = np.clip(np.rint(np.exp(rng.normal(np.log(30.0), 0.6, (n_strata, enough)))), 5, 150).astype(np.int64)
    return {
        "lot_ends": list(np.cumsum(sizes, axis=1)),
        "lot_first": np.arange(n_strata) * enough,
        "lot_is_bad": rng.random(n_strata * enough) < world.bad_lot_share,
    }


def _draw_devices(world: World, n: int, is_measured: BoolArray, rng: np.random.Generator) -> dict[str, Any]:
    weight = np.exp(rng.normal(0.0, 0.7, len(is_measured)))
    stratum = rng.choice(len(is_measured), size=n, p=weight / weight.sum())
    n_sites = max(1, n // SITE_SIZE)
    site = rng.integers(0, n_sites, n)
    rate = np.exp(rng.normal(-np.log(CATALOGUE_DAYS), 0.25, n))
    share = rng.beta(1.2, 1.2, n) if world.is_mixed_use else rng.beta(4.0, 4.0, n)
    hidden = world.device_sd * rng.standard_normal(n) + np.where(is_measured[stratum], 0.0, FALLBACK_SD) * (
        rng.standard_normal(n)
    )
    is_taken_over = rng.random(n) < TAKEN_OVER_SHARE
    return {
        "stratum": stratum,
        "duty": rng.integers(0, 3, n),
        "site": site,
        "has_log": (rng.random(n_sites) >= NO_LOG_SHARE)[site],
        "look_phase": (rng.random(n_sites) * LOOK_DAYS)[site],
        "sleep_rate": rate * share,
        "active_rate": rate * (1.0 - share),
        "hidden": np.exp(hidden),
        "is_taken_over": is_taken_over,
        "begin_day": np.where(is_taken_over, 0.0, rng.random(n) * YEAR),
        "begin_age": 0.6 * rng.random(n),
    }
