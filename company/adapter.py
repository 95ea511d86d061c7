"""Sign-up is closed: people are invited by the office. Who has just signed in is not asked again at once."""

from __future__ import annotations

import time
from typing import Any

from allauth.account import app_settings
from allauth.account.adapter import DefaultAccountAdapter
from allauth.account.authentication import get_authentication_records
from allauth.mfa.utils import is_mfa_enabled
from django.http import HttpRequest


class ClosedAdapter(DefaultAccountAdapter):
    """No open sign-up; setting up the first second factor right after signing in does not ask for the password again."""

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        return False

    def is_reauthentication_required(self, *, app: str, **unknown: Any) -> bool:
        """Whether the password is asked again before the second factor is touched.

        The library counts only a password that was typed a second time. For somebody without any factor the one typed
        in signing in is the very same proof, so it counts for as long as the library lets the other one count. Who has
        a factor is asked as the library sees fit.
        """
        wanted: bool = super().is_reauthentication_required(app=app, **unknown)
        request = self.request
        if not wanted or app != "allauth.mfa" or request is None or is_mfa_enabled(request.user):
            return wanted
        records = get_authentication_records(request, request.user)
        typed = [float(row["at"]) for row in records if row.get("method") == "password"]
        return not typed or time.time() - typed[-1] >= app_settings.REAUTHENTICATION_TIMEOUT
