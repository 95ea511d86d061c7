"""What each kind of end teaches: the table of the battery model, its pitfalls, and numbers that cannot be."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from devices.models.batteries import WhyOut
from maintenance.rules.battery.outcomes import (
    CAUSES,
    COUNTS,
    ENDS_BEFORE_ENTRY,
    ENDS_BEFORE_FITTING,
    IN_FUTURE,
    LEFT_OUT,
    LEFT_OUT_WORDS,
    NONE,
    NOT_LIVED,
    NOT_SEEN,
    OTHER,
    UNKNOWN_AGE,
    WEAR,
    WHY,
    EndFacts,
    outcomes,
)

TODAY = 2000.0
FITTED = 100.0


def told(**facts: Any) -> dict[str, Any]:
    """What one set of cells, fitted on day 100, teaches on day 2000."""
    if isinstance(facts.get("why"), str):
        facts["why"] = WHY[facts["why"]]
    found = outcomes(EndFacts.of(1, **({"fitted_day": FITTED} | facts)), TODAY)
    return {name: getattr(found, name)[0] for name in found.__slots__}


def span(**facts: Any) -> tuple[float | None, float, bool]:
    """Left end (None = exact), end, and whether it ended by wear."""
    one = told(**facts)
    assert one["left_out"] == COUNTS
    lower = float(one["lower_day"])
    return None if np.isnan(lower) else lower, float(one["end_day"]), bool(one["is_end"])


LOG = {"has_log": True}
OUT = {"removed_day": 900}


@pytest.mark.parametrize(
    ("facts", "wanted"),
    [
        # Came out after a low-battery signal.
        ({**OUT, **LOG, "why": "low_battery", "first_low_day": 850}, (None, 850, True)),
        ({**OUT, **LOG, "why": "low_battery", "first_low_day": 850, "last_alive_day": 899}, (None, 850, True)),
        ({**OUT, "why": "low_battery", "first_low_day": 900, "last_alive_day": 500}, (500, 900, True)),
        ({**OUT, "why": "low_battery", "last_alive_day": 500}, (500, 900, True)),
        ({**OUT, "why": "low_battery"}, (100, 900, True)),
        # The signal is of other cells: before the fitting, or after these came out.
        ({**OUT, **LOG, "why": "low_battery", "first_low_day": 90, "last_alive_day": 500}, (500, 900, True)),
        ({**OUT, **LOG, "why": "low_battery", "first_low_day": 901, "last_alive_day": 500}, (500, 900, True)),
        ({**OUT, **LOG, "why": "low_battery", "first_low_day": 100, "last_alive_day": 500}, (500, 900, True)),
        # By another name, but a confirmed signal came first.
        ({**OUT, **LOG, "why": "preventive", "first_low_day": 850, "low_confirmed": True}, (None, 850, True)),
        ({**OUT, **LOG, "why": "retired", "first_low_day": 850, "low_confirmed": True}, (None, 850, True)),
        ({**OUT, **LOG, "why": "preventive", "first_low_day": 850}, (None, 900, False)),
        # Found dead.
        ({**OUT, **LOG, "why": "dead", "last_alive_day": 700, "next_expected_day": 701}, (700, 701, True)),
        ({**OUT, **LOG, "why": "dead", "last_alive_day": 700, "next_expected_day": 700}, (None, 700, True)),
        ({**OUT, **LOG, "why": "dead", "last_alive_day": 700}, (700, 900, True)),
        ({**OUT, "why": "dead", "last_alive_day": 700, "next_expected_day": 701}, (700, 900, True)),
        ({**OUT, "why": "dead"}, (100, 900, True)),
        ({**OUT, **LOG, "why": "dead", "last_alive_day": 700, "first_low_day": 650, "low_confirmed": True},
         (None, 650, True)),
        ({**OUT, "why": "dead", "last_alive_day": 300, "silent_since_day": 700}, (700, 701, True)),
        # Silent now.
        ({**LOG, "silent_since_day": 1900, "last_alive_day": 1900, "next_expected_day": 1901}, (1900, 1901, True)),
        ({**LOG, "silent_since_day": 1900}, (1900, 1901, True)),
        ({**LOG, "silent_since_day": 1900, "first_low_day": 1850, "low_confirmed": True}, (None, 1850, True)),
        ({**OUT, **LOG, "why": "unknown", "silent_since_day": 700}, (700, 701, True)),
        # Silence of other cells, or from the first day on.
        ({**LOG, "silent_since_day": 50}, (None, 2000, False)),
        ({**OUT, **LOG, "why": "unknown", "silent_since_day": 901}, (None, 900, False)),
        ({**LOG, "silent_since_day": 100, "next_expected_day": 101}, (100, 101, True)),
        ({**OUT, **LOG, "why": "unknown", "silent_since_day": 899.5}, (899.5, 900, True)),
        # An open signal.
        ({**LOG, "first_low_day": 1900, "low_confirmed": True}, (None, 1900, True)),
        ({"first_low_day": 1900, "low_confirmed": True, "last_alive_day": 1500}, (1500, 1900, True)),
        ({**LOG, "first_low_day": 1900, "last_alive_day": 1999}, (None, 1999, False)),
        # Lived up to that day.
        ({**OUT, "why": "preventive"}, (None, 900, False)),
        ({**OUT, "why": "retired"}, (None, 900, False)),
        ({**OUT, "why": "unknown"}, (None, 900, False)),
        ({**OUT, "why": ""}, (None, 900, False)),
        ({**OUT, "why": 77}, (None, 900, False)),
        ({**OUT, **LOG, "why": "preventive", "silent_since_day": 800}, (None, 800, False)),
        # Measured.
        ({**OUT, "why": "preventive", "volts": 2.1, "cutoff_volts": 2.4, "is_under_load": True,
          "last_alive_day": 600}, (600, 900, True)),
        ({**OUT, "why": "preventive", "volts": 2.1, "cutoff_volts": 2.4, "last_alive_day": 600}, (None, 900, False)),
        ({**OUT, "why": "preventive", "volts": 2.5, "cutoff_volts": 2.4, "is_under_load": True}, (None, 900, False)),
        ({**OUT, "why": "preventive", "volts": 2.4, "cutoff_volts": 2.4, "is_under_load": True}, (None, 900, False)),
        ({**OUT, "why": "preventive", "volts": 2.1, "is_under_load": True}, (None, 900, False)),
        # Another cause.
        ({**OUT, "why": "leaked"}, (None, 900, False)),
        ({**OUT, "why": "defect", "silent_since_day": 700}, (None, 700, False)),
        ({**OUT, "why": "wrong_type", "first_low_day": 800, "low_confirmed": True}, (None, 800, False)),
        # In service.
        ({**LOG, "last_alive_day": 1999}, (None, 1999, False)),
        ({**LOG}, (None, 2000, False)),
        ({"last_alive_day": 1500}, (None, 1500, False)),
    ],
)  # fmt: skip
def test_the_table(facts: dict[str, Any], wanted: tuple[float | None, float, bool]) -> None:
    assert span(**facts) == wanted


@pytest.mark.parametrize(
    ("facts", "reason"),
    [
        ({"fitted_day": -1, **LOG}, UNKNOWN_AGE),
        ({"fitted_day": np.nan, **OUT, "why": "dead"}, UNKNOWN_AGE),
        ({"fitted_day": 2001}, IN_FUTURE),
        ({"removed_day": 2001, "why": "preventive"}, IN_FUTURE),
        ({"entered_day": 2001, **LOG}, IN_FUTURE),
        ({"removed_day": 99, "why": "dead"}, ENDS_BEFORE_FITTING),
        ({"removed_day": 100, "why": "dead"}, NOT_LIVED),
        ({"fitted_day": 2000, **LOG}, NOT_LIVED),
        ({}, NOT_SEEN),
        ({"last_alive_day": 100}, NOT_SEEN),
        ({"entered_day": 500, "last_alive_day": 400}, NOT_SEEN),
        ({"entered_day": 500, **LOG, "first_low_day": 400, "low_confirmed": True}, ENDS_BEFORE_ENTRY),
        ({"entered_day": 950, **OUT, "why": "preventive"}, ENDS_BEFORE_ENTRY),
        ({"entered_day": 900, **OUT, "why": "preventive"}, NOT_LIVED),
    ],
)
def test_what_teaches_nothing_has_a_reason(facts: dict[str, Any], reason: int) -> None:
    one = told(**facts)
    assert one["left_out"] == reason
    assert not one["is_end"]
    assert not one["is_provisional"]


def test_every_reason_has_a_code_and_words() -> None:
    assert LEFT_OUT.keys() == LEFT_OUT_WORDS.keys() == {1, 2, 3, 4, 5, 6}
    assert len(set(LEFT_OUT.values())) == len(set(LEFT_OUT_WORDS.values())) == 6
    assert set(CAUSES) == {NONE, WEAR, OTHER}


def test_the_codes_of_the_data_base_are_all_known() -> None:
    assert dict(WHY) == {
        "": 0, "preventive": 1, "low_battery": 2, "dead": 3, "leaked": 4, "defect": 5, "wrong_type": 6, "retired": 7,
        "unknown": 8,
    }  # fmt: skip
    assert set(WHY) == {"", *WhyOut.values}


def test_flags_may_be_numbers_and_unknown_ones_are_false() -> None:
    facts = EndFacts.of(4, has_log=[1, 0, np.nan, 2], why=[np.nan, 3, 2.5, -4])
    assert facts.has_log.tolist() == [True, False, False, True]
    assert facts.why.tolist() == [0, 3, 8, 8]


def test_taken_over_in_mid_life_it_counts_from_then() -> None:
    one = told(entered_day=500, removed_day=900, why="preventive")
    assert (one["entry_day"], one["end_day"], one["left_out"]) == (500, 900, COUNTS)
    # An interval never begins before the records do: it is known to have been alive then.
    one = told(entered_day=500, removed_day=900, why="dead", last_alive_day=300)
    assert (one["entry_day"], one["lower_day"], one["end_day"]) == (500, 500, 900)
    # Recorded before it was fitted (a delivery note): nothing is cut off.
    assert told(entered_day=50, removed_day=900, why="preventive")["entry_day"] == FITTED


@pytest.mark.parametrize(
    ("facts", "is_dead", "is_signalled"),
    [
        ({**OUT, "why": "dead"}, True, False),
        ({**OUT, **LOG, "why": "dead", "first_low_day": 850, "low_confirmed": True}, True, False),
        ({**OUT, "why": "low_battery"}, False, True),
        ({**OUT, **LOG, "why": "preventive", "first_low_day": 850, "low_confirmed": True}, False, True),
        ({**OUT, "why": "preventive"}, False, False),
        ({**OUT, "why": "leaked", "first_low_day": 850, "low_confirmed": True}, False, False),
        # Not out yet: it may still die before somebody comes.
        ({**LOG, "first_low_day": 1900, "low_confirmed": True}, False, False),
        ({**LOG, "silent_since_day": 1900}, False, False),
        # The age does not matter for how it came to light.
        ({**OUT, "why": "dead", "fitted_day": -1}, True, False),
        ({**OUT, "why": "low_battery", "fitted_day": -1}, False, True),
    ],
)
def test_who_was_found_dead_and_who_was_signalled_in_time(
    facts: dict[str, Any], is_dead: bool, is_signalled: bool
) -> None:
    one = told(**facts)
    assert (bool(one["is_found_dead"]), bool(one["is_signalled"])) == (is_dead, is_signalled)


@pytest.mark.parametrize(
    ("facts", "cause"),
    [({**OUT, "why": "leaked"}, OTHER), ({**OUT, "why": "dead"}, WEAR), ({**OUT, "why": "preventive"}, NONE),
     ({**LOG}, NONE), ({**LOG, "why": "leaked"}, NONE), ({**OUT, "why": "dead", "fitted_day": -1}, WEAR)],
)  # fmt: skip
def test_the_cause_is_told_of_every_row(facts: dict[str, Any], cause: int) -> None:
    assert told(**facts)["cause"] == cause


def test_silence_is_provisional_and_a_visit_settles_it() -> None:
    assert told(**LOG, silent_since_day=1900)["is_provisional"]
    assert not told(**OUT, **LOG, why="dead", silent_since_day=700)["is_provisional"]
    assert not told(**LOG, first_low_day=1900, low_confirmed=True)["is_provisional"]


def test_days_under_observation_are_counted_once() -> None:
    found = outcomes(
        EndFacts.of(3, fitted_day=[100, 100, -1], entered_day=[-1, 400, -1], removed_day=900, why=WHY["preventive"]),
        TODAY,
    )
    assert found.lived_days.tolist() == [800, 500, 0]


def test_columns_are_checked() -> None:
    with pytest.raises(ValueError, match="No such column: fitted_on"):
        EndFacts.of(1, fitted_on=3)
    with pytest.raises(ValueError, match="differ in length"):
        EndFacts.of(2, fitted_day=[1, 2, 3])
    with pytest.raises(ValueError, match="differ in length"):
        EndFacts.of(2, fitted_day=[[1, 2]])
    assert len(outcomes(EndFacts.of(0), TODAY).end_day) == 0


DAY = st.one_of(
    st.integers(-5, 2100).map(float),
    st.floats(allow_nan=True, allow_infinity=True),
    st.sampled_from([np.nan, np.inf, -np.inf, -1.0, 0.0, 1e300, -1e300, 1e-300, 2**63]),
)
COLUMNS = st.fixed_dictionaries(
    {name: st.lists(DAY, min_size=4, max_size=4) for name in EndFacts.__slots__ if name not in ("has_log",)}
    | {"has_log": st.lists(st.booleans(), min_size=4, max_size=4), "why": st.lists(DAY, min_size=4, max_size=4)}
)


@settings(max_examples=150, deadline=None)
@given(columns=COLUMNS)
def test_hostile_numbers_are_sorted_without_a_warning(columns: dict[str, list[float]]) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = outcomes(EndFacts.of(4, **columns), TODAY)
    counts = found.left_out == COUNTS
    assert np.isin(found.left_out, [COUNTS, *LEFT_OUT]).all()
    assert np.isin(found.cause, list(CAUSES)).all()
    assert np.isfinite(found.end_day[counts]).all()
    assert np.isfinite(found.entry_day[counts]).all()
    assert (found.end_day[counts] > found.entry_day[counts]).all()
    assert (found.end_day[counts] <= TODAY).all()
    assert (found.entry_day[counts] >= 0).all()
    assert not (found.is_end & ~counts).any()
    has_interval = counts & np.isfinite(found.lower_day)
    assert (found.is_end | ~has_interval).all()
    assert (found.lower_day[has_interval] >= found.entry_day[has_interval]).all()
    assert (found.lower_day[has_interval] < found.end_day[has_interval]).all()
    assert not (found.is_found_dead & found.is_signalled).any()
    assert ((found.cause == WEAR) | ~found.is_end).all()


@settings(max_examples=40, deadline=None)
@given(columns=COLUMNS, order=st.permutations(range(4)))
def test_each_row_is_judged_by_itself(columns: dict[str, list[float]], order: list[int]) -> None:
    whole = outcomes(EndFacts.of(4, **columns), TODAY)
    mixed = outcomes(EndFacts.of(4, **{n: [c[i] for i in order] for n, c in columns.items()}), TODAY)
    for name in whole.__slots__:
        np.testing.assert_array_equal(getattr(whole, name)[order], getattr(mixed, name))


def test_a_signal_is_exact_where_faults_reach_us_though_check_ins_do_not() -> None:
    facts = {"why": "low_battery", "first_low_day": 850, "last_alive_day": 700, "removed_day": 900}
    assert span(**facts, signals_reach_us=True) == (None, 850.0, True)
    assert span(**facts) == (700.0, 850.0, True)
    dead = {"why": "dead", "last_alive_day": 700, "removed_day": 900}
    assert span(**dead, signals_reach_us=True) == span(**dead) == (700.0, 900.0, True)
