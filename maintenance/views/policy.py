"""Stub while the page is being written."""

from __future__ import annotations

from django.http import HttpResponse
from django.views.decorators.http import require_POST

from company.access import PersonRequest, audience


@audience("office")
def policy(request: PersonRequest) -> HttpResponse:
    return HttpResponse("")


@audience("manager")
@require_POST
def policy_choose(request: PersonRequest, duty: str) -> HttpResponse:
    return HttpResponse("")
