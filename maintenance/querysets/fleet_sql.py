"""One narrow SELECT into columns: binary COPY on PostgreSQL, plain rows on SQLite. Knows the two dialects and no table.

The ORM makes an object or tuple per row; for a night's run over the whole fleet that alone takes longer than the sums.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.db import connection
from numpy.typing import NDArray

from maintenance.querysets.fleet_days import UNKNOWN_S

_HEADER_BYTES, _ARRAY_BYTES = 19, 20
"""Before the first row of a COPY, and before the first element of a one-dimensional array (PostgreSQL's binary formats)."""
_NO_NULLS = bytes(4)
_WIRE = {"i8": ">i8", "f8": ">f8", "i2": ">i2", "moment": ">i8", "day": ">i4"}
_NATIVE = {"i8": np.int64, "f8": np.float64, "i2": np.int16, "moment": np.int64, "day": np.float64}
_EPOCH_S, _US = 946_684_800, 1_000_000
"""PostgreSQL sends moments as microseconds since 1 January 2000, and days as days since then."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of fixed width: its name, kind (a key of `_NATIVE`) and its SQL in each dialect. Never NULL."""

    name: str
    kind: str
    postgresql: str
    sqlite: str


def key(name: str, sql: str = "") -> Column:
    """Whole number, such as a key; −1 where there is none."""
    sql = sql or name
    return Column(name.removesuffix("_id"), "i8", f"COALESCE({sql}, -1)::int8", f"COALESCE({sql}, -1)")


def real(name: str, sql: str = "") -> Column:
    """Number; NaN where there is none."""
    sql = sql or name
    return Column(name, "f8", f"COALESCE(({sql})::float8, 'NaN')", sql)


def day(name: str, sql: str) -> Column:
    """Date as days since 1 January 2000; NaN where there is none."""
    return Column(name, "day", f"COALESCE({sql}, DATE '-infinity')", f"julianday({sql}) - 2451544.5")


def moment(name: str, sql: str) -> Column:
    """Moment as whole seconds since 1970, rounded down; `UNKNOWN_S` where there is none."""
    return Column(
        name, "moment", f"COALESCE({sql}, TIMESTAMPTZ '-infinity')",
        f"COALESCE(CAST(strftime('%s', {sql}) AS INTEGER), {UNKNOWN_S})",
    )  # fmt: skip


def _native(values: NDArray[Any], kind: str) -> NDArray[Any]:
    """Turn what came over the wire into our own numbers; minus infinity stands for NULL."""
    if kind == "moment":
        sent = values.astype(np.int64)
        return np.where(sent == np.iinfo(np.int64).min, UNKNOWN_S, sent // _US + _EPOCH_S)
    if kind == "day":
        return np.where(values == np.iinfo(np.int32).min, np.nan, values).astype(np.float64)
    return values.astype(_NATIVE[kind])


def flag(name: str, condition: str) -> Column:
    """Condition as 1 or 0."""
    return Column(name, "i2", f"COALESCE(({condition})::int, 0)::int2", f"COALESCE({condition}, 0)")


def code(name: str, sql: str, codes: Sequence[str], other: int = -1) -> Column:
    """Place of a word in a list of our own, `other` where it is none of them."""
    cases = " ".join(f"WHEN '{word}' THEN {n}" for n, word in enumerate(codes))
    case = f"CASE {sql} {cases} ELSE {other} END"
    return Column(name, "i2", f"({case})::int2", case)


def ids(numbers: Iterable[int]) -> str:
    """Whole numbers as a list for IN; never empty."""
    return ",".join(str(int(number)) for number in numbers) or "NULL"


def select(columns: Sequence[Column], source: str) -> dict[str, NDArray[Any]]:
    """Read columns from `source` (what follows FROM), portable SQL without parameters and GROUP BY. The first is a key.

    Returns
    -------
    dict
        Column → array; whole numbers as int64, numbers as float64, codes as int16.
    """
    if connection.vendor == "postgresql":
        return _copied(columns, source)
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {', '.join(c.sqlite for c in columns)} FROM {source}")
        rows = cursor.fetchall()
    if not rows:
        return {c.name: np.zeros(0, dtype=_NATIVE[c.kind]) for c in columns}
    return {
        c.name: np.array(values, dtype=_NATIVE[c.kind])
        for c, values in zip(columns, zip(*rows, strict=True), strict=True)
    }


def _copied(columns: Sequence[Column], source: str) -> dict[str, NDArray[Any]]:
    """Fetch by binary COPY, the rows put into arrays by the server: the driver takes longer for a row than the database.

    One message holds the rows of a stretch of 65,536 keys, so that neither side holds much at once.
    """
    found: dict[str, list[NDArray[Any]]] = {c.name: [np.zeros(0, dtype=_NATIVE[c.kind])] for c in columns}
    layouts = {kind: np.dtype([("bytes", ">i4"), ("value", wire)]) for kind, wire in _WIRE.items()}
    arrays = ", ".join(f"array_agg({column.postgresql})" for column in columns)
    query = f"SELECT {arrays} FROM {source} GROUP BY ({columns[0].postgresql}) >> 16"
    connection.ensure_connection()
    with (
        connection.wrap_database_errors,
        connection.connection.cursor() as cursor,
        cursor.copy(f"COPY ({query}) TO STDOUT (FORMAT BINARY)") as copy,
    ):
        header = _HEADER_BYTES
        for block in copy:
            at, header = header, 0
            # The answer ends with a row of −1 columns.
            if int.from_bytes(block[at : at + 2], "big", signed=True) != len(columns):
                continue
            at += 2
            for column in columns:
                size = int.from_bytes(block[at : at + 4], "big")
                layout = layouts[column.kind]
                n_rows, odd = divmod(size - _ARRAY_BYTES, layout.itemsize)
                if odd or block[at + 4 + 4 : at + 4 + 8] != _NO_NULLS:
                    raise ValueError(f"Column {column.name} is NULL somewhere or of another width: is it cast?")
                values = np.frombuffer(block, dtype=layout, count=n_rows, offset=at + 4 + _ARRAY_BYTES)["value"]
                found[column.name].append(_native(values, column.kind))
                at += 4 + size
    return {name: np.concatenate(parts) for name, parts in found.items()}
