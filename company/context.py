"""What every template may use: the firm's name and which section the person is in."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.http import HttpRequest
from django.utils.functional import SimpleLazyObject


def firm(request: HttpRequest) -> dict[str, Any]:
    """`firm` (read only when a template asks) and `is_demo`."""
    from company.actions import ensure_firm

    return {"firm": SimpleLazyObject(ensure_firm), "is_demo": settings.DEMO}
