"""The last guard where one form is sent twice at the same moment: the second answer says so in words."""

from __future__ import annotations

import logging
from collections.abc import Callable

from django.core.exceptions import ValidationError
from django.db import IntegrityError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

UNIQUE_VIOLATION = "23505"
"""SQLSTATE of the SQL standard's class 23, as PostgreSQL's manual lists it (appendix A)."""

LOG = logging.getLogger(__name__)


def is_taken(exception: Exception) -> bool:
    """Whether something unique is on record already; every other refusal of the database is a fault of ours."""
    if isinstance(exception, ValidationError):
        return any(error.code in ("unique", "unique_together") for error in exception.error_list)
    if not isinstance(exception, IntegrityError):
        return False
    cause = exception.__cause__
    return getattr(cause, "sqlstate", "") == UNIQUE_VIOLATION or "UNIQUE constraint failed" in str(exception)


class TwiceAtOnce:
    """A record that came into being between the check of a form and its saving is told of, not called a fault.

    Forms check what is taken; two of them can pass the check together, and then the database refuses the second. Its
    transaction is rolled back by then, so nothing of it was saved.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        if request.method != "POST" or not is_taken(exception):
            return None
        LOG.warning("Saved by somebody else at the same moment: %s", request.path, exc_info=exception)
        return render(request, "409.html", {"page": request.path}, status=409)
