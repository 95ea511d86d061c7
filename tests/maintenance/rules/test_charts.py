"""Geometry of the charts: right numbers at right places, the same drawing on screen and paper."""

from __future__ import annotations

import re
from datetime import date, timedelta

import pytest
from django.template.loader import render_to_string
from hypothesis import given
from hypothesis import strategies as st

from company import palette
from maintenance.rules.charts import WEEK_KINDS, WeekCount, count_weeks, hatch, week_bars

TODAY = date(2027, 3, 4)  # a Thursday
MONDAY = date(2027, 3, 1)


@pytest.mark.parametrize(
    ("due_on", "harm", "is_placed", "week", "kind"),
    [
        (date(2027, 3, 3), 0, False, 0, "grave"),  # yesterday, although in this week: late
        (date(2027, 3, 3), 1, True, 0, "late"),
        (date(2027, 3, 4), 0, False, 1, "soon"),  # due today is not late yet
        (date(2027, 3, 7), 2, True, 1, "plan"),  # Sunday of this week
        (date(2027, 3, 8), 0, False, 2, "soon"),
        (date(2027, 4, 1), 0, False, 5, "soon"),  # the 28th day
        (date(2027, 4, 2), 0, False, 5, "later"),
        (date(2027, 5, 23), 0, False, 12, "later"),  # Sunday of the twelfth week
        (date(2027, 5, 24), 0, False, None, ""),  # beyond
    ],
)
def test_a_day_falls_into_its_week(due_on: date, harm: int, is_placed: bool, week: int | None, kind: str) -> None:
    weeks = count_weeks([(due_on, harm, is_placed, 3)], TODAY, 12, 28)
    assert len(weeks) == 13
    assert [i for i, w in enumerate(weeks) if w.n] == ([] if week is None else [week])
    if week is not None:
        assert weeks[week].counts == {kind: 3}
        assert sum(weeks[week].in_order) == 3
        assert weeks[week].in_order[WEEK_KINDS.index(kind)] == 3


def test_bars_are_as_high_as_their_numbers() -> None:
    weeks = [
        WeekCount(None, {"grave": 2, "late": 2}),
        WeekCount(MONDAY, {"soon": 8}),
        WeekCount(MONDAY + timedelta(7), {}),
    ]
    bars = week_bars(weeks, today=TODAY)
    heights = [sum(block.height for block in bar.blocks) for bar in bars.bars]
    assert heights[0] == pytest.approx(heights[1] / 2, abs=0.2)
    assert heights[2] == 0
    grave, late = bars.bars[0].blocks
    assert (grave.kind, late.kind) == ("grave", "late")
    assert late.y + late.height == pytest.approx(grave.y, abs=0.2), "one stands on the other"
    assert grave.y + grave.height == pytest.approx(bars.base, abs=0.2)
    assert [bar.is_now for bar in bars.bars] == [False, True, False]
    assert (bars.bars[1].word, bars.bars[1].sub) == ("week 9", "1 Mar")
    assert bars.finding == "2 late on life safety, 2 late; week of 1 Mar: 8 due in four weeks"


def test_nothing_due_is_drawn_and_said() -> None:
    bars = week_bars(count_weeks([], TODAY, 12, 28), today=TODAY)
    assert all(not bar.blocks for bar in bars.bars)
    assert bars.finding == "nothing is due in these weeks"


@given(x=st.floats(0, 500), y=st.floats(0, 500), width=st.floats(1, 200), height=st.floats(0, 200))
def test_hatching_stays_inside_its_block(x: float, y: float, width: float, height: float) -> None:
    numbers = [float(n) for n in re.findall(r"-?[\d.]+", hatch(x, y, width, height))]
    assert all(x - 0.1 <= n <= x + width + 0.1 for n in numbers[::2])
    assert all(y - 0.1 <= n <= y + height + 0.1 for n in numbers[1::2])


def drawings() -> dict[str, str]:
    weeks = [WeekCount(None, {"grave": 2, "late": 2}), WeekCount(MONDAY, {"soon": 8, "plan": 1, "later": 1})]
    bars = {"chart": week_bars(weeks, today=TODAY), "colour": palette.LIGHT}
    return {"weeks": render_to_string("charts/weeks.svg", bars)}


def test_every_shape_carries_a_class_for_the_screen_and_a_colour_for_paper() -> None:
    for svg in drawings().values():
        shapes = re.findall(r"<(?:rect|path|text)\b[^>]*>", svg)
        assert len(shapes) > 10
        for shape in shapes:
            assert 'class="c-' in shape
            assert re.search(r'(fill|stroke)="#[0-9a-f]{6}"', shape), shape
        assert 'role="img"' in svg
        assert "<title" in svg
        assert "style=" not in svg


def test_the_bars_come_out_in_colour_on_paper() -> None:
    import pypdfium2
    from weasyprint import HTML

    pdf = HTML(string=f"<html lang='en'><title>x</title><body>{drawings()['weeks']}</body></html>").write_pdf()
    page = pypdfium2.PdfDocument(pdf)[0].render(scale=1.5).to_pil().convert("RGB")
    colours = {colour for _, colour in page.getcolors(1 << 20)}
    for role in ("grave", "late", "soon_bg", "plan_bg"):
        wanted = tuple(int(palette.LIGHT[role][i : i + 2], 16) for i in (1, 3, 5))
        assert any(max(abs(a - b) for a, b in zip(wanted, got, strict=True)) <= 2 for got in colours), role
