"""Mails about a changed way in: the person hears of it, whoever did it."""

from __future__ import annotations

from io import StringIO
from smtplib import SMTPServerDisconnected

import pytest
from allauth.account.adapter import get_adapter
from allauth.mfa.models import Authenticator
from django.core import mail
from django.core.management import call_command
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from company.actions import ensure_firm
from company.models import User
from tests.factories import PASSWORD

NEW = "windlass-and-cleat-4"
CONSOLE = "django.core.mail.backends.console.EmailBackend"


def url(name, *args):
    return reverse(f"company:{name}", args=args)


def the_mail():
    (message,) = mail.outbox
    return message


def change_password(person):
    client = Client(HTTP_USER_AGENT="Mozilla/5.0 (Windows NT 10.0)")
    client.post(reverse("account_login"), {"login": person.email, "password": PASSWORD})
    data = {"oldpassword": PASSWORD, "password1": NEW, "password2": NEW}
    return client.post(reverse("account_change_password"), data)


def test_a_changed_password_is_told_with_when_and_from_where(world):
    assert change_password(world.office).status_code == 302
    message = the_mail()
    assert message.to == [world.office.email]
    assert message.subject.endswith("Your password was changed")
    assert "a computer (Windows), 127.0.0.1" in message.body
    assert "If it was not, set a new password at once" in message.body


def test_the_mail_bears_the_firms_name_as_it_is_written(world):
    firm = ensure_firm()
    firm.name = "Tide & Tallow"
    firm.save()
    change_password(world.office)
    assert the_mail().subject == "[Tide & Tallow] Your password was changed"
    assert "Tide & Tallow" in the_mail().body


def test_a_password_set_by_a_link_is_told(world):
    Client().post(reverse("account_reset_password"), {"email": world.office.email})
    link = next(word for word in the_mail().body.split() if "/password/reset/key/" in word)
    mail.outbox.clear()
    client = Client()
    form = client.get("/" + link.split("/", 3)[3], follow=True)
    client.post(form.redirect_chain[-1][0], {"password1": NEW, "password2": NEW})
    assert world.office.__class__.objects.get(pk=world.office.pk).check_password(NEW)
    assert the_mail().subject.endswith("A new password was set for you")


def reset_factor(world):
    Authenticator.objects.create(user=world.office, type="totp", data={})
    return world.client("manager").post(url("person_factor", world.office.pk), {"reason": "phone in the harbour"})


def test_a_second_factor_that_was_reset_is_told_with_who_did_it(world, django_capture_on_commit_callbacks):
    with django_capture_on_commit_callbacks(execute=True):
        assert reset_factor(world).status_code == 302
    message = the_mail()
    assert message.to == [world.office.email]
    assert f"{world.manager.name} has taken away your second factor" in message.body
    # Why is the office's business.
    assert "harbour" not in message.body


def test_a_reset_that_is_refused_is_not_told(world, django_capture_on_commit_callbacks):
    with django_capture_on_commit_callbacks(execute=True):
        assert world.client("manager").post(url("person_factor", world.office.pk), {"reason": "x"}).status_code == 422
    assert mail.outbox == []


def test_a_reset_by_whoever_runs_the_installation_is_told(world, django_capture_on_commit_callbacks):
    Authenticator.objects.create(user=world.manager, type="totp", data={})
    said = StringIO()
    with django_capture_on_commit_callbacks(execute=True):
        call_command("reset_second_factor", world.manager.email, reason="phone lost", stdout=said)
    assert "whoever runs this installation has taken away" in the_mail().body
    assert "A mail tells them." in said.getvalue()


def test_without_a_mail_server_the_command_says_to_tell_them(world, settings, django_capture_on_commit_callbacks):
    settings.EMAIL_BACKEND = CONSOLE
    Authenticator.objects.create(user=world.manager, type="totp", data={})
    said = StringIO()
    with django_capture_on_commit_callbacks(execute=True):
        call_command("reset_second_factor", world.manager.email, reason="phone lost", stdout=said)
    assert "tell them yourself" in said.getvalue()


def test_a_mail_server_that_is_down_keeps_nobody_from_changing_a_password(world, monkeypatch):
    def down(*args, **kwargs):
        raise SMTPServerDisconnected

    monkeypatch.setattr("django.core.mail.message.EmailMessage.send", down)
    assert change_password(world.office).status_code == 302
    assert User.objects.get(pk=world.office.pk).check_password(NEW)


def edit_address(world, person):
    data = {"name": person.name, "email": "new@example.org", "phone": "", "audience": person.audience}
    return world.client("manager").post(url("person_edit", person.pk), data)


def test_the_old_address_hears_that_another_took_its_place(world, django_capture_on_commit_callbacks):
    old = world.office.email
    User.objects.filter(pk=world.office.pk).update(last_login=timezone.now())
    with django_capture_on_commit_callbacks(execute=True):
        assert edit_address(world, world.office).status_code == 302
    assert the_mail().to == [old]
    assert "new@example.org" in the_mail().body


def test_a_mistyped_address_of_somebody_who_never_signed_in_is_not_written_to(
    world, django_capture_on_commit_callbacks
):
    User.objects.filter(pk=world.office.pk).update(last_login=None)
    with django_capture_on_commit_callbacks(execute=True):
        assert edit_address(world, world.office).status_code == 302
    assert mail.outbox == []


@pytest.mark.parametrize(
    ("prefix", "words"),
    [
        ("mfa/email/totp_activated", "an authenticator app was set up"),
        ("mfa/email/totp_deactivated", "the authenticator app was taken away"),
        ("mfa/email/recovery_codes_generated", "new recovery codes were made"),
        ("mfa/email/webauthn_added", "a security key was added"),
        ("mfa/email/webauthn_removed", "a security key was taken away"),
        ("account/email/password_set", "a password was set"),
    ],
)
def test_every_change_of_a_factor_has_its_own_words(world, prefix, words):
    get_adapter().send_notification_mail(prefix, world.office)
    assert words in the_mail().body
    assert "Hello," in the_mail().body
