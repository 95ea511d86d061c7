"""What to load, how long it takes, why the stop."""

from datetime import date

import pytest

from maintenance.rules.rounds.packing import (
    DueThing,
    change_until,
    is_chosen,
    packing_list,
    visit_minutes,
    why_stop,
)

DAY = date(2026, 11, 25)


def thing(due_on=DAY, duty="life_safety", cells="CR2450", **over):
    return DueThing(duty=duty, due_on=due_on, cells=cells, **over)


def test_cells_are_summed_per_code_and_spares_are_rounded_up_to_whole_sets():
    lines = packing_list([thing(n_cells=2), thing(), thing(cells="LR6", n_cells=4), thing(cells="")], spares_percent=10)
    assert [(line.cells, line.n_needed, line.n_spare, line.n_load) for line in lines] == [
        ("CR2450", 3, 2, 5),
        ("LR6", 4, 4, 8),
        ("not known", 1, 0, 1),
    ]


def test_without_spares_exactly_what_is_needed_is_loaded():
    assert packing_list([thing()] * 7, spares_percent=0)[0].n_load == 7


def test_one_spare_set_serves_as_far_as_the_share_reaches():
    (line,) = packing_list([thing(n_cells=2)] * 11, spares_percent=10)
    assert (line.n_needed, line.n_spare) == (22, 4)


def test_whole_units_and_standby_batteries_are_named_and_have_no_spares():
    things = [
        thing(kind="unit", name="smoke detector, sealed cell"),
        thing(kind="standby", name="R1"),
        thing(kind="unit", name="smoke detector, sealed cell"),
        thing(kind="unit"),
        thing(),
    ]
    assert [(line.cells, line.n_needed, line.n_spare, line.is_piece) for line in packing_list(things)] == [
        ("CR2450", 1, 1, False),
        ("smoke detector, sealed cell", 2, 0, True),
        ("standby battery, receiver R1", 1, 0, True),
        ("whole unit of unknown type", 1, 0, True),
    ]


@pytest.mark.parametrize("percent", [-1, 201])  # less than nothing; more than a van carries
def test_a_share_of_spares_outside_the_range_is_refused(percent):
    with pytest.raises(ValueError, match="per cent"):
        packing_list([], spares_percent=percent)


def test_the_horizon_includes_its_last_day_and_nothing_without_an_estimate():
    until = change_until(DAY, 4)
    assert until == date(2026, 12, 23)
    assert is_chosen(thing(until), until)
    assert not is_chosen(thing(date(2026, 12, 24)), until)
    assert not is_chosen(thing(None), until)
    with pytest.raises(ValueError, match="104"):
        change_until(DAY, 105)


def test_reasons_name_late_things_first_and_life_safety_before_the_rest():
    things = [
        thing(date(2026, 12, 1), "convenience"),
        thing(date(2026, 11, 1), "security"),
        thing(date(2026, 11, 2), "life_safety"),
        thing(date(2026, 11, 25), "life_safety"),
        thing(date(2027, 6, 1), "life_safety"),
    ]
    whys = why_stop(things, day=DAY, until=change_until(DAY, 4))
    assert [why.text for why in whys] == [
        "1 life safety late",
        "1 security late",
        "1 life safety due by 23 Dec 2026",
        "1 convenience due by 23 Dec 2026",
    ]


def test_planned_minutes_grow_with_the_work_in_steps_of_five():
    assert visit_minutes(n_batteries=0, n_receivers=1) == 20
    assert visit_minutes(n_batteries=3, n_receivers=1) == 35
