"""The picture of a date: right places on both scales, words that do not meet, a table that says the same."""

from __future__ import annotations

import re
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pytest
from django.template.loader import render_to_string
from hypothesis import given, settings
from hypothesis import strategies as st

from company import palette
from maintenance.rules.battery.posterior import learn
from maintenance.rules.charts_life import (
    BASE,
    GAP,
    LEFT,
    LETTER,
    RIGHT,
    TOP,
    WIDTH,
    LifeChart,
    UseByDate,
    life_chart,
    of_hundred,
    use_of,
)
from maintenance.rules.due_chance import failed_band

TODAY = date(2027, 3, 4)
FITTED = TODAY - timedelta(days=400)
USE = UseByDate(((FITTED, 0.0), (TODAY, 0.12)), 0.0003)
PRIOR = learn()


def chart(use: UseByDate = USE, u_limit: float = 0.32, due_on: date | None = None, u_max: float = 1.75) -> LifeChart:
    u = np.linspace(0.0, u_max, 36)
    low, high = failed_band(PRIOR, u)
    return life_chart(u, PRIOR.failed(u), low, high, use=use, u_limit=u_limit, due_on=due_on or use.reached_on(u_limit))


def points(path: str) -> list[tuple[float, float]]:
    return [(float(a), float(b)) for a, b in (pair.split() for pair in path[1:].removesuffix("Z").split("L"))]


def test_the_curve_rises_from_none_to_nearly_all() -> None:
    drawn = points(chart().path)
    assert drawn[0] == (LEFT, BASE)
    assert drawn[-1][0] == RIGHT
    assert all(b[0] > a[0] and b[1] <= a[1] for a, b in pairwise(drawn))
    assert drawn[-1][1] < TOP + 0.1 * (BASE - TOP)


