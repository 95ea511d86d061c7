"""Which low-battery signal counts: one that stands, that lasted, or that came on two days."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from devices.rules.low_signals import LowSpan, first_signal, is_confirmed
from maintenance.rules.fleet_history import NO_SIGNAL, low_signals

BEGIN = datetime(2026, 1, 1, tzinfo=UTC)


def span(hour: int, hours: int | None) -> LowSpan:
    begin = BEGIN + timedelta(hours=hour)
    return LowSpan(begin, begin + timedelta(hours=hours) if hours is not None else None)


@pytest.mark.parametrize(
    ("spans", "days", "first"),
    [
        ([], [], None),
        ([span(5, None)], [], 5),
        ([span(5, 4)], [], None),
        ([span(5, 24)], [], 5),
        ([span(5, 4), span(40, 2)], [], 5),
        ([span(5, 4), span(15, 4)], [], None),
        ([span(5, 4), span(24 * 40, 2)], [], None),
        ([span(5, 4), span(24 * 40, None)], [], 24 * 40),
        ([span(5, 22)], [date(2026, 1, 2)], 5),
        ([span(5, 4)], [date(2026, 1, 9)], 5),
        ([span(5, 4)], [date(2026, 1, 1)], None),
        ([span(5, 4)], [date(2026, 3, 1)], None),
    ],
)
def test_the_first_signal_that_counts(spans: list[LowSpan], days: list[date], first: int | None) -> None:
    assert first_signal(spans, days) == (BEGIN + timedelta(hours=first) if first is not None else None)


SPANS = st.lists(
    st.tuples(st.integers(0, 2), st.integers(0, 24 * 80), st.integers(0, 30)), max_size=12, unique_by=lambda t: t[:2]
)


@given(SPANS)
def test_the_columns_of_a_fit_agree_with_the_rule(told: list[tuple[int, int, int]]) -> None:
    row, hour, hours = (np.array([one[n] for one in told], dtype=np.int64) for n in range(3))
    begin_s = int(BEGIN.timestamp())
    first, last = low_signals(row, begin_s + hour * 3600, hours * 3600, np.zeros(len(told), dtype=bool), 3)
    for cells in range(3):
        mine = [span(h, d) for r, h, d in told if r == cells]
        days = {one.begin.date() for one in mine}
        wanted = min((one.begin for one in mine if is_confirmed(one, days)), default=None)
        assert first[cells] == (int(wanted.timestamp()) if wanted else NO_SIGNAL)
        assert last[cells] == max((int(one.begin.timestamp()) for one in mine), default=NO_SIGNAL)
