"""Sources of check-ins and panels: what the ledger says of the last hour and day, and how they stand, to sort by."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from django.db.models import (
    Case,
    Count,
    DateTimeField,
    Exists,
    IntegerField,
    Max,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    Sum,
    Value,
    When,
)
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


_LONG_AGO = Value(datetime(1970, 1, 1, tzinfo=UTC), output_field=DateTimeField())
LATE, NEVER, QUIET, FRESH, OVER = range(5)
"""Ranks of states, the worst first; OVER: retired or closed."""


def ranked(sources: QuerySet[Any], batches: QuerySet[Any], now: datetime) -> QuerySet[Any]:
    """Each source with `state_rank`, as `rules/source_state.py` says, and `last_sort`; who never delivered, did so long ago.

    The latest batch of each is not looked for: there may be millions. A source notes its last use with every batch.
    """

    def heard(span: timedelta) -> Q:
        return Q(pk__in=batches.filter(received_at__gte=now - span).order_by().values("source"))

    spans = sources.exclude(late_after_s=None).order_by().values_list("late_after_s", flat=True).distinct()
    late = Q(pk__in=[])
    for span_s in spans:
        late |= Q(late_after_s=span_s) & ~heard(timedelta(seconds=span_s))
    rank = Case(
        When(is_active=False, then=OVER),
        When(~Exists(batches.filter(source=OuterRef("pk"))), then=NEVER),
        When(late, then=LATE),
        When(Q(late_after_s=None) & ~heard(timedelta(days=1)), then=QUIET),
        default=FRESH, output_field=IntegerField(),
    )  # fmt: skip
    return sources.annotate(state_rank=rank, last_sort=Coalesce("last_used_at", _LONG_AGO))


def panels_ranked(accounts: QuerySet[Any], now: datetime) -> QuerySet[Any]:
    """Each panel with `state_rank`, as `rules/panel_state.py` says, and `last_sort`; who never called, did so long ago."""
    late = Q(pk__in=[])
    for span_s in accounts.exclude(supervised_s=None).order_by().values_list("supervised_s", flat=True).distinct():
        late |= Q(supervised_s=span_s, last_message_at__lt=now - timedelta(seconds=span_s))
    rank = Case(
        When(closed_at__isnull=False, then=OVER), When(last_message_at=None, then=NEVER), When(late, then=LATE),
        When(supervised_s=None, then=QUIET), default=FRESH, output_field=IntegerField(),
    )  # fmt: skip
    return accounts.annotate(state_rank=rank, last_sort=Coalesce("last_message_at", _LONG_AGO))
