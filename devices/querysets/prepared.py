"""Reads whose text is worked out once: for a long query the building takes longer than the database needs to answer."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from django.db import connections

# Stand in the place of the real values while a query is built, and nowhere else.
_MARKS: dict[type, Any] = {
    int: 1_907_431_377,
    date: date(1871, 2, 3),
    datetime: datetime(1871, 2, 3, 4, 5, 6, 789, tzinfo=UTC),
}


@dataclass(frozen=True, slots=True)
class _Prepared:
    sql: str
    params: tuple[Any, ...]
    places: tuple[tuple[int, str], ...]
    converters: tuple[tuple[int, Any, Any], ...]


_kept: dict[tuple[str, Callable[..., Any]], _Prepared | None] = {}


def rows_of(rows: Any, build: Callable[..., Any], **values: Any) -> list[tuple[Any, ...]]:
    """Tuples of `build(rows, **values)`, a `values_list`, with its text built once for staff.

    Parameters
    ----------
    rows : QuerySet
        What the person may see. Staff see all; any narrower scope builds its own query every time.
    build : callable
        A function of a module, the same object at every call; nothing but its values may change what it builds.
    values : int, date or datetime
        No two of the same type. A date goes with a moment: it is that moment's day in its own zone.
    """
    if rows.query.where:
        return list(build(rows, **_named(values)))
    key = (rows.db, build)
    if key not in _kept:
        _kept[key] = _prepare(rows, build, values)
    ready = _kept[key]
    if ready is None:
        return list(build(rows, **_named(values)))
    connection = connections[rows.db]
    params = list(ready.params)
    adapted = {name: _adapted(connection, value) for name, value in values.items()}
    for place, name in ready.places:
        params[place] = adapted[name]
    with connection.cursor() as cursor:
        cursor.execute(ready.sql, params)
        found = cursor.fetchall()
    if not ready.converters:
        return found  # type: ignore[no-any-return]
    return [_converted(row, ready.converters, connection) for row in found]


def _named(values: Mapping[str, Any]) -> dict[str, Any]:
    """What `build` is called with: it works out the day of a moment itself."""
    return {name: value for name, value in values.items() if name != "day"}


def _converted(row: tuple[Any, ...], converters: tuple[tuple[int, Any, Any], ...], connection: Any) -> tuple[Any, ...]:
    values = list(row)
    for place, convert, expression in converters:
        if values[place] is not None:
            values[place] = convert(values[place], expression, connection)
    return tuple(values)


def _adapted(connection: Any, value: Any) -> Any:
    if isinstance(value, datetime):
        return connection.ops.adapt_datetimefield_value(value)
    if isinstance(value, date):
        return connection.ops.adapt_datefield_value(value)
    return value


def _prepare(rows: Any, build: Callable[..., Any], values: Mapping[str, Any]) -> _Prepared | None:
    """Build the query with marks and note where they stand; nothing if one of them is not found again."""
    connection = connections[rows.db]
    marks = {name: _MARKS[type(value)] for name, value in values.items()}
    compiler = build(rows, **_named(marks)).query.get_compiler(using=rows.db)
    sql, params = compiler.as_sql()
    places = [
        (place, name)
        for name, mark in marks.items()
        for place, param in enumerate(params)
        if param == _adapted(connection, mark)
    ]
    if {name for _, name in places} != set(marks):
        return None
    expressions = [column[0] for column in compiler.select]
    converters = tuple(
        (place, convert, expression)
        for place, (converts, expression) in compiler.get_converters(expressions).items()
        for convert in converts
    )
    return _Prepared(sql, tuple(params), tuple(places), converters)
