"""What the writes of an import share: the records they build on, and the statements and change rows they collect.

Nothing is written here: a book is filled outside any transaction, and `devices.actions.imports.apply_import` carries
out what stands in it. New rows have their keys from the start.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from datetime import date, datetime, time, tzinfo
from typing import Any
from uuid import UUID

from django.db import models

from company.bulk import Statement, alteration, insertion
from company.models import ChangeRow, Customer, User
from devices.models import Output, Receiver, Registration
from devices.rules.import_facts import Place
from devices.rules.import_records import Write
from sites.models import Site

CHUNK = 1000


class Book:
    """The records that an import builds on, looked up once, and what it will write."""

    def __init__(self, *, by: User, at: datetime, reason: str, batch: UUID | None = None) -> None:
        self.by, self.at, self.reason, self.batch = by, at, reason, batch
        self.statements: list[Statement] = []
        self.customers: dict[str, Customer] = {}
        self.sites: dict[str, Site] = {}
        self.receivers: dict[Place, Receiver] = {}
        self.touched: dict[int, Receiver] = {}
        self.units: set[int] = set()
        self.changes: list[ChangeRow] = []
        self.counts: dict[str, int] = {}
        self.outputs: dict[tuple[int, int], Output] = {}
        self.begun: list[tuple[int, Registration]] = []
        self.ended: set[int] = set()

    def note(
        self,
        verb: str,
        subject: models.Model,
        customer_id: int | None,
        *,
        before: dict[str, Any] | None = None,
        after: dict[str, Any] | None = None,
        receiver: Receiver | None = None,
    ) -> None:
        """Collect one change row, of the same shape as the actions on single records write it."""
        if receiver is not None:
            after = {**(after or {}), "receiver": receiver.pk, "version": self.touch(receiver).version}
        self.changes.append(
            ChangeRow(
                at=self.at, by=self.by, customer_id=customer_id, verb=verb, subject_kind=subject._meta.model_name or "",
                subject_id=subject.pk, subject_text=str(subject)[:200], before=before, after=after,
                reason=self.reason[:300], batch=self.batch,
            )
        )  # fmt: skip

    def insert(self, model: type[models.Model], rows: Sequence[Any]) -> None:
        """Add new rows; they have their keys from here on."""
        if rows:
            self.statements.append(insertion(model, rows))

    def alter(self, model: type[models.Model], names: Sequence[str], rows: Iterable[tuple[int, Sequence[Any]]]) -> None:
        """Set fields of rows on record, given as key and values."""
        statement = alteration(model, names, rows)
        if statement.rows:
            self.statements.append(statement)

    def alter_rows(self, model: type[models.Model], names: Sequence[str], rows: Iterable[Any]) -> None:
        """Set fields of rows on record to what their objects hold."""
        columns: list[Any] = [model._meta.get_field(name) for name in names]
        self.alter(model, names, [(row.pk, [getattr(row, column.attname) for column in columns]) for row in rows])

    def close(self) -> None:
        """Add the change rows and the versions of the receivers; nothing may be noted afterwards."""
        table = Receiver._meta.db_table
        raised = f'UPDATE "{table}" SET version = version + 1 WHERE id = %s'
        self.statements.append(Statement(raised, [(pk,) for pk in sorted(self.touched)]))
        self.insert(ChangeRow, self.changes)

    def touch(self, receiver: Receiver) -> Receiver:
        """Raise the version of a receiver once, however much changes on it."""
        if receiver.pk not in self.touched:
            receiver.version += 1
            self.touched[receiver.pk] = receiver
        return self.touched[receiver.pk]

    def count(self, name: str, n: int) -> None:
        if n:
            self.counts[name] = self.counts.get(name, 0) + n


def change_rows(
    book: Book, model: Any, writes: Collection[Write], fields_of: Callable[[Write], Mapping[str, Any]]
) -> dict[int, Any]:
    """Change rows in place, only the fields that differ, and return them, changed, by key."""
    rows = rows_by_key(model.objects.all(), (write.pk or 0 for write in writes))
    by_fields: dict[tuple[str, ...], list[Any]] = {}
    for write in writes:
        fields = fields_of(write)
        for name, value in fields.items():
            setattr(rows[write.pk or 0], name, value)
        by_fields.setdefault(tuple(sorted(fields)), []).append(rows[write.pk or 0])
    for names, changed in by_fields.items():
        if names:
            book.alter_rows(model, names, changed)
    return rows


def chunks(values: Iterable[Any]) -> Iterable[list[Any]]:
    """Cut a list into pieces that one query can name."""
    listed = list(values)
    for start in range(0, len(listed), CHUNK):
        yield listed[start : start + CHUNK]


def rows_by_key(rows: Any, keys: Iterable[int]) -> dict[int, Any]:
    """Find rows of a queryset by their keys, however many."""
    return {row.pk: row for some in chunks(sorted(set(keys))) for row in rows.filter(pk__in=some)}


def json_of(values: Mapping[str, Any]) -> dict[str, Any]:
    """Facts of a record as the change log can hold them."""
    return {name: value.isoformat() if isinstance(value, (date, datetime)) else value for name, value in values.items()}


def moment(day: date, zone: tzinfo, at: datetime) -> datetime:
    """The moment a fact of a day begins: noon there, so that no time zone turns it into another day; never after now."""
    noon = datetime.combine(day, time(12), tzinfo=zone)
    if noon <= at:
        return noon
    return at if at.astimezone(zone).date() == day else datetime.combine(day, time.min, tzinfo=zone)
