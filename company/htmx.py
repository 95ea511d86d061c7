"""Everything about answering htmx: whether a fragment is wanted, and how a refused form comes back."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render


def wants_part(request: HttpRequest) -> bool:
    """Whether only a fragment is asked for. Boosted and history-restore requests want whole pages."""
    htmx = request.htmx  # type: ignore[attr-defined]
    return bool(htmx) and not htmx.boosted and not htmx.history_restore_request


def page(
    request: HttpRequest, template: str, context: dict[str, Any], *, part: str = "", status: int = 200
) -> HttpResponse:
    """Render the page, or its named partial `part` when htmx asks for a fragment."""
    name = f"{template}#{part}" if part and wants_part(request) else template
    return render(request, name, context, status=status)


def refused(request: HttpRequest, template: str, context: dict[str, Any], *, part: str = "") -> HttpResponse:
    """Answer a refused form: 422 with the form again, whole page or fragment."""
    return page(request, template, context, part=part, status=422)
