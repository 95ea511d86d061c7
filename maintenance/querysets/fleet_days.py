"""Local days for many moments at once: one table of offsets per time zone, exact to the second, kept for the process."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

UNKNOWN_S = -(2**40)
"""Stands for a moment that is not known: long before any clock."""
EPOCH_DAY = 10957
"""Days from 1 January 1970 to 1 January 2000."""
DAY_S = 86400
_FIRST, _LAST = datetime(1960, 1, 1, tzinfo=UTC), datetime(2101, 1, 1, tzinfo=UTC)
_STEP = timedelta(days=3)
"""No zone has put its clocks forth and back within three days."""


def _offset(zone: ZoneInfo, second: int) -> int:
    offset = datetime.fromtimestamp(second, UTC).astimezone(zone).utcoffset()
    return round(offset.total_seconds()) if offset is not None else 0


@cache
def offsets(name: str) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Moments from which an offset holds [s since 1970, UTC] and the offsets [s], found once per zone and process."""
    zone = ZoneInfo(name)
    second, end, step = int(_FIRST.timestamp()), int(_LAST.timestamp()), int(_STEP.total_seconds())
    since, found = [UNKNOWN_S], [_offset(zone, second)]
    while second < end:
        following = second + step
        if _offset(zone, following) != found[-1]:
            low, high = second, following
            while high - low > 1:
                middle = (low + high) // 2
                low, high = (middle, high) if _offset(zone, middle) == found[-1] else (low, middle)
            since.append(high)
            found.append(_offset(zone, high))
        second = following
    return np.array(since, dtype=np.int64), np.array(found, dtype=np.int64)


def local_days(seconds: NDArray[Any], zone: NDArray[Any], names: Sequence[str]) -> NDArray[np.float64]:
    """Give the day at the place of each moment.

    Parameters
    ----------
    seconds : array of int
        Moments [s since 1970, UTC]; `UNKNOWN_S` = not known.
    zone : array of int
        Place of each moment's zone in `names`; −1 = not known, taken as UTC.
    names : sequence of str
        Names of time zones.

    Returns
    -------
    array
        Days since 1 January 2000; NaN where the moment is not known.
    """
    local = seconds.astype(np.int64, copy=True)
    for number in np.unique(zone[zone >= 0]):
        here = np.flatnonzero(zone == number)
        since, offset = offsets(names[int(number)])
        local[here] += offset[np.searchsorted(since, seconds[here], side="right") - 1]
    days = np.floor_divide(local, DAY_S) - EPOCH_DAY
    return np.where(seconds > UNKNOWN_S, days, np.nan).astype(np.float64)
