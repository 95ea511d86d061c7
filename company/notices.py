"""Mails that tell a person that their way in was changed, so that what a stranger did is noticed. Never refused, never in the way."""

from __future__ import annotations

import logging
from datetime import datetime
from smtplib import SMTPException
from typing import Any

from allauth.account.adapter import get_adapter

from company.invitations import has_mail
from company.models import User

logger = logging.getLogger(__name__)


def second_factor_reset(person: User, *, by: User | None, at: datetime) -> None:
    """Tell a person that their second factor was taken away; `by` is None for whoever runs the installation."""
    send("account/email/second_factor_reset", person.email, {"person": person, "by": by, "at": at})


def address_changed(person: User, *, old: str, by: User | None, at: datetime) -> None:
    """Tell the old address of a person that it does not sign in any more."""
    send("account/email/address_changed", old, {"person": person, "by": by, "at": at})


def send(template_prefix: str, address: str, context: dict[str, Any]) -> bool:
    """Send a mail after the deed; False if there is no mail server, or it does not take it. What was done stays done."""
    if not has_mail():
        return False
    try:
        get_adapter().send_mail(template_prefix, address, context)
    except (OSError, SMTPException):
        logger.exception("A mail about a changed way in (%s) could not be sent.", template_prefix)
        return False
    return True
