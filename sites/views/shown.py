"""What several pages of places show in the same way."""

from __future__ import annotations

from django.urls import reverse

from company.models import ChangeRow


def undo_address(change: ChangeRow | None) -> str:
    """Where the Undo button of a message posts to; nothing where nothing was changed."""
    return reverse("company:change_undo", args=[change.pk]) if change else ""
