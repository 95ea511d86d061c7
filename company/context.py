"""What every template may use: the firm's name and which section the person is in."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.http import HttpRequest
from django.utils.functional import SimpleLazyObject
from django.utils.translation import get_language


def firm(request: HttpRequest) -> dict[str, Any]:
    """`firm` (read only when a template asks), `is_demo`, `has_mail` (a mail server is set), and the language that the page is written in."""
    from company.actions import ensure_firm
    from company.invitations import has_mail

    return {
        "firm": request.firm if hasattr(request, "firm") else SimpleLazyObject(ensure_firm),
        "is_demo": settings.DEMO,
        "has_mail": has_mail(),
        "LANGUAGE_CODE": (get_language() or "en").split("-")[0],
    }
