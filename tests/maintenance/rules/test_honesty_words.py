"""Words and drawings of "Are we honest?" and of the kinds: they claim what the counts bear, and nothing else."""

from __future__ import annotations

import math
import re
from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from maintenance.rules import kinds_words as kinds
from maintenance.rules.battery.posterior import learn
from maintenance.rules.charts_honesty import RATIO_MOST, lives_chart, ratio_chart
from maintenance.rules.honesty_page import TABLE_HEADER, half_year_words, health_words, honesty_tables, table_lines
from maintenance.rules.honesty_words import (
    READINGS,
    AgainstLimit,
    Group,
    by_chance_words,
    chance_spread,
    count_words,
    group,
    headline,
    percent_words,
    share_range,
)


def row(**over: object) -> dict[str, object]:
    facts = {
        "n_early": 1,
        "n_unspent": 10,
        "unspent": 3.0,
        "device_days": 3652.5,
        "fixed_cells": 10.0,
        "fixed_dead": 0.2,
    }
    return {
        "from_on": date(2026, 1, 1), "to_on": date(2026, 7, 1), "transmitter_type_id": 1,
        "transmitter_type__label": "Pendant", "battery_type_id": 2, "battery_type__iec_code": "CR2450",
        "is_measured": True, "duty": "life_safety", "n_batteries": 40, "predicted": 10.0, "happened": 11,
        "n_found_dead": 2, "n_changed": 12, "facts": facts,
    } | over  # fmt: skip


@pytest.mark.parametrize(
    ("expected", "happened", "reading"),
    [
        (41.0, 38, "as"),
        (41.0, 70, "more"),
        (41.0, 20, "fewer"),
        (1.3, 2, "few"),
        (0.0, 0, "few"),
        (0.0, 3, "few"),  # nothing to divide by: no fit expected exactly nothing
        (0.3, 1, "few"),  # a single early end proves nothing
        (0.3, 5, "more"),  # few, but out of all proportion
        (5.0, 0, "fewer"),  # exact: chance of none where 5 are expected is e^-5 = .007
        (3.0, 0, "few"),  # e^-3 = .05: cannot be told from chance at 19 in 20, two-sided
    ],
)
def test_a_group_is_judged_by_what_chance_explains(expected: float, happened: int, reading: str) -> None:
    found = group("x", expected, happened)
    assert found.reading == reading
    assert found.words == READINGS[reading]


def test_the_range_is_the_exact_one_of_a_published_table() -> None:
    # Poisson count 10, 95 %: 4.795 to 18.39 (table 40 of Pearson and Hartley's Biometrika Tables, from memory).
    found = group("x", 10.0, 10)
    assert found.low == pytest.approx(0.4795, abs=5e-4)
    assert found.high == pytest.approx(1.839, abs=5e-3)
    assert found.ratio_words == "1.00 (0.48 to 1.84)"


def test_the_headline_says_what_the_reading_bears() -> None:
    since = date(2025, 1, 1)
    even, late, early, few = (group("", e, o) for e, o in ((41, 38), (20, 45), (60, 30), (1.0, 0)))
    assert headline(since, even) == (
        "Since 1 January 2025 we expected 41 batteries to run low or die before they were changed; 38 did. "
        "That is within what chance explains."
    )
    assert "earlier than our dates assume" in headline(since, late)
    assert "longer than our dates assume" in headline(since, early)
    assert headline(since, few).endswith("none did. Those are too few to judge our dates by.")
    assert "1.0 battery to" in headline(since, few)


@given(st.floats(0, 1e6, allow_nan=False), st.integers(0, 10**6))
def test_any_count_can_be_said_and_drawn(expected: float, happened: int) -> None:
    found = group("x", expected, happened)
    assert found.reading in READINGS
    assert "nan" not in found.ratio_words + found.expected_words + headline(date(2025, 1, 1), found)
    drawn = ratio_chart([found])
    span = drawn.spans[0]
    assert drawn.left <= span.low <= span.high <= drawn.right
    assert span.at is None or drawn.left <= span.at <= drawn.right


def test_rows_that_stand_out_by_chance_are_counted_before_anybody_worries() -> None:
    judged = [group(str(n), 10.0, 10) for n in range(40)]
    assert by_chance_words(judged) == "Of the 40 that can be judged, about two stand outside 1.0 by chance alone."
    assert by_chance_words(judged[:10]) == ""
    assert "one stands" in by_chance_words(judged[:20])


