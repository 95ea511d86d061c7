"""Hours in which nobody is told: the union of all rules, said in words."""

from __future__ import annotations

from datetime import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from maintenance.rules.notice_gaps import WEEK_MIN, Told, gap_words, gaps_by_customer, gaps_of, hours_a_week, slowest_s
from maintenance.rules.notice_hours import Hours
from maintenance.rules.notice_words import OFFERS

OFFICE = Hours("01234", time(8), time(17))
NIGHTS = Hours("01234", time(17), time(8))
WEEKEND = Hours("56")
FRIDAY_NIGHT = Hours("4", time(22), time(6))


@pytest.mark.parametrize(
    ("hours", "words", "n"),
    [
        ([], "at any hour", 168),
        ([Hours()], "at no hour", 0),
        ([FRIDAY_NIGHT], "from Saturday 06:00 to Friday 22:00", 160),
        ([OFFICE], "Monday to Thursday from 17:00 to 08:00 the next day, and from Friday 17:00 to Monday 08:00", 123),
        ([OFFICE, NIGHTS], "from Saturday 08:00 to Monday 08:00", 48),
        ([OFFICE, NIGHTS, WEEKEND], "Monday from 00:00 to 08:00", 8),
        ([Hours("01234")], "Saturday and Sunday all day", 48),
        ([Hours("0123456", time(6), time(0))], "every day from 00:00 to 06:00", 42),
        ([Hours("0123456", time(0), time(18))], "every day from 18:00 to midnight", 42),
        ([Hours("6", time(22), time(6)), Hours("0123456", time(6), time(22))],
         "Monday to Saturday from 22:00 to 06:00 the next day", 48),
    ],
)  # fmt: skip
def test_the_hours_in_which_nobody_is_told_are_said(hours: list[Hours], words: str, n: int) -> None:
    gaps = gaps_of(hours)
    assert hours_a_week(gaps) == n
    assert gap_words(gaps) == words


clocks = st.one_of(st.none(), st.tuples(st.times(), st.times()))


@given(st.lists(st.tuples(st.sets(st.sampled_from("0123456")), clocks), max_size=4))
def test_a_minute_lies_in_a_gap_where_no_rule_holds_it_and_nowhere_else(drawn: list[tuple[set[str], object]]) -> None:
    hours = [Hours("".join(sorted(days)), *(clock or (None, None))) for days, clock in drawn]  # type: ignore[misc]
    gaps = gaps_of(hours)
    bare = {minute % WEEK_MIN for begins, ends in gaps for minute in range(begins, ends)}
    for minute in range(0, WEEK_MIN, 13):
        assert (minute in bare) == (not any(_holds(one, minute) for one in hours))


def _holds(hours: Hours, minute: int) -> bool:
    """Whether the hours of a rule hold a minute of the week: of that day's, or of those that began the day before."""
    first = hours.begins.hour * 60 + hours.begins.minute if hours.begins else 0
    last = hours.ends.hour * 60 + hours.ends.minute if hours.ends else 0
    day, of_day = divmod(minute, 1440)
    if last > first:
        return str(day) in hours.weekdays and first <= of_day < last
    yesterday = str((day - 1) % 7)
    return (str(day) in hours.weekdays and of_day >= first) or (yesterday in hours.weekdays and of_day < last)


def test_rules_of_one_customer_tell_of_nobody_elses_faults() -> None:
    rules = [Told(OFFICE), Told(Hours(), customer="Fellview Care"), Told(OFFICE, customer="Harbour Trust")]
    found = gaps_by_customer(rules)
    assert found[None] == gaps_of([OFFICE])
    assert found["Fellview Care"] == []
    assert "Harbour Trust" not in found
    assert gaps_by_customer([Told(Hours()), Told(OFFICE, customer="Harbour Trust")]) == {}


def test_gathering_for_long_is_pointed_out_unless_a_quicker_rule_tells_at_every_hour() -> None:
    slow = Told(FRIDAY_NIGHT, group_s=12 * 3600)
    assert slowest_s([slow]) == 12 * 3600
    assert slowest_s([slow, Told(OFFICE, group_s=60)]) == 12 * 3600
    assert slowest_s([slow, Told(Hours(), group_s=60)]) == 0
    assert slowest_s([Told(Hours(), group_s=900)]) == 0


def test_what_we_offer_leaves_life_safety_and_receivers_no_hour_untold() -> None:
    for offer in OFFERS:
        if offer.duty in ("life_safety", "receiver"):
            assert gaps_of([offer.hours]) == []
            assert slowest_s([Told(offer.hours, offer.group_s)]) == 0
