"""Sign-up is closed: people are invited by the office. Who has just signed in is not asked again at once.

Mails bear the firm's name and address of this program, also where no page asked for them.
"""

from __future__ import annotations

import logging
import time
from datetime import UTC, datetime
from smtplib import SMTPException
from types import SimpleNamespace
from typing import Any

from allauth.account import app_settings
from allauth.account.adapter import DefaultAccountAdapter
from allauth.account.authentication import get_authentication_records
from allauth.core import context as running
from allauth.core.exceptions import ImmediateHttpResponse
from allauth.mfa.models import Authenticator
from django.conf import settings
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.translation import gettext

from company import notices
from company.actions import ensure_firm
from company.models import User
from company.sessions import device_words

logger = logging.getLogger(__name__)


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

    def send_mail(self, template_prefix: str, email: str, context: dict[str, Any]) -> None:
        """Send a mail in the firm's name; the library's own way fails where no request is under way, as in a command."""
        here = SimpleNamespace(name=_firm_name(), domain=settings.BASE_URL)
        facts = {"request": running.request, "email": email, "current_site": here}
        self.render_mail(template_prefix, email, facts | context).send()

    def send_confirmation_mail(self, request: HttpRequest, emailconfirmation: Any, signup: bool) -> None:
        """Ask somebody to confirm a further address of theirs.

        Raises
        ------
        ImmediateHttpResponse
            Back to the page of addresses, which says so, if no mail can go: else it would speak of one on its way.
        """
        why = gettext(
            "No mail server is set, so no mail can confirm the address. A manager changes your address under People."
        )
        if notices.has_mail():
            try:
                return super().send_confirmation_mail(request, emailconfirmation, signup)
            except (OSError, SMTPException):
                logger.exception("A mail to confirm an address could not be sent.")
            why = gettext(
                "The mail could not be sent: the mail server did not take it. The address is kept, but not confirmed. "
                "Send the confirming mail again later."
            )
        messages.error(request, why)
        raise ImmediateHttpResponse(redirect("account_email"))

    def format_email_subject(self, subject: str) -> str:
        return f"[{_firm_name()}] {subject}"

    def send_notification_mail(
        self, template_prefix: str, user: User, context: dict[str, Any] | None = None, email: str | None = None
    ) -> None:
        """Tell a person that their password, address or second factor was changed, from where and when."""
        request = self.request
        facts: dict[str, Any] = {"person": user, "at": timezone.now()}
        if request is not None:
            facts |= {"ip": self._ip(request), "device": device_words(request.META.get("HTTP_USER_AGENT", ""))}
        notices.send(template_prefix, email or user.email, facts | (context or {}))

    def _ip(self, request: HttpRequest) -> str:
        try:
            return str(self.get_client_ip(request))
        except PermissionDenied:
            # Behind a proxy that says nothing of it: the mail must go all the same.
            return ""


def _firm_name() -> str:
    return " ".join(ensure_firm().name.split())
