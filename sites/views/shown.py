"""What several pages of places show in the same way."""

from __future__ import annotations

from django.db.models import Model
from django.urls import reverse

from company.access import PersonRequest
from company.models import ChangeRow
from company.undo import may_undo
from sites.models import Site
from sites.rules.hours import Hours


def undo_address(change: ChangeRow | None) -> str:
    """Where the Undo button of a message posts to; nothing where nothing was changed."""
    return reverse("company:change_undo", args=[change.pk]) if change else ""


def undo_of(request: PersonRequest, record: Model, pk: int | None = None) -> str:
    """Where to take back what this person has just done to a record; `pk` where the record itself is gone."""
    rows = ChangeRow.objects.visible_to(request.user).about(record._meta.model_name or "", pk or record.pk)
    change = rows.filter(by=request.user).first()
    return undo_address(change) if change and may_undo(change, request.user) else ""


def week_of(site: Site) -> dict[int, list[Hours]]:
    """Spans per weekday (0 = Monday) in order; empty where no hours are known."""
    week: dict[int, list[Hours]] = {}
    for row in site.visiting_hours.order_by("weekday", "opens"):
        week.setdefault(row.weekday, []).append((row.opens, row.closes))
    return week