def test_counts_are_rounded_to_what_is_known() -> None:
    assert [count_words(n) for n in (41.3, 9.96, 3.24, 0.01, 0.0)] == ["41", "10", "3.2", "under 0.1", "0"]


def test_small_shares_keep_one_place() -> None:
    assert [percent_words(x) for x in (0.0, 0.0004, 0.0046, 0.0995, 0.55, 1.0)] == [
        "0 %", "under 0.1 %", "0.5 %", "10 %", "55 %", "100 %",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("n_dead", "n_finished", "limit", "words"),
    [
        (1, 10, 0.01, "too few to judge"),
        (12, 50, 0.01, "above the limit"),
        (0, 1000, 0.01, "below the limit"),
        (3, 200, 0.01, "over it, but so near that chance may explain it"),
        (1, 200, 0.01, "under it, but so near that chance may explain it"),
    ],
)
def test_deaths_are_held_against_the_limit_with_their_range(
    n_dead: int, n_finished: int, limit: float, words: str
) -> None:
    assert AgainstLimit("Security", n_finished, n_dead, *share_range(n_dead, n_finished), limit).words == words


def test_nothing_finished_gives_no_share() -> None:
    line = AgainstLimit("Security", 0, 0, *share_range(0, 0), 0.03)
    assert (line.share, line.reading, line.low, line.high) == (None, "few", 0.0, 1.0)


def test_the_spread_of_lots_has_the_range_of_chi_square() -> None:
    # 95 % points of chi-square with 10 degrees of freedom: 3.247 and 20.483 (any table).
    low, high = chance_spread(10)
    assert low == pytest.approx(math.sqrt(3.247 / 10), abs=1e-3)
    assert high == pytest.approx(math.sqrt(20.483 / 10), abs=1e-3)


def test_health_is_told_only_from_enough_lots() -> None:
    assert "Too few lots" in health_words([(1, 1.0)] * 4 + [(0, 0.1)] * 50)
    assert "more than chance explains" in health_words([(9, 2.0)] * 6)
    even = [(n, 4.0) for n in (2, 6, 2, 6, 4, 3, 5)]
    assert "as much as chance explains" in health_words(even)


def test_half_years_are_named_by_their_months_and_the_running_one_by_its_start() -> None:
    assert half_year_words(date(2026, 1, 1), date(2026, 7, 1)) == "January to June 2026"
    assert half_year_words(date(2025, 7, 1), date(2026, 1, 1)) == "July to December 2025"
    assert half_year_words(date(2026, 7, 1), date(2026, 9, 5)) == "since July 2026"


def test_the_tables_add_up() -> None:
    rows = [
        row(),
        row(from_on=date(2025, 7, 1), to_on=date(2026, 1, 1), duty="security", predicted=5.0, happened=2),
        row(
            from_on=date(2022, 1, 1),
            to_on=date(2022, 7, 1),
            predicted=50.0,
            happened=50,
            transmitter_type_id=7,
            transmitter_type__label=None,
        ),
    ]
    told = honesty_tables(rows, {"life_safety": 0.01, "security": 0.03}, {(1, 2, True): (99, 1.4)})
    assert told is not None
    assert (told.whole.expected, told.whole.happened) == (65.0, 63)
    assert told.recent_since == date(2025, 7, 1)
    assert (told.recent.expected, told.recent.happened) == (15.0, 13)
    assert [(g.label, g.happened) for g in told.duties] == [("Life safety", 61), ("Security", 2)]
    assert sum(g.happened for g in told.halves) == sum(g.happened for g in told.kinds) == 63
    assert {g.label: g.pk for g in told.kinds} == {"Pendant, CR2450": 99, "unknown transmitter, CR2450": None}
    assert {g.label: g.z for g in told.kinds} == {"Pendant, CR2450": 1.4, "unknown transmitter, CR2450": None}
    life = told.limits[0]
    assert (life.n_finished, life.n_dead, life.limit) == (11 + 50 + 20, 4, 0.01)
    assert (told.spent[0].n_early, told.spent[0].n_overdue, told.spent[0].unspent) == (2, 59, 6.0)
    assert told.spent[0].share_left == pytest.approx(0.3)
    # From 1 January 2022 to 30 June 2026 are 1,642 days; 2 ended and 10 were changed by plan.
    assert told.yearly[1].n_cells == pytest.approx(12 / (1642 / 365.25))
    assert told.yearly[1].fixed_cells_words == "2.2"


