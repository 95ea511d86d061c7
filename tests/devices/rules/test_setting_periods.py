"""Setting-periods: every day of a set of cells lies in exactly one, at the interval that was set on it."""

from datetime import date, timedelta

from hypothesis import given
from hypothesis import strategies as st

from devices.rules.setting_periods import Period, Setting, Stay, interval_changes, periods_of

D = date(2026, 3, 1)


def day(n):
    return D + timedelta(days=n)


def stay(pk, begin, end=None):
    return Stay(pk, day(begin), None if end is None else day(end))


def setting(begin, end, interval_s):
    return Setting(day(begin), None if end is None else day(end), interval_s)


def test_a_changed_interval_begins_a_period():
    found = periods_of([stay(1, 0)], [setting(-50, 20, 3600), setting(20, None, 600)])
    assert found == [Period(1, day(0), day(20), 3600), Period(1, day(20), None, 600)]


def test_a_registration_renewed_at_the_same_interval_does_not():
    assert periods_of([stay(1, 0)], [setting(-5, 9, 3600), setting(9, None, 3600)]) == [Period(1, day(0), None, 3600)]


def test_time_before_the_first_and_between_two_registrations_goes_on():
    found = periods_of([stay(1, 0)], [setting(10, 20, 3600), setting(30, None, 600)])
    assert found == [Period(1, day(0), day(30), 3600), Period(1, day(30), None, 600)]


def test_in_several_slots_the_shortest_interval_counts():
    changes = interval_changes([setting(0, None, 3600), setting(10, 20, 600), setting(15, None, None)])
    assert changes == [(day(0), 3600), (day(10), 600), (day(20), 3600)]


def test_the_day_of_a_change_belongs_to_the_new_cells():
    found = periods_of([stay(1, 0, 40), stay(2, 40)], [setting(-5, None, 3600)])
    assert found == [Period(1, day(0), day(40), 3600), Period(2, day(40), None, 3600)]
    assert not found[0].holds(day(40))
    assert found[1].holds(day(40))


def test_cells_changed_twice_on_a_day_leave_no_empty_period():
    found = periods_of([stay(1, 0, 5), stay(2, 5, 5), stay(3, 5)], [])
    assert found == [Period(1, day(0), day(5), None), Period(3, day(5), None, None)]


@given(
    begins=st.lists(st.tuples(st.integers(0, 60), st.one_of(st.none(), st.integers(0, 60))), min_size=1, max_size=6),
    settings=st.lists(
        st.tuples(st.integers(-20, 60), st.one_of(st.none(), st.integers(0, 70)), st.sampled_from([None, 600, 3600])),
        max_size=6,
    ),
)
def test_every_day_lies_in_one_period_at_most_and_at_the_interval_set(begins, settings):
    stays = [stay(pk, begin, None if n is None else begin + n) for pk, (begin, n) in enumerate(begins)]
    made = [setting(begin, None if n is None else begin + n, interval_s) for begin, n, interval_s in settings]
    found = periods_of(stays, made)
    assert len({(one.fitting_id, one.from_on) for one in found}) == len(found)
    for n in range(-5, 130):
        here = [one for one in found if one.holds(day(n))]
        inside = [one for one in stays if one.from_on <= day(n) and (one.to_on is None or day(n) < one.to_on)]
        assert len(here) <= 1
        if here:
            assert here[0].fitting_id in {one.fitting_id for one in inside}
            open_now = [
                one.interval_s for one in made
                if one.interval_s and one.from_on <= day(n) and (one.to_on is None or day(n) < one.to_on)
            ]  # fmt: skip
            if open_now:
                assert here[0].interval_s == min(open_now)
