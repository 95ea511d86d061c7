"""Strip of check-ins: a column a day, gaps shown as gaps, words and table that say the same."""

from __future__ import annotations

import re
from datetime import date, timedelta

import pytest
from django.template.loader import render_to_string

from company import palette
from devices.rules.findings_facts import WeakLink
from maintenance.rules.charts_checkins import ACT_BASE, BAR_BASE, BAR_TOP, N_DAYS, DayHeard, strip_of

TODAY = date(2027, 3, 4)


def day(ago: int, heard: int = 24, expected: int = 24, activations: int = 0, flags: int = 0) -> DayHeard:
    return DayHeard(TODAY - timedelta(days=ago), heard, expected, activations, flags)


def full() -> list[DayHeard]:
    return [day(ago) for ago in range(N_DAYS)]


def test_each_day_has_one_column_and_a_full_bar_where_all_came() -> None:
    strip = strip_of(full(), TODAY)
    assert strip is not None
    assert len(strip.columns) == N_DAYS
    assert {column.kind for column in strip.columns} == {"heard"}
    assert all(column.height == BAR_BASE - BAR_TOP for column in strip.columns)
    assert strip.words == ("Every expected check-in came.", "No low battery was reported.", "It was never activated.")


def test_a_half_day_a_silent_day_and_a_missing_day_look_different() -> None:
    rows = [row for row in full() if row.day != TODAY - timedelta(days=1)]
    rows[0] = day(0, heard=12)
    rows = [day(2, heard=0) if row.day == TODAY - timedelta(days=2) else row for row in rows]
    strip = strip_of(rows, TODAY)
    assert strip is not None
    silent, gap, half = strip.columns[-3:]
    assert (silent.kind, gap.kind, half.kind) == ("silent", "none", "heard")
    assert half.height == pytest.approx((BAR_BASE - BAR_TOP) / 2, abs=0.1)
    assert silent.height == gap.height == 0
    said = " ".join(strip.words)
    assert "2,100 of 2,136 expected check-ins came (98 %)." in said
    assert "Nothing was heard on 2 March 2027." in said
    assert "Nothing is kept of one day." in said


@pytest.mark.parametrize(
    ("heard", "said"), [(96, "Heard in every quarter hour."), (48, "Heard in 8,592 of 8,640 quarter hours (99 %).")]
)
def test_of_who_checks_in_more_often_quarter_hours_are_told_of(heard: int, said: str) -> None:
    """569 check-ins of a transmitter that sends every minute would be half a day of them."""
    rows = [day(ago, heard=96, expected=96) for ago in range(N_DAYS)]
    rows[3] = day(3, heard=heard, expected=96)
    strip = strip_of(rows, TODAY)
    assert strip is not None
    assert strip.words[:2] == (said, "It checks in every quarter hour or more often, so quarter hours are counted.")


def test_almost_all_is_never_rounded_to_all() -> None:
    rows = full()
    rows[3] = day(3, heard=23)
    strip = strip_of(rows, TODAY)
    assert strip is not None
    assert "(99 %)" in strip.words[0]


def test_activations_are_drawn_against_the_busiest_day() -> None:
    strip = strip_of([day(0, activations=4), day(1, activations=2)], TODAY)
    assert strip is not None
    before, last = strip.columns[-2:]
    assert last.act_height == 2 * before.act_height
    assert last.act_y + last.act_height == ACT_BASE
    assert strip.most_activations == 4
    assert "It was activated 6 times." in strip.words


def test_low_battery_is_marked_and_told_with_its_first_day() -> None:
    strip = strip_of([day(0, flags=1), day(1, flags=3), day(2, flags=2)], TODAY)
    assert strip is not None
    assert [column.is_low for column in strip.columns[-3:]] == [False, True, True]
    assert "Low battery was reported on 3 March 2027 and on 1 later day." in strip.words


def test_days_on_which_nothing_was_expected_are_no_silence() -> None:
    strip = strip_of([day(0, heard=0, expected=0), day(1)], TODAY)
    assert strip is not None
    assert strip.columns[-1].kind == "none"
    assert not any("Nothing was heard" in words for words in strip.words)


def test_nothing_kept_gives_no_strip_and_other_days_are_left_out() -> None:
    assert strip_of([], TODAY) is None
    assert strip_of([day(N_DAYS), day(-1)], TODAY) is None


