"""What the bottom app does when the sign-in library tells of a change."""

from __future__ import annotations

from typing import Any

from allauth.mfa.signals import authenticator_removed
from allauth.mfa.utils import is_mfa_enabled
from django.dispatch import receiver
from django.http import HttpRequest

from company import sessions
from company.models import User

FACTOR_SEEN = "second_factor_seen"
"""Mark in the session of somebody whose second factor was found, so that it is looked up once (company.middleware)."""


@receiver(authenticator_removed)
def forget_a_second_factor(sender: Any, request: HttpRequest, user: User, **unknown: Any) -> None:
    """Staff who took their last second factor away are asked for a new one at once, and are signed out elsewhere."""
    if is_mfa_enabled(user):
        return
    request.session.pop(FACTOR_SEEN, None)
    sessions.end_all(user, keep_key=request.session.session_key or "")
