"""What the bottom app does when the sign-in library tells of a change."""

from __future__ import annotations

from typing import Any

from allauth.account.signals import password_changed, password_set, user_logged_in
from allauth.mfa.signals import authenticator_removed
from allauth.mfa.utils import is_mfa_enabled
from allauth.usersessions import signals as session_rows
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


# The library's own would write the value of the cookie into its table; whoever copies that is signed in.
user_logged_in.disconnect(session_rows.on_user_logged_in)
for _signal in (password_set, password_changed):
    _signal.disconnect(session_rows.on_password_changed)


@receiver([user_logged_in, password_set, password_changed])
def note_where(sender: Any, request: HttpRequest, **unknown: Any) -> None:
    """Whoever signs in, or has a new session after a new password, is listed there; rows of sessions that are over go."""
    if isinstance(request.user, User):
        sessions.sessions_of(request.user)
        sessions.note_session(request)