def test_the_band_lies_around_the_curve() -> None:
    one = chart()
    edge = points(one.band)
    upper, lower = edge[: len(edge) // 2], edge[len(edge) // 2 :][::-1]
    for (x, y), (x_up, up), (x_down, down) in zip(points(one.path), upper, lower, strict=True):
        assert x == x_up == x_down
        assert up - 0.1 <= y <= down + 0.1


def test_use_and_dates_are_two_scales_of_one_line() -> None:
    assert USE.u_on(FITTED) == 0.0
    assert USE.u_on(FITTED - timedelta(days=9)) == 0.0
    assert USE.u_on(TODAY) == 0.12
    assert USE.u_on(FITTED + timedelta(days=200)) == pytest.approx(0.06)
    assert USE.u_on(TODAY + timedelta(days=100)) == pytest.approx(0.15)
    assert USE.reached_on(0.15) == TODAY + timedelta(days=100)
    assert USE.reached_on(0.06) == FITTED + timedelta(days=200)
    assert USE.reached_on(50.0) is None


def test_ticks_of_years_stand_where_this_battery_is_then() -> None:
    one = chart()
    ticks = {int(tick.word): tick.at for tick in one.date_ticks}
    assert 2 <= len(ticks) <= 7
    for year, at in ticks.items():
        wanted = LEFT + (RIGHT - LEFT) * USE.u_on(date(year, 1, 1)) / 1.75
        assert at == pytest.approx(wanted, abs=0.1)
    assert [tick.word for tick in one.x_ticks] == ["0 %", "50 %", "100 %", "150 %"]


def test_limit_and_date_are_one_mark_where_they_are_the_same_day() -> None:
    assert [mark.kind for mark in chart().marks] == ["due", "today"]
    assert chart().marks[0].word.startswith("limit, change by ")
    apart = chart(due_on=TODAY + timedelta(days=30))
    assert [mark.kind for mark in apart.marks] == ["limit", "due", "today"]
    by_kind = {mark.kind: mark for mark in apart.marks}
    assert by_kind["today"].at < by_kind["due"].at < by_kind["limit"].at
    assert by_kind["due"].word == "change by 3 Apr 2027"


def test_a_limit_that_is_never_reached_has_no_date() -> None:
    slow = UseByDate(((TODAY, 0.1),), 1e-7)
    limit = next(mark for mark in chart(slow, due_on=TODAY + timedelta(days=9)).marks if mark.kind == "limit")
    assert limit.word == "limit"
    assert any(row.on == "after 2100" for row in chart(slow, due_on=TODAY).rows)


@settings(deadline=None, max_examples=60)
@given(now=st.floats(0, 3.5), limit=st.floats(0.01, 3.5), days=st.integers(-2000, 6000))
def test_words_stay_inside_and_no_line_crosses_them(now: float, limit: float, days: int) -> None:
    use = UseByDate(((TODAY - timedelta(days=2100), 0.0), (TODAY, now)), 0.0005)
    marks = chart(use, limit, TODAY + timedelta(days=days), u_max=4.0).marks
    assert len({mark.y for mark in marks}) == len(marks), "each in a row of its own"
    for mark in marks:
        assert LEFT <= mark.at <= RIGHT
        width = LETTER * len(mark.word) + 10
        begin, end = (mark.at + GAP, mark.at + width) if mark.is_after else (mark.at - width, mark.at - GAP)
        assert begin >= -1
        assert end <= WIDTH + 1
        crossing = [o for o in marks if o.y < mark.y and begin < o.at < end]
        assert not crossing, (mark, crossing)


def test_the_table_is_by_charge_and_names_the_places() -> None:
    rows = chart(due_on=TODAY + timedelta(days=30)).rows
    assert [row.what for row in rows if row.what] == ["today", "change by", "limit"]
    used = [int(row.used.split()[0]) for row in rows]
    assert used == sorted(used)
    today = rows[0]
    assert (today.used, today.on, today.ended) == ("12 %", "4 Mar 2027", of_hundred(float(PRIOR.failed(0.12))))
    assert rows[-1].used == "175 %"


def test_a_round_share_next_to_a_named_place_gets_no_line() -> None:
    rows = chart(u_limit=0.251).rows
    assert [row.what for row in rows if row.used == "25 %"] == ["limit, change by"]


def test_the_finding_says_the_named_places_in_words() -> None:
    said = chart().finding
    assert said.startswith("today, 4 Mar 2027: ")
    assert "limit" in said


@pytest.mark.parametrize(
    ("share", "words"),
    [(0.0, "0"), (0.0001, "under 0.1"), (0.003, "0.3"), (0.0995, "10"), (0.27, "27"), (0.999, "over 99"), (1.0, "100")],
)
def test_shares_are_counts_of_a_hundred(share: float, words: str) -> None:
    assert of_hundred(share) == words


def test_columns_that_do_not_fit_are_refused() -> None:
    one = np.array([0.0, 1.0, 0.5])
    with pytest.raises(ValueError, match="increasing"):
        life_chart(one, one, one, one, use=USE, u_limit=0.3, due_on=None)
    with pytest.raises(ValueError, match="increasing days"):
        UseByDate(((TODAY, 0.1), (FITTED, 0.2)), 0.1)


@pytest.mark.parametrize(("u_now", "rate"), [(np.nan, 0.1), (0.1, np.nan), (0.1, 0.0), (0.1, -1.0)])
def test_unknown_use_gives_no_picture(u_now: float, rate: float) -> None:
    assert use_of([(FITTED, 0.0)], TODAY, u_now, rate) is None


def test_days_out_of_order_are_left_out_of_the_use() -> None:
    use = use_of([(None, 0.0), (TODAY + timedelta(days=5), 0.0), (FITTED, 0.5)], TODAY, 0.1, 0.001)
    assert use == UseByDate(((TODAY, 0.1),), 0.001)


def test_every_shape_carries_a_class_for_the_screen_and_a_colour_for_paper() -> None:
    svg = render_to_string("charts/life.svg", {"chart": chart(due_on=TODAY), "colour": palette.LIGHT})
    shapes = re.findall(r"<(?:rect|path|text)\b[^>]*>", svg)
    assert len(shapes) > 20
    for shape in shapes:
        assert 'class="c-' in shape
        assert re.search(r'(fill|stroke)="#[0-9a-f]{6}"', shape), shape
    assert 'role="img"' in svg
    assert "<desc" in svg
    assert "style=" not in svg
