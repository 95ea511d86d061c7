"""The link with which an invited person sets a password: made by the sign-in library, sent by mail or shown once."""

from __future__ import annotations

import logging
from datetime import timedelta
from smtplib import SMTPException

from allauth.account.adapter import get_adapter
from allauth.account.forms import default_token_generator
from allauth.account.utils import user_pk_to_url_str
from django.conf import settings

from company.models import User

logger = logging.getLogger(__name__)

CONSOLE = "django.core.mail.backends.console.EmailBackend"


def has_mail() -> bool:
    """Whether mails reach people at all; without a mail server they are only printed to the log."""
    return settings.EMAIL_BACKEND != CONSOLE


def lasts() -> timedelta:
    """How long a link works."""
    return timedelta(seconds=settings.PASSWORD_RESET_TIMEOUT)


def link_for(person: User) -> str:
    """Address at which this person sets a password; dead once they have, or the invitation is withdrawn."""
    key = f"{user_pk_to_url_str(person)}-{default_token_generator.make_token(person)}"
    return str(get_adapter().get_reset_password_from_key_url(key))


def send(person: User, by: User, link: str) -> bool:
    """Send the link by mail; False if there is no mail server or it does not take it."""
    if not has_mail():
        return False
    context = {"person": person, "by": by, "link": link, "n_days": lasts().days}
    try:
        get_adapter().send_mail("account/email/invitation", person.email, context)
    except (OSError, SMTPException):
        logger.exception("The invitation of user %s could not be sent.", person.pk)
        return False
    return True
