"""The picture of windows: bars grow by factors, hatched above one a year, with the duty's limit between the right two."""

from __future__ import annotations

from dataclasses import replace

import pytest

from devices.rules.false_faults import FalseFaults
from devices.rules.window_advice import WindowOption
from maintenance.rules.charts_windows import LEFT, RIGHT, window_chart


def rate(a_year: float, up_to: float | None = None) -> FalseFaults:
    return FalseFaults(3, a_year, a_year if up_to is None else up_to, None)


QUIET = WindowOption(14400, 3, rate(0.01), is_quiet=True, is_current=True, is_under_two=False, is_over_duty=False)
LOUD = replace(QUIET, window_s=3600, misses=1, rates=rate(10.0), is_quiet=False, is_current=False)
LONG = replace(QUIET, window_s=86400, rates=rate(0.0), is_current=False, is_over_duty=True)


def test_bars_grow_by_factors_and_only_loud_ones_are_hatched() -> None:
    chart = window_chart([LOUD, QUIET, LONG])
    assert chart is not None
    loud, quiet, never = chart.bars
    third = (RIGHT - LEFT) / 6
    assert loud.width == pytest.approx(4 * third, abs=0.1)
    assert quiet.width == pytest.approx(third, abs=0.1)
    assert never.width == 2.0
    assert (loud.kind, quiet.kind) == ("loud", "quiet")
    assert loud.hatch
    assert not quiet.hatch
    assert [bar.is_current for bar in chart.bars] == [False, True, False]


def test_the_limit_of_the_duty_lies_between_the_windows_it_parts() -> None:
    chart = window_chart([LOUD, QUIET, LONG])
    assert chart is not None
    assert chart.too_long_y is not None
    assert chart.bars[1].y < chart.too_long_y < chart.bars[2].y
    within = window_chart([LOUD, QUIET])
    assert within is not None
    assert within.too_long_y is None


def test_one_a_year_is_where_quiet_ends() -> None:
    chart = window_chart([replace(QUIET, rates=rate(1.0))])
    assert chart is not None
    assert LEFT + chart.bars[0].width == pytest.approx(chart.limit_x, abs=0.1)


def test_more_than_the_axis_holds_ends_with_it() -> None:
    chart = window_chart([replace(LOUD, rates=rate(1e6))])
    assert chart is not None
    assert LEFT + chart.bars[0].width <= RIGHT + 0.1


def test_the_words_name_every_window() -> None:
    chart = window_chart([LOUD, QUIET])
    assert chart is not None
    assert chart.finding == "60 min: about 10 a year; 4 h (in use): about one in 100 years"


def test_what_is_not_known_is_not_drawn() -> None:
    assert window_chart([replace(QUIET, rates=None, is_quiet=None)]) is None
    chart = window_chart([replace(QUIET, rates=None, is_quiet=None), LONG])
    assert chart is not None
    assert len(chart.bars) == 1


def test_what_cannot_be_told_is_drawn_to_its_upper_reading_and_not_as_either() -> None:
    chart = window_chart([replace(QUIET, rates=rate(0.01, 10.0), is_quiet=None)])
    assert chart is not None
    assert (chart.bars[0].kind, chart.bars[0].hatch, chart.has_open) == ("open", "", True)
    assert chart.bars[0].width == pytest.approx(4 * (RIGHT - LEFT) / 6, abs=0.1)
    assert "between about one in 100 years and about 10 a year" in chart.finding
    known = window_chart([QUIET])
    assert known is not None
    assert not known.has_open
