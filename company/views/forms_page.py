"""The page that holds one form and nothing else."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, QueryDict
from django.shortcuts import redirect

FORM = "parts/form_page.html"


def form_context(
    form: Any, title: str, back: Any, section: str, *, button: str = "Save", lead: str = ""
) -> dict[str, Any]:
    """Context of that page; `back` is whatever `redirect` takes."""
    return {
        "form": form,
        "title": title,
        "back": redirect(back).url,
        "section": section,
        "button": button,
        "lead": lead,
    }


def posted(request: HttpRequest) -> QueryDict | None:
    """Data for a form: what was posted, even if it is empty, and None when the form is only shown."""
    return request.POST if request.method == "POST" else None
