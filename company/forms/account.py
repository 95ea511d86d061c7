"""The library's forms for signing in, in this program's words: labels instead of placeholders, one spelling of a thing."""

from __future__ import annotations

import logging
from smtplib import SMTPException
from typing import Any

from allauth.account import forms as theirs
from allauth.core.exceptions import ImmediateHttpResponse
from django import forms
from django.http import HttpRequest
from django.shortcuts import render
from django.utils.translation import gettext_lazy

from company.invitations import has_mail

logger = logging.getLogger(__name__)

LABELS: dict[str, Any] = {
    "login": gettext_lazy("E-mail address"),
    "email": gettext_lazy("E-mail address"),
    "password": gettext_lazy("Password"),
    "oldpassword": gettext_lazy("Present password"),
    "password1": gettext_lazy("New password"),
    "password2": gettext_lazy("New password (again)"),
}


class OurWords(forms.Form):
    """Words of the library's fields. A placeholder goes when one types, and says the label once more until then."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, field in self.fields.items():
            field.widget.attrs.pop("placeholder", None)
            field.label = LABELS.get(name, field.label)


class SignInForm(OurWords, theirs.LoginForm): ...


class ForgottenPasswordForm(OurWords, theirs.ResetPasswordForm):
    def save(self, request: HttpRequest, **kwargs: Any) -> str:
        """Send the mail; where none can go, the page itself comes back and says so.

        An address that nobody has gets a mail too, so what the page says is the same for every address.

        Raises
        ------
        ImmediateHttpResponse
            With the page, status 503, if there is no mail server or it does not take the mail.
        """
        if has_mail():
            try:
                return str(super().save(request, **kwargs))
            except (OSError, SMTPException):
                logger.exception("A mail to set a new password could not be sent.")
        page = render(request, "account/password_reset.html", {"form": self, "not_sent": has_mail()}, status=503)
        raise ImmediateHttpResponse(page)


class NewPasswordForm(OurWords, theirs.ResetPasswordKeyForm): ...


class ChangePasswordForm(OurWords, theirs.ChangePasswordForm): ...


class SetPasswordForm(OurWords, theirs.SetPasswordForm): ...


class AddAddressForm(OurWords, theirs.AddEmailForm): ...