def test_a_year_that_nobody_has_followed_is_left_out_on_both_sides() -> None:
    unknown = dict(row()["facts"], fixed_cells=None, fixed_dead=None)  # type: ignore[call-overload]
    told = honesty_tables([row(), row(facts=unknown, battery_type_id=3)], {}, {})
    assert told is not None
    # Of the two rows only one counts: 21 sets and 2 found dead in half a year.
    assert (round(told.yearly[0].n_cells * 181 / 365.25, 6), told.yearly[0].dead_words) == (21.0, "4.0")
    assert told.limits == []


def test_without_rows_there_is_nothing_to_tell() -> None:
    assert honesty_tables([], {}, {}) is None


def test_marks_stand_at_their_ratio_and_tell_readings_apart_by_shape() -> None:
    groups = [Group(x, 10, 10, 0.5, 1.8, x) for x in ("as", "more", "fewer", "few")]
    drawn = ratio_chart(groups)
    assert all(span.at == drawn.one for span in drawn.spans)
    shapes = [re.sub(r"-?[\d.]+", "", span.mark) for span in drawn.spans]
    assert shapes[1].count("L") == shapes[2].count("L") == 2
    assert "a" in shapes[0]
    assert drawn.spans[1].mark != drawn.spans[2].mark
    doubled = ratio_chart([Group("x", 10, 20, 1.2, 3.1, "more")]).spans[0]
    assert doubled.at == pytest.approx(drawn.left + 0.75 * (drawn.right - drawn.left), abs=0.1)


def test_what_lies_beyond_the_scale_ends_in_an_arrow() -> None:
    drawn = ratio_chart([Group("x", 1, 1, 0.02, RATIO_MOST + 1, "few"), Group("y", 9, 9, 0.5, 1.9, "as")])
    assert drawn.spans[0].beyond_low
    assert drawn.spans[0].beyond_high
    assert not drawn.spans[1].beyond_low
    assert "y: 9 happened, 9.0 expected, as expected" in drawn.finding


def test_the_curve_is_whole_up_to_the_latest_change_and_broken_beyond() -> None:
    u = np.linspace(0, 1.5, 61)
    survival = learn().survival(u)
    drawn = lives_chart(u, survival, survival, [("one in ten", 0.55), ("far off", 9.0)], known_to=0.75)
    ends = [float(x) for x in re.findall(r"[ML]([\d.]+) ", drawn.path)]
    begins = [float(x) for x in re.findall(r"[ML]([\d.]+) ", drawn.path_beyond)]
    assert ends[-1] == begins[0] == pytest.approx((drawn.left + drawn.right) / 2, abs=0.1)
    assert [mark.word for mark in drawn.marks] == ["one in ten"]
    assert drawn.rows[4][0] == "100 %"
    assert lives_chart(u, survival, survival, [], known_to=9.0).path_beyond == ""


def test_a_curve_that_runs_backwards_is_refused() -> None:
    u = np.array([0.0, 1.0, 0.5])
    with pytest.raises(ValueError, match="increasing"):
        lives_chart(u, u, u, [], known_to=1.0)


def test_a_kind_is_told_by_how_soon_few_end_and_by_what_that_rests_on() -> None:
    assert kinds.kind_sentence(0.78, 12) == (
        "One in ten has ended by 78 % of what the catalogue promises. It rests on 12 that have ended."
    )
    assert "mostly on the catalogue" in kinds.kind_sentence(0.78, 1)
    assert "1 that has ended" in kinds.kind_sentence(0.78, 1)
    assert kinds.kind_sentence(0.54, 0).startswith("None has run low yet, so this is the catalogue's word")
    assert "Nothing can be said" in kinds.kind_sentence(None, 0)
    assert "Nothing can be said" in kinds.kind_sentence(math.nan, 3)


def test_a_sleep_current_is_named_only_where_it_differs() -> None:
    assert "about 1.4 × the catalogue's sleep current" in kinds.sleep_words(1.41, 12)
    assert "show no other sleep current" in kinds.sleep_words(1.0, 12)
    assert kinds.sleep_words(1.0, 0) == ""


def test_limits_are_listed_gravest_first_and_say_where_they_cannot_be_met() -> None:
    limits = {
        "convenience": {"q": 0.06, "u": 0.71, "is_reachable": True},
        "life_safety": {"q": 0.0125, "u": 0.35, "is_reachable": False},
        "security": None,
    }
    lines = kinds.limit_lines(limits)
    assert [(line.duty, line.odds, line.used, line.is_reachable) for line in lines] == [
        ("Life safety", "1.2 in a hundred", "35 %", False),
        ("Convenience", "6 in a hundred", "71 %", True),
    ]
    assert kinds.latest_limit(limits, 9.0) == 0.71
    assert kinds.latest_limit({}, 9.0) == 9.0


