"""Whether anything comes in at all: the last delivery of gateways and panels, and whether a listener runs; one query."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db.models import Count, Exists, Max, Min, Q, QuerySet, Subquery, Value

SPEAKS_BY_ITSELF = Q(kind="api") | Q(kind="panel") | Q(late_after_s__isnull=False)
"""Sources that hand over without a person; a file that is uploaded by hand comes when somebody has time for it."""


def _of_all(rows: QuerySet[Any], what: Any) -> Subquery:
    """One figure of all rows."""
    return Subquery(rows.order_by().annotate(of_all=Value(1)).values("of_all").annotate(figure=what).values("figure"))


def intake_facts(
    anchor: QuerySet[Any], *, sources: QuerySet[Any], batches: QuerySet[Any], panels: QuerySet[Any],
    listeners: QuerySet[Any], beat_since: datetime,
) -> dict[str, Any]:  # fmt: skip
    """When something was last delivered, how often each is to deliver at least, and how the listeners do.

    `anchor` gives one row to hang it all on; a listener runs if it has written since `beat_since`.
    """
    expected = sources.filter(is_active=True).filter(
        Q(kind="api") & ~Q(token_sha256="") | Q(late_after_s__isnull=False) & ~Q(kind="api")
    )
    by_itself = sources.filter(SPEAKS_BY_ITSELF).order_by().values("pk")
    open_panels = panels.filter(closed_at=None)
    newest = batches.filter(source__in=by_itself).order_by("-received_at").values("received_at")[:1]
    found = anchor.annotate(
        n_sources=_of_all(expected, Count("pk")),
        n_unbound=_of_all(expected.filter(late_after_s=None), Count("pk")), source_every_s=_of_all(expected, Min("late_after_s")),
        source_begun_at=_of_all(expected, Min("created_at")), batch_at=Subquery(newest),
        n_panels=_of_all(open_panels, Count("pk")), panel_every_s=_of_all(open_panels, Min("supervised_s")),
        panel_begun_at=_of_all(open_panels, Min("created_at")), message_at=_of_all(open_panels, Max("last_message_at")),
        is_listening=Exists(listeners.filter(stopped_at=None, beat_at__gte=beat_since)),
        listened_at=_of_all(listeners, Max("beat_at")),
    )  # fmt: skip
    row: Any = found.values(
        "n_sources", "n_unbound", "source_every_s", "source_begun_at", "batch_at", "n_panels", "panel_every_s", "panel_begun_at",
        "message_at", "is_listening", "listened_at",
    ).first()  # fmt: skip
    return row or {}
