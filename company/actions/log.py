"""The one place where rows of the change log are written."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

from django.db import models

from company.models import ChangeRow, Customer, User


def record_change(
    *,
    by: User | None,
    at: datetime,
    verb: str,
    subject: models.Model,
    customer: Customer | None = None,
    customer_id: int | None = None,
    before: dict[str, Any] | None = None,
    after: dict[str, Any] | None = None,
    reason: str = "",
    batch: UUID | None = None,
    undoes: ChangeRow | None = None,
) -> ChangeRow:
    """Write one row of the change log. Every action that changes a record calls this in its transaction.

    `batch` is one number for everything changed in one go; `undoes` names the change that this one takes back.
    """
    return ChangeRow.objects.create(
        at=at,
        by=by,
        customer_id=customer.pk if customer else customer_id,
        verb=verb,
        subject_kind=subject._meta.model_name or "",
        subject_id=subject.pk,
        subject_text=str(subject)[:200],
        before=before,
        after=after,
        reason=reason[:300],
        batch=batch,
        undoes=undoes,
    )


def facts_of(record: models.Model, *names: str) -> dict[str, Any]:
    """Field values of a record as JSON can hold them (dates as ISO text)."""
    facts: dict[str, Any] = {}
    for name in names:
        value = getattr(record, name)
        if isinstance(value, models.Model):
            value = str(value)
        elif value is not None and not isinstance(value, (bool, int, float, str, list, dict)):
            value = value.isoformat() if hasattr(value, "isoformat") else str(value)
        facts[name] = value
    return facts