def test_other_ends_are_told_per_thousand_devices_in_a_year() -> None:
    told = kinds.other_words(12, 100 * 365.25, 0.08 / 365.25, 0.2 / 365.25, in_alarm=False)
    assert told == {"counted": "12 in 100 device-years", "rate": "120 counted; 80 to 200 fit that", "in_alarm": False}
    assert kinds.other_words(0, 3 * 365.25, 0.0, 0.01 / 365.25, in_alarm=False)["rate"] == "0 to 10 fit that"


def test_words_of_risks_stand_above_the_drawing_and_cross_no_leader() -> None:
    u = np.linspace(0, 1.5, 61)
    survival = learn().survival(u)
    for risks in ([("one in a hundred", 0.1), ("one in ten", 0.4)], [("one in a hundred", 0.5), ("one in ten", 1.4)]):
        drawn = lives_chart(u, survival, survival, risks, known_to=1.0)
        first, second = drawn.marks
        assert max(first.word_y, second.word_y) < drawn.top
        assert first.is_left == second.is_left == (risks[1][1] > 1)
        # Words that run right pass above the leaders that follow; words that run left above those before.
        assert (first.word_y < second.word_y) == (not first.is_left)


def test_rounding_never_hides_on_which_side_of_one_a_range_lies() -> None:
    # 54 where 41 were expected: 0.99 to 1.72; one digit would read "1.0".
    assert group("x", 41.0, 54).ratio_words == "1.32 (0.99 to 1.72)"
    for expected, happened in ((1000.0, 1064), (1000.0, 939), (1000.0, 1062), (100000.0, 100623)):
        found = group("x", expected, happened)
        low, high = (float(x) for x in re.findall(r"[\d.]+", found.ratio_words)[1:])
        assert (low > 1, high < 1) == (found.reading == "more", found.reading == "fewer")
    assert group("x", 1.0, 8).ratio_words == "8.0 (3.5 to 16)"


def test_none_seen_is_told_with_its_range() -> None:
    facts = dict(row()["facts"], fixed_dead=0.0)  # type: ignore[call-overload]
    told = honesty_tables([row(facts=facts)], {}, {})
    assert told is not None
    # None of 21: exact upper limit 16.1 % (Clopper and Pearson: 1 - 0.025 ** (1 / 21)); of 10 sets in 181 days.
    most = (1 - 0.025 ** (1 / 21)) * 10 * 365.25 / 181
    assert told.yearly[0].fixed_dead_words == f"none seen (0 to {most:.1f})"


def test_the_headline_names_a_latest_half_year_that_stands_out() -> None:
    early = row(from_on=date(2025, 7, 1), to_on=date(2026, 1, 1), predicted=60.0, happened=55)
    told = honesty_tables([early, row(predicted=10.0, happened=22)], {}, {})
    assert told is not None
    assert (
        "That is within what chance explains. In the latest half-year alone (January to June 2026) it was 22"
        in told.sentence
    )
    assert told.sentence.endswith("where 10 were expected: more than chance explains.")
    for rows in ([early, row()], [row(predicted=10.0, happened=22)]):
        found = honesty_tables(rows, {}, {})
        assert found is not None
        assert "latest half-year" not in found.sentence


def test_the_download_judges_every_row_and_its_kind() -> None:
    rows = [row(), row(duty="security", predicted=20.0, happened=40), row(battery_type_id=9, predicted=0.0, happened=0)]
    lines = [dict(zip(TABLE_HEADER, line, strict=True)) for line in table_lines(rows, {(1, 2, True): (99, 1.4)})]
    assert lines[0]["row: off by (z)"] == round(1 / math.sqrt(10), 3)
    assert [line["row: reading"] for line in lines] == ["as expected", "more than expected", "too few to judge"]
    assert [line["kind: reading"] for line in lines] == ["more than expected", "more than expected", "too few to judge"]
    assert [line["kind: off today (z)"] for line in lines] == [1.4, 1.4, None]
    # Poisson count 40, 95 %: 28.58 to 54.47 (tables of exact Poisson limits, from memory).
    assert lines[1]["row: ended for each expected, from"] == pytest.approx(28.58 / 20, abs=1e-3)
    assert lines[1]["row: to"] == pytest.approx(54.47 / 20, abs=1e-3)
    assert lines[2]["row: to"] is None
