"""The library's forms for signing in, in this program's words: labels instead of placeholders, one spelling of a thing."""

from __future__ import annotations

from typing import Any

from allauth.account import forms as theirs
from django import forms
from django.utils.translation import gettext_lazy

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


class ForgottenPasswordForm(OurWords, theirs.ResetPasswordForm): ...


class NewPasswordForm(OurWords, theirs.ResetPasswordKeyForm): ...


class ChangePasswordForm(OurWords, theirs.ChangePasswordForm): ...


class SetPasswordForm(OurWords, theirs.SetPasswordForm): ...


class AddAddressForm(OurWords, theirs.AddEmailForm): ...