def test_the_table_adds_up_to_the_words() -> None:
    rows = [day(ago, heard=20, activations=1, flags=1 if ago < 3 else 0) for ago in range(N_DAYS)]
    strip = strip_of(rows, TODAY)
    assert strip is not None
    assert sum(week.heard for week in strip.weeks) == 20 * N_DAYS
    assert sum(week.expected for week in strip.weeks) == 24 * N_DAYS
    assert sum(week.n_low for week in strip.weeks) == 3
    assert len(strip.weeks) == 13
    assert strip.weeks[0].begins == TODAY - timedelta(days=N_DAYS - 1)


def test_months_are_marked_on_their_first_day() -> None:
    strip = strip_of(full(), TODAY)
    assert strip is not None
    assert [tick.word for tick in strip.ticks] == ["1 Jan", "1 Feb", "1 Mar"]
    assert strip.ticks[-1].at == strip.columns[-4].x


def test_every_shape_carries_a_class_for_the_screen_and_a_colour_for_paper() -> None:
    rows = [day(0, activations=3, flags=1), day(1, heard=0)]
    svg = render_to_string("charts/checkins.svg", {"strip": strip_of(rows, TODAY), "colour": palette.LIGHT})
    shapes = re.findall(r"<(?:rect|path|text)\b[^>]*>", svg)
    assert len(shapes) > 90
    for shape in shapes:
        assert 'class="c-' in shape
        assert re.search(r'(fill|stroke)="#[0-9a-f]{6}"', shape), shape
    assert "style=" not in svg


def test_outages_of_the_receiver_are_hatched_told_and_counted_as_no_fault_of_the_transmitter() -> None:
    rows = [day(ago, heard=0 if ago in (4, 5) else 24) for ago in range(N_DAYS)]
    out = {TODAY - timedelta(days=4), TODAY - timedelta(days=5), TODAY - timedelta(days=400)}
    strip = strip_of(rows, TODAY, outages=out)
    assert strip is not None
    assert [place for place, column in enumerate(strip.columns) if column.hatch] == [N_DAYS - 6, N_DAYS - 5]
    assert strip.n_outage == sum(week.n_outage for week in strip.weeks) == 2
    said = "The receiver heard too little of everybody on 2 days, last on 28 February 2027"
    assert f"{said}: that says nothing about this transmitter." in strip.words


def test_a_weak_link_has_its_onset_marked_and_asks_for_a_reading() -> None:
    fell = WeakLink(TODAY - timedelta(days=20), TODAY - timedelta(days=12), False, 0.97, 0.78)
    strip = strip_of(full(), TODAY, weak=fell)
    assert strip is not None
    before, after = strip.columns[N_DAYS - 21], strip.columns[N_DAYS - 20]
    assert strip.onset_x is not None
    assert before.x + strip.bar_width <= strip.onset_x <= after.x
    assert strip.words[-3:] == (
        "Of its check-ins 78 in 100 come now; before, 97 in 100 did.",
        "It was as usual until 12 February 2027.",
        "That is a weak link: take a reading on site. It says nothing about the battery.",
    )


def test_what_leaves_the_site_is_not_flatly_called_a_weak_link() -> None:
    fell = WeakLink(TODAY - timedelta(days=20), TODAY - timedelta(days=12), True, 0.97, 0.78)
    strip = strip_of(full(), TODAY, weak=fell, leaves_site=True)
    assert strip is not None
    assert strip.leaves_site
    assert strip.words[-1].startswith("It leaves the site: it may only have been out of range, or its link is weak.")
    assert not any("That is a weak link" in words for words in strip.words)


@pytest.mark.parametrize("fine_on", [None, TODAY - timedelta(days=200)])
def test_an_onset_outside_the_strip_is_told_but_not_drawn(fine_on: date | None) -> None:
    strip = strip_of(full(), TODAY, weak=WeakLink(fine_on, TODAY, True, 0.97, 0.78))
    assert strip is not None
    assert strip.onset_x is None
    assert strip.is_weak
    assert "take a reading" in strip.words[-1]


def test_a_strip_without_either_says_nothing_of_them() -> None:
    strip = strip_of(full(), TODAY)
    assert strip is not None
    assert not strip.n_outage
    assert not strip.is_weak
    assert not any("weak" in words or "everybody" in words for words in strip.words)
