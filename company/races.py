"""The last guard where one form is sent twice at the same moment: the second answer says so in words."""

from __future__ import annotations

import logging
from collections.abc import Callable

from django.apps import apps
from django.core.exceptions import ValidationError
from django.db import IntegrityError
from django.db.models import UniqueConstraint
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

UNIQUE_VIOLATION = "23505"
"""SQLSTATE of the SQL standard's class 23, as PostgreSQL's manual lists it (appendix A)."""

LOG = logging.getLogger(__name__)


def _own_words() -> set[str]:
    """What models say in words of their own where something is unique; Django gives those no code."""
    rules = (
        rule for model in apps.get_models() for rule in model._meta.constraints if isinstance(rule, UniqueConstraint)
    )
    plain = UniqueConstraint.default_violation_error_message
    return {str(rule.get_violation_error_message()) for rule in rules if rule.violation_error_message != plain}


def is_taken(exception: Exception) -> bool:
    """Whether something unique is on record already; every other refusal of the database is a fault of ours."""
    if isinstance(exception, ValidationError):
        by_field = getattr(exception, "error_dict", None)
        errors = [error for some in by_field.values() for error in some] if by_field else exception.error_list
        return any(
            error.code in ("unique", "unique_together") or str(error.message) in _own_words() for error in errors
        )
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
