"""Sign-up is closed: people are invited by the office. Who has just signed in is not asked again at once."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Any

from allauth.account import app_settings
from allauth.account.adapter import DefaultAccountAdapter
from allauth.account.authentication import get_authentication_records
from allauth.mfa.models import Authenticator
from django.http import HttpRequest


class ClosedAdapter(DefaultAccountAdapter):
    """No open sign-up; setting up the first second factor right after signing in does not ask for the password again."""

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        return False

    def is_reauthentication_required(self, *, app: str, **unknown: Any) -> bool:
        """Whether the password is asked again before the second factor is touched.

        The library counts only a password that was typed a second time. For somebody who signed in without any factor
        the one typed then is the very same proof, so it counts for as long as the library lets the other one count;
        else the recovery codes could not be shown right after the first factor was made. Who had a factor before is
        asked as the library sees fit.
        """
        wanted: bool = super().is_reauthentication_required(app=app, **unknown)
        request = self.request
        if not wanted or app != "allauth.mfa" or request is None:
            return wanted
        records = get_authentication_records(request, request.user)
        typed = [float(row["at"]) for row in records if row.get("method") == "password"]
        if not typed or time.time() - typed[-1] >= app_settings.REAUTHENTICATION_TIMEOUT:
            return True
        signed_in_at = datetime.fromtimestamp(typed[-1], tz=UTC)
        return Authenticator.objects.filter(user_id=request.user.pk, created_at__lt=signed_in_at).exists()
