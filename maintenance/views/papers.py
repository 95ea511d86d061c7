"""What the office's and the portal's pages of papers share: the bytes as they were issued, and the day asked for."""

from __future__ import annotations

from datetime import date

from django.http import HttpRequest, HttpResponse
from django.utils.cache import get_conditional_response
from django.utils.http import content_disposition_header

from maintenance.models import IssuedReport


def paper_response(request: HttpRequest, report: IssuedReport) -> HttpResponse:
    """Exact bytes with the digest as ETag, so that "the same paper" can be checked from outside."""
    etag = f'"{report.sha256}"'
    response = HttpResponse(bytes(report.content), content_type="application/pdf")
    response.headers["Content-Disposition"] = content_disposition_header(True, report.file_name)
    response.headers["ETag"] = etag
    response.headers["Cache-Control"] = "private, no-cache"
    answer = get_conditional_response(request, etag=etag, response=response)
    assert isinstance(answer, HttpResponse)
    return answer


def day_of(text: str | None) -> date | None:
    """A day from an address; nothing for text that is no day."""
    try:
        return date.fromisoformat(text or "")
    except ValueError:
        return None


def past_day(request: HttpRequest, today: date) -> date | None:
    """The past day that a slot map is asked for, None for today and for days to come."""
    day = day_of(request.POST.get("on") or request.GET.get("on"))
    return day if day and day < today else None
