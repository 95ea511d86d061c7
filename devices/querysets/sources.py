"""Sources of check-ins with what their ledger says of the last hour and day."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from django.db.models import Count, IntegerField, Max, OuterRef, QuerySet, Subquery, Sum
from django.db.models.functions import Coalesce


def with_counts(sources: QuerySet[Any], batches: QuerySet[Any], now: datetime) -> QuerySet[Any]:
    """Each source with `last_at`, batches of the last hour and day, events taken on that day, and conflicts of 30 days.

    `batches` are those that the person may see.
    """
    mine = batches.filter(source=OuterRef("pk")).order_by().values("source")

    def since(span: timedelta, **what: Any) -> Coalesce:
        name = next(iter(what))
        rows = mine.filter(received_at__gt=now - span).annotate(**what).values(name)
        return Coalesce(Subquery(rows, output_field=IntegerField()), 0)

    return sources.annotate(
        last_at=Subquery(mine.annotate(last=Max("received_at")).values("last")),
        n_hour=since(timedelta(hours=1), n_of_hour=Count("pk")),
        n_day=since(timedelta(days=1), n_of_day=Count("pk")),
        n_events_day=since(timedelta(days=1), n_of_events=Sum("n_taken")),
        n_conflicts_30d=since(timedelta(days=30), n_of_conflicts=Sum("n_conflicts")),
    )
