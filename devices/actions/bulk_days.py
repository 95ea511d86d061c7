"""Thousands of check-in days at once, as a file brings them: merged on arrays and written by COPY, on PostgreSQL alone.

The same results as `rollups.record_days`, to the last count; worth its while from `WORTH` days on. Days whose activations
several sources counted, or one again, are merged one by one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from operator import itemgetter
from typing import Any

import numpy as np
from django.db import connection, transaction
from django.utils.translation import gettext
from numpy.typing import NDArray

from devices.actions import rollup_sql as sql
from devices.actions import rollups
from devices.actions.rollups import Added, NotADay, Recorded
from devices.fields import EPOCH, day_number, day_of
from devices.rules.day_arrays import NO_MARGIN, NO_TIME, Ints, Rows, States, is_plain, merge_arrays
from devices.rules.day_merge import CAPPED, MOST, DayRow

WORTH = 1_000
"""Days from which this is the faster way on PostgreSQL: there twice as fast from 4,000 on, measured; about even at 400."""
DAYS_OF_A_UNIT, FIRST_DAY = 1 << 22, 1 << 20
"""A key (transmitter, day) as one number."""
_NO_MASK = "'\\x" + "00" * 12 + "'::bytea"


def is_worth_while(n_days: int) -> bool:
    """Whether so many days are better written here than by `rollups.merge_days`."""
    return n_days >= WORTH and sql.is_postgresql()


def record_many(rows: Iterable[DayRow]) -> Recorded:
    """Merge many days of check-ins into those on record, with the totals; as `rollups.record_days`, which see.

    Raises
    ------
    NotADay
        Nothing is written.
    """
    listed = sorted(rows, key=itemgetter(0, 1))
    if not listed:
        return Recorded(0, 0)
    if not sql.is_postgresql():
        return rollups.record_days(listed)
    ids = sorted({row[0] for row in listed})
    units, days = _columns(listed)
    with transaction.atomic():
        locked, stays = sql.ask(sql.lock_ask(ids), sql.stays_ask(ids, day_of(int(days.min()))))
        customers = sql.owners(locked)
        if (np.diff(_keys(units, days)) == 0).any():
            # What speaks of one day twice is put together first, one by one.
            return write_many(rollups.group_days(listed), customers, stays)
        _refuse_unknown(ids, customers)
        return Recorded(len(listed), _write_single(listed, customers, stays))


def write_many(grouped: Mapping[sql.Key, Sequence[DayRow]], customers: Mapping[int, int], stays: sql.Rows) -> Recorded:
    """Merge rows into days and write what changed with its totals; as `rollups.write_merged`, but reads the days itself.

    The caller holds the transaction and the locks of the transmitters. `grouped` is sorted by key, `stays` are as
    `rollup_sql.stays_ask` reads them.

    Raises
    ------
    NotADay
        Of a transmitter that is not on record, or for counts that cannot be.
    """
    _refuse_unknown((key[0] for key in grouped), customers)
    several = {key: rows for key, rows in grouped.items() if len(rows) > 1}
    if not sql.is_postgresql():
        several = dict(grouped)
    single = [rows[0] for key, rows in grouped.items() if key not in several]
    n_capped = _write_each(several, customers, stays)
    if single:
        n_capped += _write_single(single, customers, _stays_now(grouped) if several else stays)
    return Recorded(len(grouped), n_capped)


def _write_each(grouped: Mapping[sql.Key, Sequence[DayRow]], customers: Mapping[int, int], stays: sql.Rows) -> int:
    """Write days one by one; gives how many reached the largest count."""
    if not grouped:
        return 0
    (days,) = sql.ask(sql.days_ask(list(grouped)))
    return rollups.write_merged(grouped, customers, sql.as_states(days), stays).n_capped


def _stays_now(keys: Iterable[sql.Key]) -> sql.Rows:
    """Cells and their periods, those too that were made just now."""
    listed = list(keys)
    (stays,) = sql.ask(sql.stays_ask(sorted({key[0] for key in listed}), min(key[1] for key in listed)))
    return stays


def _refuse_unknown(ids: Iterable[int], customers: Mapping[int, int]) -> None:
    unknown = next((pk for pk in ids if pk not in customers), None)
    if unknown is not None:
        raise NotADay(
            gettext("No transmitter on record has the key %(unknown)s. Set its check-ins aside.") % {"unknown": unknown}
        )


def _write_single(rows: Sequence[DayRow], customers: Mapping[int, int], stays: sql.Rows) -> int:
    """Write days of which each is spoken of once; gives how many reached the largest count."""
    try:
        said = Rows.of(rows)
    except ValueError:
        rollups.group_days(rows)
        raise
    units, days = _columns(rows)
    old, is_there = _before(units, days, rows)
    plain = is_plain(old, said)
    if not plain.all():
        others = {row[:2]: [row] for row, is_one in zip(rows, plain.tolist(), strict=True) if not is_one}
        n_capped = _write_each(others, customers, stays)
        most = [row for row, is_one in zip(rows, plain.tolist(), strict=True) if is_one]
        return n_capped + (_write_single(most, customers, _stays_now(row[:2] for row in rows)) if most else 0)
    new = merge_arrays(old, said)
    is_changed = ~is_there | new.differs(old)
    owners = np.array([customers[pk] for pk in units.tolist()], np.int64)
    _write(units, days, owners, new, said, is_changed, is_there)
    gained = (
        (old.heard == 0) & (new.heard > 0), new.heard - old.heard, new.activations - old.activations,
    )  # fmt: skip
    _add_to_totals(units, days, [column.astype(np.int64) * is_changed for column in gained], stays)
    is_cut = (new.flags & CAPPED > 0) & ((old.flags & CAPPED == 0) | (new.activations == MOST))
    return int(np.count_nonzero(is_cut & is_changed))


# --- read ---------------------------------------------------------------------------------------------------------------


def _columns(rows: Sequence[DayRow]) -> tuple[Ints, Ints]:
    """Transmitters, and days as whole numbers."""
    first = EPOCH.toordinal()
    return (
        np.fromiter((row[0] for row in rows), np.int64, len(rows)),
        np.fromiter((row[1].toordinal() - first for row in rows), np.int64, len(rows)),
    )


def _keys(units: Ints, days: Ints) -> Ints:
    return units * DAYS_OF_A_UNIT + days + FIRST_DAY


def _before(units: Ints, days: Ints, rows: Sequence[DayRow]) -> tuple[States, NDArray[np.bool_]]:
    """What is on record of these days, and of which anything is."""
    old, is_there = States.nothing(len(rows)), np.zeros(len(rows), np.bool_)
    ids = np.unique(units)
    n_between = len(ids) * int(days.max() - days.min() + 1)
    if n_between <= 4 * len(rows):
        found_keys, found = _copied_out(ids, int(days.min()), int(days.max()))
    else:
        (read,) = sql.ask(sql.days_ask([row[:2] for row in rows]))
        states = sql.as_states(read)
        found_keys = np.array([pk * DAYS_OF_A_UNIT + day_number(day) + FIRST_DAY for pk, day in states], np.int64)
        found = States.of(list(states.values()))
    keys = _keys(units, days)
    places = np.minimum(np.searchsorted(keys, found_keys), len(keys) - 1)
    is_asked = keys[places] == found_keys
    at = places[is_asked]
    old.put(at, found.taken(is_asked))
    is_there[at] = True
    return old, is_there


_READ = (
    ("transmitter_id", "transmitter_id", ">i4"), ("day", "day - '2000-01-01'::date", ">i4"), ("heard", "heard", ">i2"),
    ("expected", "expected", ">i2"), ("activations", "activations", ">i2"), ("loss_runs", "loss_runs", ">i2"),
    ("lowest_margin_db", f"COALESCE(lowest_margin_db, ({NO_MARGIN})::smallint)", ">i2"), ("flags", "flags", ">i2"),
    ("last_heard_s", f"COALESCE(last_heard_s, {NO_TIME})", ">i4"),
    ("presence", f"CASE WHEN length(presence) = 12 THEN presence ELSE {_NO_MASK} END", "V12"),
    ("has_presence", "COALESCE(length(presence) = 12, false)", "?"),
    ("has_acted", "COALESCE(length(acted) > 0, false)", "?"),
)  # fmt: skip
_WRITTEN = (
    ("transmitter_id", "int", ">i4"), ("day", "date", ">i4"), ("customer_id", "int", ">i4"),
    ("last_heard_s", "int", ">i4"), ("heard", "smallint", ">i2"), ("expected", "smallint", ">i2"),
    ("activations", "smallint", ">i2"), ("loss_runs", "smallint", ">i2"), ("lowest_margin_db", "smallint", ">i2"),
    ("flags", "smallint", ">i2"), ("presence", "bytea", "V12"), ("acted", "bytea", "V12"),
    ("acts_source", "smallint", ">i2"), ("has_presence", "bool", "?"), ("has_acted", "bool", "?"),
)  # fmt: skip
_TYPES: dict[str, Any] = {"?": np.bool_}
_HEAD, _TAIL = b"PGCOPY\n\xff\r\n\0" + bytes(8), b"\xff\xff"
"""Begin and end of what COPY reads and writes in binary: a count of fields and the length of each before every value."""


def _record(columns: Sequence[tuple[str, str, str]]) -> np.dtype[Any]:
    fields: list[tuple[str, str]] = [("n_fields", ">i2")]
    for name, _, kind in columns:
        fields += [(f"{name}_length", ">i4"), (name, kind)]
    return np.dtype(fields)


def _copied_out(ids: Ints, first: int, last: int) -> tuple[Ints, States]:
    """Every day on record of some transmitters in a span of days: keys and states."""
    listed = ", ".join(f"{expression} AS {name}" for name, expression, _ in _READ)
    wanted = ",".join(map(str, ids.tolist()))
    with connection.cursor() as cursor, cursor.copy(
        f"COPY (SELECT {listed} FROM devices_checkinday WHERE transmitter_id = ANY('{{{wanted}}}'::int[]) "
        f"AND day BETWEEN '{day_of(first)}' AND '{day_of(last)}') TO STDOUT (FORMAT BINARY)"
    ) as copy:  # fmt: skip
        data = b"".join(bytes(part) for part in copy)
    read = np.frombuffer(data[len(_HEAD) : -len(_TAIL)], _record(_READ))
    states = States.nothing(len(read))
    for name, _, kind in _READ[2:]:
        setattr(states, name, _bytes_of(read[name]) if kind == "V12" else read[name].astype(_TYPES.get(kind, np.int64)))
    return _keys(read["transmitter_id"].astype(np.int64), read["day"].astype(np.int64)), states


def _bytes_of(column: NDArray[Any]) -> NDArray[np.uint8]:
    return np.frombuffer(np.ascontiguousarray(column).tobytes(), np.uint8).reshape(-1, 12)


# --- write --------------------------------------------------------------------------------------------------------------


def _write(
    units: Ints, days: Ints, owners: Ints, new: States, said: Rows, is_changed: NDArray[np.bool_],
    is_there: NDArray[np.bool_],
) -> None:  # fmt: skip
    values: dict[str, Any] = {name: getattr(new, name) for name in States.__slots__}
    values |= {"transmitter_id": units, "day": days, "customer_id": owners}
    # What was acted on other days stays as it is on record.
    values |= {"acted": said.acted, "has_acted": said.has_acts, "acts_source": said.acts_source}
    # Nobody else can add a day while its transmitter is locked, so what is new needs no upsert.
    for which, copy in ((is_changed & ~is_there, _copy_new), (is_changed & is_there, _copy_in)):
        if which.any():
            copy({name: column[which] for name, column in values.items()})


Values = Mapping[str, Any]
"""Columns of days by their names, as numbers and masks."""


def _copy_new(values: Values) -> None:
    """Copy days straight into their months, those that lack the same columns together."""
    missing = {
        "last_heard_s": values["last_heard_s"] == NO_TIME, "lowest_margin_db": values["lowest_margin_db"] == NO_MARGIN,
        "presence": ~values["has_presence"], "acted": ~values["has_acted"],
    }  # fmt: skip
    pattern = sum(column.astype(np.int64) << place for place, column in enumerate(missing.values()))
    columns = _WRITTEN[:-2]
    with connection.cursor() as cursor, cursor.copy(
        f"COPY devices_checkinday ({', '.join(name for name, _, _ in columns)}) FROM STDIN (FORMAT BINARY)"
    ) as copy:  # fmt: skip
        copy.write(_HEAD)
        for one in np.unique(pattern).tolist():
            lacking = {name for place, name in enumerate(missing) if one >> place & 1}
            copy.write(_records(columns, lacking, values, pattern == one).tobytes())
        copy.write(_TAIL)


def _records(
    columns: Sequence[tuple[str, str, str]], lacking: set[str], values: Values, which: NDArray[np.bool_]
) -> NDArray[Any]:
    """Days as COPY takes them: each value behind its length, that of a missing one -1 and nothing behind it."""
    fields: list[tuple[str, str]] = [("n_fields", ">i2")]
    for name, _, kind in columns:
        fields += [(f"{name}_length", ">i4")] + ([] if name in lacking else [(name, kind)])
    records = np.zeros(np.count_nonzero(which), np.dtype(fields))
    records["n_fields"] = len(columns)
    for name, _, kind in columns:
        if name in lacking:
            records[f"{name}_length"] = -1
            continue
        records[f"{name}_length"] = np.dtype(kind).itemsize
        column = values[name][which]
        records[name] = np.ascontiguousarray(column).view("V12").ravel() if kind == "V12" else column
    return records


def _copy_in(values: Values) -> None:
    records = _records(_WRITTEN, set(), values, np.ones(len(values["day"]), np.bool_))
    names = ", ".join(f"{name} {kind}" for name, kind, _ in _WRITTEN)
    source = {
        "last_heard_s": f"NULLIF(v.last_heard_s, {NO_TIME})",
        "lowest_margin_db": f"NULLIF(v.lowest_margin_db, ({NO_MARGIN})::smallint)",
        "presence": "CASE WHEN v.has_presence THEN v.presence END",
        "acted": "CASE WHEN v.has_acted THEN v.acted ELSE d.acted END",
        "acts_source": "CASE WHEN v.has_acted THEN v.acts_source ELSE d.acts_source END",
    }  # fmt: skip
    sets = ", ".join(f"{name} = {source.get(name, f'v.{name}')}" for name, _ in sql.DAY_COLUMNS[3:])
    first, last = day_of(int(values["day"].min())), day_of(int(values["day"].max()))
    with connection.cursor() as cursor:
        cursor.execute(f"CREATE TEMP TABLE bulk_days ({names}) ON COMMIT DROP")
        with cursor.copy("COPY bulk_days FROM STDIN (FORMAT BINARY)") as copy:
            copy.write(_HEAD + records.tobytes() + _TAIL)
        # Days stand in the statement, so that only their months are looked at.
        cursor.execute(
            f"UPDATE devices_checkinday d SET {sets} FROM bulk_days v WHERE d.transmitter_id = v.transmitter_id "
            f"AND d.day = v.day AND d.day BETWEEN '{first}' AND '{last}'"
        )
        cursor.execute("DROP TABLE bulk_days")


# --- totals -------------------------------------------------------------------------------------------------------------


def _add_to_totals(units: Ints, days: Ints, gained: Sequence[Ints], stays: sql.Rows) -> None:
    """Add what days gained, those between two changes of cells or interval as one: nothing tells them apart."""
    (settings,) = sql.ask(sql.settings_ask(np.unique(units).tolist()))
    borders = {
        (row[0], day_number(day))
        for row in (
            *((row[0], row[3], row[4], row[6]) for row in stays),
            *((row[0], row[1], row[2]) for row in settings),
        )
        for value in row[1:]
        if (day := sql.as_day(value)) is not None
    }
    keys = _keys(units, days)
    ends = np.array(sorted(pk * DAYS_OF_A_UNIT + day + FIRST_DAY for pk, day in borders), np.int64)
    between = np.searchsorted(ends, keys, side="right")
    is_first = np.ones(len(keys), np.bool_)
    is_first[1:] = (between[1:] != between[:-1]) | (units[1:] != units[:-1])
    starts = np.flatnonzero(is_first)
    sums = [np.add.reduceat(column, starts).tolist() for column in gained]
    rows = zip(units[starts].tolist(), days[starts].tolist(), *sums, strict=True)
    rollups.add_to_totals([Added(pk, day_of(day), *counts) for pk, day, *counts in rows], stays)
