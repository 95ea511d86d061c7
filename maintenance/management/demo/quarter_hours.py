"""Quarter hours in which transmitters of the demo firm were heard: days of the last months are kept as finely as real ones."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from devices.rules.presence import QUARTER_S, expected_of, loss_runs_of, mask_of_quarters

N_RECENT = 62
"""Days that have masks; of older ones only the counts are kept, as with closed months."""


def draw(
    rng: np.random.Generator, *, interval_s: int, span_s: NDArray[np.float64], silent_s: NDArray[np.float64],
    ends_silent: NDArray[np.float64], heard: NDArray[np.int64], activations: NDArray[np.int64],
    last_heard_s: NDArray[np.int64], loss_runs: NDArray[np.int64], often_s: int,
) -> list[tuple[bytes | None, bytes | None]]:  # fmt: skip
    """Give presence and acted of each day, oldest first, None for old days; sets what follows from them in the last two.

    Check-ins come every interval from a phase of the transmitter's own; those in the silent part of a day (its end, or its
    beginning) are lost, and of the others as many as `heard` says came through.
    """
    n = len(heard)
    interval = max(interval_s, QUARTER_S)
    phase = int(rng.integers(0, interval))
    found: list[tuple[bytes | None, bytes | None]] = [(None, None)] * max(n - N_RECENT, 0)
    for day in range(len(found), n):
        span, silent = int(span_s[day]), float(silent_s[day])
        begin, end = (0.0, span - silent) if ends_silent[day] else (min(silent, span), float(span))
        moments = [s for s in range(phase, span, interval) if begin <= s < end]
        # A day cut short by silence holds one check-in more or less, as its phase falls.
        heard[day] = min(int(heard[day]), len(moments))
        came = sorted(rng.choice(len(moments), int(heard[day]), replace=False).tolist()) if heard[day] else []
        quarters = [moments[place] // QUARTER_S for place in came]
        activations[day] = activations[day] if quarters else 0
        last = moments[came[-1]] if came else 0
        if came and day == n - 1 and often_s < QUARTER_S and not silent and last_heard_s[day] > last:
            # Of one that checks in every minute the last quarter hour is heard to its end: its window is as short.
            last = int(last_heard_s[day])
            quarters[-1] = last // QUARTER_S
        last_heard_s[day] = last
        mask = mask_of_quarters(quarters) if quarters else None
        loss_runs[day] = (
            loss_runs_of(mask, interval_s, 0, -(-span // QUARTER_S)) if expected_of(interval_s, 0, span) else 0
        )
        acted = None
        if activations[day]:
            acted = mask_of_quarters(
                rng.choice(quarters, min(int(activations[day]), len(quarters)), replace=False).tolist()
            )
        found.append((mask, acted))
    return found
