"""Rows of programs of others: what is taken, what is refused and with which words, and that no row harms another."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from devices.rules.events import EventKind
from devices.rules.intake_json import NAME_CHARS, read_json
from devices.rules.intake_rows import BATTERY_V, MARGIN_DB, MOST_IGNORED, BadRow, read_rows, until_of

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
GOOD: dict[str, Any] = {"serial": "4F-1", "time": "2026-03-01T08:15:00Z", "kind": "check_in"}
DEEP: list[Any] = [[]]
for _ in range(50):
    DEEP = [DEEP]
HOSTILE: list[Any] = [
    None, True, False, 0, -1, 17, 10**400, 1.5, float("nan"), float("inf"), "", " ", "x" * 10_000, "\x00", "\ud800",
    "a\u2028b", "NaN", "17", [], ["x"], {}, {"x": 1}, DEEP, b"x",
]  # fmt: skip


def only(**over: Any) -> Any:
    """What becomes of one row."""
    return read_rows([GOOD | over], now=NOW)


def test_a_good_row_is_an_event_with_everything_it_said() -> None:
    row = GOOD | {"receiver": "Main", "slot": 7, "margin_db": 18, "battery_v": 2.94, "note": " hall "}
    (event,) = read_rows([row], now=NOW).events
    assert (event.row, event.serial, event.kind, event.receiver, event.slot) == (1, "4F-1", "check_in", "Main", 7)
    assert (event.margin_db, event.battery_v, event.note) == (18.0, 2.94, "hall")
    assert event.at == datetime(2026, 3, 1, 8, 15, tzinfo=UTC)


@pytest.mark.parametrize(
    ("written", "code"),
    [
        ("check-in", "check_in"), ("Check In", "check_in"), ("CHECKIN", "check_in"), (" low battery ", "low_battery"),
        ("battery-restored", "battery_restored"), *[(kind.value, kind.value) for kind in EventKind],
    ],
)  # fmt: skip
def test_a_kind_is_known_however_it_is_parted(written: str, code: str) -> None:
    assert only(kind=written).events[0].kind == code


@pytest.mark.parametrize("value", [*HOSTILE, "checked in", "check_in_"])
def test_what_is_no_kind_is_refused(value: Any) -> None:
    if value == "check_in_":
        assert only(kind=value).events, "a sign that parts words is forgiven anywhere"
        return
    (problem,) = only(kind=value).problems
    assert problem.field == "kind"
    assert "check_in" in problem.why


@pytest.mark.parametrize("value", [*HOSTILE, "yesterday", "2026-03-01", "2026-13-01T00:00:00Z", "08:15", 1772352900])
def test_what_is_no_time_is_refused(value: Any) -> None:
    (problem,) = only(time=value).problems
    assert problem.field == "time"


def test_a_time_without_an_offset_is_refused_with_what_to_add() -> None:
    (problem,) = only(time="2026-03-01T08:15:00").problems
    assert problem.field == "time"
    assert "offset" in problem.why


@pytest.mark.parametrize(
    "written", ["2026-03-01T09:15:00+01:00", "2026-03-01T08:15Z", "20260301T081500Z", "2026-W09-7T08:15:00Z"]
)
def test_every_form_of_iso_8601_with_an_offset_is_read(written: str) -> None:
    assert only(time=written).events[0].at == datetime(2026, 3, 1, 8, 15, tzinfo=UTC)


@pytest.mark.parametrize(
    ("ahead", "at", "n_clamped"),
    [
        (timedelta(0), NOW, 0),
        (timedelta(minutes=5), NOW, 0),
        (timedelta(minutes=5, seconds=1), NOW, 1),
        (timedelta(days=1), NOW, 1),
        (-timedelta(days=60), NOW - timedelta(days=60), 0),
    ],
)
def test_a_clock_that_is_ahead_is_cut_to_now_and_counted(ahead: timedelta, at: datetime, n_clamped: int) -> None:
    read = only(time=(NOW + ahead).isoformat())
    assert (read.events[0].at, read.n_clamped) == (at, n_clamped)


@pytest.mark.parametrize("off", [timedelta(days=1, seconds=1), -timedelta(days=60, seconds=1)])
def test_a_time_too_far_off_is_refused(off: timedelta) -> None:
    assert only(time=(NOW + off).isoformat()).problems[0].field == "time"


@pytest.mark.parametrize("written", ["0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-23:59"])
def test_the_ends_of_the_calendar_break_nothing(written: str) -> None:
    assert only(time=written).problems[0].field == "time"
    assert read_rows([GOOD | {"time": written}], now=NOW, is_by_hand=True).problems[0].field == "time"


def test_a_file_handed_over_by_a_person_may_be_old() -> None:
    old = GOOD | {"time": "2019-05-01T00:00:00Z"}
    assert read_rows([old], now=NOW, is_by_hand=True).events[0].at.year == 2019
    assert read_rows([GOOD | {"time": "1999-05-01T00:00:00Z"}], now=NOW, is_by_hand=True).problems


@pytest.mark.parametrize(
    "value", [value for value in HOSTILE if not isinstance(value, str)] + ["x" * 41, "a\x00b", "\ud800"]
)
def test_what_is_no_serial_is_refused(value: Any) -> None:
    assert only(serial=value).problems[0].field == "serial"


def test_a_row_without_serial_needs_receiver_and_slot() -> None:
    row = {"time": GOOD["time"], "kind": "check_in"}
    assert read_rows([row], now=NOW).problems[0].field == "serial"
    assert read_rows([row | {"slot": 3}], now=NOW, has_receiver=False).problems[0].field == "receiver"
    assert read_rows([row | {"slot": 3}], now=NOW, has_receiver=True).events[0].slot == 3
    assert read_rows([row | {"slot": 3, "receiver": "Main"}], now=NOW, has_receiver=False).events


def test_where_the_receiver_itself_speaks_no_transmitter_is_meant() -> None:
    (event,) = only(kind="power_fault", slot=3).events
    assert (event.serial, event.slot) == ("", None)


@pytest.mark.parametrize("value", [0, 1025, -1, 1.0, True, "3", [], 10**400])
def test_what_is_no_slot_costs_the_row_only_where_no_serial_says_whose_it_is(value: Any) -> None:
    without_serial = {"time": GOOD["time"], "kind": "check_in", "slot": value, "margin_db": "loud"}
    refused = read_rows([without_serial], now=NOW)
    assert ([one.field for one in refused.problems], refused.events, refused.left_out) == (["slot"], (), ())
    for taken in (only(slot=value), read_rows([without_serial | {"kind": "power_fault", "margin_db": 1}], now=NOW)):
        assert taken.events[0].slot is None
        assert [(one.row, one.field) for one in taken.left_out] == [(1, "slot")]
        assert taken.problems == ()


def test_values_that_are_no_good_cost_no_event_and_each_is_named() -> None:
    silly = {"margin_db": "14", "battery_v": 99, "note": [], "slot": "x", "receiver": "Main"}
    read = read_rows([GOOD, GOOD | silly | {"kind": "tamper"}, GOOD], now=NOW)
    assert [one.row for one in read.events] == [1, 2, 3]
    assert read.events[1] == read.events[0]._replace(row=2, kind="tamper", receiver="Main")
    assert {(one.row, one.field) for one in read.left_out} == {(2, name) for name in silly if name != "receiver"}
    assert all(one.why.endswith("leave it out.") for one in read.left_out)
    assert read.problems == ()


def test_a_row_that_cannot_be_taken_names_only_why() -> None:
    silly = GOOD | {"margin_db": "14", "receiver": ["Main"]}
    read = read_rows([silly, GOOD | {"kind": "?", "battery_v": 99}], now=NOW)
    assert [(one.row, one.field) for one in read.problems] == [(1, "receiver"), (2, "kind")]
    assert (read.events, read.left_out) == ((), ())


def test_a_clock_that_is_cut_is_counted_once_beside_a_value_left_out() -> None:
    read = only(time=(NOW + timedelta(hours=1)).isoformat(), battery_v=99)
    assert (read.n_clamped, len(read.left_out)) == (1, 1)


def test_a_silly_value_in_a_row_that_says_something_twice_does_not_let_it_in() -> None:
    row = read_json(b'{"serial": "4F-1", "time": "2026-03-01T08:15:00Z", "kind": "check_in", "note": 1, "note": 2}')
    read = read_rows([row], now=NOW)
    assert [one.field for one in read.problems] == ["note"]
    assert "twice" in read.problems[0].why


@pytest.mark.parametrize(
    ("value", "word"),
    [(NOW + timedelta(days=2), "batch"), (NOW - timedelta(days=61), "leave it out"), ("soon", "no time"), (5, "text")],
)
def test_words_about_until_are_of_the_batch_and_of_no_row(value: Any, word: str) -> None:
    with pytest.raises(BadRow) as refused:
        until_of(value.isoformat() if isinstance(value, datetime) else value, now=NOW)
    assert refused.value.field == "until"
    assert word in refused.value.why
    assert " row" not in refused.value.why
    assert "event log" not in refused.value.why


def test_until_is_at_most_now() -> None:
    assert until_of((NOW + timedelta(hours=1)).isoformat(), now=NOW) == NOW


@pytest.mark.parametrize(("field", "span"), [("margin_db", MARGIN_DB), ("battery_v", BATTERY_V)])
def test_a_figure_is_taken_within_its_span_only(field: str, span: tuple[float, float]) -> None:
    low, high = span
    for value in (low, high, int(high)):
        assert getattr(only(**{field: value}).events[0], field) == value
    for value in (low - 0.01, high + 0.01, float("nan"), float("inf"), 10**400, True, "2.9", [2.9], {}):
        read = only(**{field: value})
        assert [(one.row, one.field) for one in read.left_out] == [(1, field)]
        assert read.events == only().events


def test_a_long_or_dirty_note_never_costs_a_row() -> None:
    (event,) = only(note="wet\x00\ud800" + "x" * 10_000).events
    assert len(event.note) == 120
    assert event.note.isprintable()
    assert only(note=7).events[0].note == ""
    assert only(note=7).left_out[0].field == "note"


def test_null_is_the_same_as_left_out() -> None:
    nothing = dict.fromkeys(("receiver", "slot", "margin_db", "battery_v", "note"))
    assert only(**nothing).events == only().events


def test_a_bad_row_holds_up_no_other_and_keeps_its_number() -> None:
    read = read_rows([GOOD, "nonsense", GOOD | {"kind": "?"}, GOOD], now=NOW)
    assert [event.row for event in read.events] == [1, 4]
    assert [(problem.row, problem.field) for problem in read.problems] == [(2, "row"), (3, "kind")]
    assert read.n_rows == 4


def test_where_nothing_else_says_which_site_is_meant_each_row_names_its_receiver() -> None:
    rows = [GOOD, GOOD | {"receiver": " "}, GOOD | {"receiver": "Main"}, {"time": GOOD["time"], "kind": "power_fault"}]
    read = read_rows(rows, now=NOW, must_name=True)
    assert [event.row for event in read.events] == [3]
    assert {problem.field for problem in read.problems} == {"receiver"}


def test_fields_of_others_are_told_of_good_and_of_bad_rows_and_only_a_few() -> None:
    rows = [GOOD | {"rssi": 1}, GOOD | {"kind": "?", "zz": [], "": 0}, GOOD]
    assert read_rows(rows, now=NOW).ignored == ("(empty)", "rssi", "zz")
    assert read_rows([GOOD], now=NOW).ignored == ()
    many = read_rows([GOOD | {f"{'x' * 100}{n}": 0, f"f{n}": 0} for n in range(50)], now=NOW).ignored
    assert len(many) == MOST_IGNORED
    assert max(map(len, many)) <= NAME_CHARS


any_json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=60),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
fields = st.sampled_from(["serial", "time", "kind", "slot", "receiver", "margin_db", "battery_v", "note", "else"])


@given(st.lists(any_json | st.dictionaries(fields, any_json), max_size=5))
def test_whatever_comes_is_an_event_or_a_problem(rows: list[Any]) -> None:
    read = read_rows([*rows, GOOD], now=NOW)
    assert len(read.events) + len(read.problems) == len(rows) + 1
    assert read.events[-1].row == len(rows) + 1
    assert {one.row for one in read.left_out} <= {one.row for one in read.events}
    for problem in (*read.problems, *read.left_out):
        assert problem.why.endswith(".")
        assert len(problem.why) < 200, "What came is never repeated: it may be anything"
