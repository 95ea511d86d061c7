"""What the writes of an import share: the records they build on, the change rows they collect, writing in bulk."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from datetime import date, datetime, time, tzinfo
from typing import Any

from django.db import models

from company.models import ChangeRow, Customer, User
from devices.models import Receiver
from devices.rules.import_facts import Place
from devices.rules.import_records import Write
from sites.models import Site

BATCH = 2000


class Book:
    """The records that an import builds on, looked up once, and the change rows that it collects."""

    def __init__(self, *, by: User, at: datetime, reason: str) -> None:
        self.by, self.at, self.reason = by, at, reason
        self.customers: dict[str, Customer] = {}
        self.sites: dict[str, Site] = {}
        self.receivers: dict[Place, Receiver] = {}
        self.touched: dict[int, Receiver] = {}
        self.changes: list[ChangeRow] = []
        self.counts: dict[str, int] = {}

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
                reason=self.reason[:300],
            )
        )  # fmt: skip

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
    model: Any, writes: Collection[Write], fields_of: Callable[[Write], Mapping[str, Any]]
) -> dict[int, Any]:
    """Change rows in place, only the fields that differ, and return them by key."""
    rows: dict[int, Any] = model.objects.in_bulk([write.pk for write in writes])
    by_fields: dict[tuple[str, ...], list[Any]] = {}
    for write in writes:
        fields = fields_of(write)
        for name, value in fields.items():
            setattr(rows[write.pk or 0], name, value)
        by_fields.setdefault(tuple(sorted(fields)), []).append(rows[write.pk or 0])
    for names, changed in by_fields.items():
        model.objects.bulk_update(changed, names, batch_size=200)
    return rows


def json_of(values: Mapping[str, Any]) -> dict[str, Any]:
    """Facts of a record as the change log can hold them."""
    return {name: value.isoformat() if isinstance(value, (date, datetime)) else value for name, value in values.items()}


def moment(day: date, zone: tzinfo, at: datetime) -> datetime:
    """The moment a fact of a day begins: noon there, so that no time zone turns it into another day; never after now."""
    noon = datetime.combine(day, time(12), tzinfo=zone)
    if noon <= at:
        return noon
    return at if at.astimezone(zone).date() == day else datetime.combine(day, time.min, tzinfo=zone)
