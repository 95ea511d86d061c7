"""The message after a change, with a button that takes it back."""

from __future__ import annotations

from django.db.models import Model
from django.urls import reverse

from company.access import PersonRequest
from company.models import ChangeRow
from company.toasts import said
from company.undo import may_undo


def said_with_undo(request: PersonRequest, text: str, record: Model) -> None:
    """Say what was done to a record; the last change that this person made to it can be taken back from the message."""
    rows = ChangeRow.objects.visible_to(request.user).filter(
        subject_kind=record._meta.model_name, subject_id=record.pk, by=request.user, undoes=None
    )
    change = rows.order_by("-pk").first()
    url = reverse("company:change_undo", args=[change.pk]) if change and may_undo(change, request.user) else ""
    said(request, text, undo_url=url)
