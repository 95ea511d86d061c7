"""How often a supervision window cries wolf: a sound transmitter whose check-ins happen to be lost in a row.

A fault starts when `misses` check-ins in a row are lost. Two ways of losing are known: each check-in by itself with one chance,
or a path that is now good, now bad (Gilbert's chain), under which losses come in bursts and faults are far more frequent.
Everything is exact; sums are of positive terms only, so that very small chances keep their digits. Source: the project's
battery model, section 8.2; the chain: E. N. Gilbert, Bell Syst. Tech. J. 39 (1960), from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

Pair = tuple[float, float]
Square = tuple[Pair, Pair]

MAX_MISSES = 100_000
"""More check-ins than this in one window are a mistake in the settings."""
NEVER = 1e-290
"""Chances below this are taken as 0: their reciprocal would be no number."""
SETTLED = 1e-13
"""The chance of a first fault at the next check-in, given none so far, counts as constant once it changes less than this."""


@dataclass(frozen=True, slots=True)
class Gilbert:
    """A path that is good or bad, with its own chance of loss in each.

    Parameters
    ----------
    loss : float
        Overall share of check-ins lost [0 … 1], from `loss_good` to below `loss_bad`.
    burst : float
        Mean length of a bad spell [check-ins], 1 or more.
    loss_good, loss_bad : float
        Share lost while the path is good, and while it is bad [0 … 1].
    """

    loss: float
    burst: float
    loss_good: float = 0.0
    loss_bad: float = 1.0

    def __post_init__(self) -> None:
        if not all(math.isfinite(x) for x in (self.loss, self.burst, self.loss_good, self.loss_bad)):
            raise ValueError("Give numbers.")
        if not 0.0 <= self.loss_good <= self.loss < self.loss_bad <= 1.0:
            raise ValueError("The overall loss must lie between the loss while good and the loss while bad (0 … 1).")
        if self.burst < 1.0:
            raise ValueError("A bad spell lasts one check-in or longer.")
        if self.to_bad > 1.0:
            raise ValueError("So much loss needs longer bad spells: a good one would be shorter than a check-in.")

    @property
    def share_bad(self) -> float:
        """Share of check-ins at which the path is bad [0 … 1)."""
        return (self.loss - self.loss_good) / (self.loss_bad - self.loss_good)

    @property
    def to_good(self) -> float:
        """Chance that a bad spell is over at the next check-in, 1 / burst."""
        return 1.0 / self.burst

    @property
    def to_bad(self) -> float:
        """Chance that a good spell is over at the next check-in."""
        return self.to_good * self.share_bad / (1.0 - self.share_bad)


@dataclass(frozen=True, slots=True)
class Nuisance:
    """How often faults start without anything being wrong.

    Parameters
    ----------
    per_checkin : float
        New faults per check-in in the long run [1].
    expected : float
        Faults in so many check-ins, counted from a start with no loss behind it [1].
    at_least_one : float
        Chance of one or more in them [0 … 1].
    mean_to_first : float
        Mean number of check-ins from that start to the first fault [1]; infinite where none can happen.

    Notes
    -----
    Where each check-in is lost by itself, that start is the same as after a received check-in. On a path with bursts it is
    not: the path is good or bad by its long-run shares, whereas a received check-in would make a good one more likely.
    """

    per_checkin: float
    expected: float
    at_least_one: float
    mean_to_first: float


def misses_in_window(window_s: float, interval_s: float) -> int:
    """Give the check-ins that must be lost in a row for a fault.

    Parameters
    ----------
    window_s : float
        Supervision window [s].
    interval_s : float
        Time between check-ins [s].

    Returns
    -------
    int
        ⌈window / interval⌉ − 1, at least 1: those that fall strictly inside the window after the last one received.

    Raises
    ------
    ValueError
        If either is not above 0.
    """
    if not (0.0 < window_s < math.inf and 0.0 < interval_s < math.inf):
        raise ValueError("A window and an interval must be longer than 0 seconds.")
    return max(math.ceil(window_s / interval_s) - 1, 1)


def by_chance(p: float, misses: int, checkins: int) -> Nuisance:
    """Give the nuisance where each check-in is lost by itself.

    Parameters
    ----------
    p : float
        Chance that a check-in is lost, repeats included [0 … 1]. With k repeats p = p₁^k only if they are lost
        independently; with fading use `in_bursts`.
    misses : int
        Check-ins lost in a row that make a fault [1 …], see `misses_in_window`.
    checkins : int
        Check-ins after a received one [0 …].

    Returns
    -------
    Nuisance
        Per check-in (1 − p) p^m; in N: (N − m)(1 − p) p^m + p^m; mean to the first (1 − p^m) / (p^m (1 − p)).

    Raises
    ------
    ValueError
        If a number is out of range.
    """
    if not 0.0 <= p <= 1.0:
        raise ValueError("The chance of a loss must lie between 0 and 1.")
    _check(misses, checkins)
    hit = p**misses
    rate = (1.0 - p) * hit
    expected = (checkins - misses) * rate + hit if checkins >= misses else 0.0
    if p == 1.0:
        return Nuisance(rate, expected, hit if checkins >= misses else 0.0, float(misses))
    mean = -math.expm1(misses * math.log(p)) / rate if rate > 0.0 else math.inf
    return Nuisance(rate, expected, _first_by_chance(p, misses, checkins), mean)


def in_bursts(path: Gilbert, misses: int, checkins: int) -> Nuisance:
    """Give the nuisance where losses come in bursts.

    Parameters
    ----------
    path : Gilbert
        The path's chances.
    misses : int
        As in `by_chance`.
    checkins : int
        Check-ins to look at [0 …]; the first finds no loss behind it and the path in its long-run shares.

    Returns
    -------
    Nuisance
        With P the steps between good and bad, π their long-run shares, D the chances of loss or receipt in each, and
        A = P D_loss: per check-in π D_ok A^m 1; in N: N − m times that, + π A^m 1; the others from the chain on (state,
        losses in a row) that ends at a fault. Counting begins with no loss behind, the path good or bad by its shares.

    Raises
    ------
    ValueError
        If a number is out of range.
    """
    _check(misses, checkins)
    lost, received = _steps(path)
    bad = path.share_bad
    start: Pair = (1.0 - bad, bad)
    run = _apply_often(lost, misses)
    rate = start[0] * (1.0 - path.loss_good) * run[0] + bad * (1.0 - path.loss_bad) * run[1]
    more = checkins - misses
    return Nuisance(
        per_checkin=rate,
        expected=more * rate + start[0] * run[0] + start[1] * run[1] if more >= 0 else 0.0,
        at_least_one=_first_in_bursts(lost, received, start, misses, checkins),
        mean_to_first=_mean_in_bursts(lost, received, start, run, misses),
    )


def _check(misses: int, checkins: int) -> None:
    """Refuse counts that mean nothing."""
    if not 1 <= misses <= MAX_MISSES:
        raise ValueError(f"A fault needs 1 to {MAX_MISSES} check-ins lost in a row.")
    if checkins < 0:
        raise ValueError("The number of check-ins cannot be negative.")


class _Watch:
    """Adds up the chance of a first fault, and looks on from where the chance at each next check-in has settled."""

    def __init__(self, window: int) -> None:
        self.total = 0.0
        self._window = max(window, 64)
        self._mark = -1.0
        self._left = self._window

    def add(self, hit: float) -> bool:
        """Count one check-in; True once the rest follows from the last step."""
        chance = hit / (1.0 - self.total) if self.total < 1.0 else 1.0
        self.total = min(self.total + hit, 1.0)
        self._left -= 1
        if self._left:
            return False
        settled = abs(chance - self._mark) <= SETTLED * chance
        self._mark, self._left = chance, self._window
        return settled

    def after(self, n: int) -> float:
        """Give the chance of a first fault once n more check-ins have gone by."""
        if n <= 0 or self.total >= 1.0 or self._mark >= 1.0:
            return self.total
        return -math.expm1(math.log1p(-self.total) + n * math.log1p(-self._mark))


def _first_by_chance(p: float, m: int, n: int) -> float:
    """Give P(at least one in n): the first fault is at i if a receipt, m losses, and no fault before them."""
    if n < m:
        return 0.0
    hit = p**m
    totals = [0.0] * m
    watch = _Watch(m + 1)
    watch.add(hit)
    totals.append(watch.total)
    for i in range(m + 1, n + 1):
        if watch.add((1.0 - p) * hit * (1.0 - totals[i - m - 1])):
            return watch.after(n - i)
        totals.append(watch.total)
    return watch.total


def _steps(path: Gilbert) -> tuple[Square, Square]:
    """Give P D_loss and P D_ok: rows from good and from bad, columns to good and to bad."""
    a, g, good, bad = path.to_bad, path.to_good, path.loss_good, path.loss_bad
    lost = (((1.0 - a) * good, a * bad), (g * good, (1.0 - g) * bad))
    received = (((1.0 - a) * (1.0 - good), a * (1.0 - bad)), (g * (1.0 - good), (1.0 - g) * (1.0 - bad)))
    return lost, received


def _apply(step: Square, column: Pair) -> Pair:
    return (step[0][0] * column[0] + step[0][1] * column[1], step[1][0] * column[0] + step[1][1] * column[1])


def _move(row: Pair, step: Square) -> Pair:
    return (row[0] * step[0][0] + row[1] * step[1][0], row[0] * step[0][1] + row[1] * step[1][1])


def _apply_often(step: Square, times: int) -> Pair:
    """Give step^times · 1: the chance of so many losses in a row, from good and from bad."""
    column: Pair = (1.0, 1.0)
    for _ in range(times):
        column = _apply(step, column)
    return column


def _first_in_bursts(lost: Square, received: Square, start: Pair, m: int, n: int) -> float:
    """Give P(at least one in n): every run of losses begins at a receipt and ends in a receipt or in a fault."""
    if n < m:
        return 0.0
    run = _apply_often(lost, m)
    power = _power(lost, m)
    receipts = [start]
    waiting: Pair = (0.0, 0.0)
    watch = _Watch(m + 1)
    for i in range(1, n + 1):
        before = (waiting[0] + receipts[-1][0], waiting[1] + receipts[-1][1])
        receipts.append(_move(before, received))
        waiting = _move(before, lost)
        if i < m:
            continue
        begun = receipts[i - m]
        faulty = _move(begun, power)
        waiting = (max(waiting[0] - faulty[0], 0.0), max(waiting[1] - faulty[1], 0.0))
        if watch.add(begun[0] * run[0] + begun[1] * run[1]):
            return watch.after(n - i)
    return watch.total


def _power(step: Square, times: int) -> Square:
    """Give step^times."""
    rows: Square = ((1.0, 0.0), (0.0, 1.0))
    for _ in range(times):
        rows = (_move(rows[0], step), _move(rows[1], step))
    return rows


def _mean_in_bursts(lost: Square, received: Square, start: Pair, run: Pair, m: int) -> float:
    """Give the mean number of check-ins to the first fault.

    From each state after a receipt: so many check-ins until the next receipt or fault, and the state of that receipt.
    The two equations are solved by sums of positive terms, since their determinant is nearly 0 where faults are rare.
    """
    steps, back = (0.0, 0.0), ((0.0, 0.0), (0.0, 0.0))
    column: Pair = (1.0, 1.0)
    rows: Square = ((1.0, 0.0), (0.0, 1.0))
    for _ in range(m):
        steps = (steps[0] + column[0], steps[1] + column[1])
        landed = (_move(rows[0], received), _move(rows[1], received))
        back = (
            (back[0][0] + landed[0][0], back[0][1] + landed[0][1]),
            (back[1][0] + landed[1][0], back[1][1] + landed[1][1]),
        )
        column = _apply(lost, column)
        rows = (_move(rows[0], lost), _move(rows[1], lost))
    to_bad, to_good = back[0][1], back[1][0]
    det = run[0] * run[1] + run[0] * to_good + run[1] * to_bad
    if det < NEVER:
        return math.inf
    from_good = ((run[1] + to_good) * steps[0] + to_bad * steps[1]) / det
    from_bad = (to_good * steps[0] + (run[0] + to_bad) * steps[1]) / det
    return start[0] * from_good + start[1] * from_bad
