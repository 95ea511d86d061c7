"""Sign-up is closed: people are invited by the office."""

from __future__ import annotations

from allauth.account.adapter import DefaultAccountAdapter
from django.http import HttpRequest


class ClosedAdapter(DefaultAccountAdapter):
    """No open sign-up."""

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        return False
