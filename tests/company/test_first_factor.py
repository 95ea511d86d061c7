"""Somebody who has just signed in sets up the first second factor without typing the password again."""

from __future__ import annotations

import time
from datetime import timedelta

import pytest
import time_machine
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.internal.auth import format_hotp_value, hotp_value
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from tests import factories

PASSPHRASE = "ropewalk-lantern-9"


def signed_in(person):
    person.set_password(PASSPHRASE)
    person.save()
    client = Client()
    answer = client.post(reverse("account_login"), {"login": person.email, "password": PASSPHRASE})
    assert answer.status_code == 302
    return client


def test_the_password_typed_in_signing_in_counts_for_five_minutes(db):
    address = reverse("mfa_activate_totp")
    with time_machine.travel(timezone.now(), tick=False) as clock:
        client = signed_in(factories.make_user("office"))
        assert client.get(address).status_code == 200
        clock.shift(timedelta(minutes=6))
        answer = client.get(address)
    assert answer.status_code == 302
    assert answer.url.startswith(reverse("account_reauthenticate"))


def test_a_session_without_a_typed_password_is_asked(db):
    client = Client()
    client.force_login(factories.make_user("office"), backend="allauth.account.auth_backends.AuthenticationBackend")
    assert client.get(reverse("mfa_activate_totp")).status_code == 302


def test_who_has_a_factor_is_asked_before_it_is_touched(db):
    person = factories.make_user("office")
    with time_machine.travel(timezone.now(), tick=False) as clock:
        Authenticator.objects.create(user=person, type="totp", data={"secret": "x"}, created_at=timezone.now())
        clock.shift(timedelta(minutes=1))
        client = Client()
        client.force_login(person, backend="allauth.account.auth_backends.AuthenticationBackend")
        session = client.session
        session["account_authentication_methods"] = [{"method": "password", "at": timezone.now().timestamp()}]
        session["account_authentication_methods_user"] = str(person.pk)
        session.save()
        answer = client.get(reverse("mfa_deactivate_totp"))
    assert answer.url.startswith(reverse("account_reauthenticate"))


def test_the_codes_of_the_factor_just_made_are_shown_without_asking(db):
    person = factories.make_user("office")
    with time_machine.travel(timezone.now(), tick=False) as clock:
        client = signed_in(person)
        clock.shift(timedelta(seconds=40))
        Authenticator.objects.create(user=person, type="totp", data={"secret": "x"}, created_at=timezone.now())
        answer = client.get(reverse("mfa_view_recovery_codes"))
    assert not answer.headers.get("Location", "").startswith(reverse("account_reauthenticate"))


@pytest.mark.django_db(transaction=True)
def test_the_first_recovery_codes_are_not_said_to_replace_others():
    client = signed_in(factories.make_user("office"))
    secret = client.get(reverse("mfa_activate_totp")).context["form"].secret
    code = format_hotp_value(hotp_value(secret, int(time.time()) // 30))
    answer = client.post(reverse("mfa_activate_totp"), {"code": code})
    page = client.get(answer.url).content.decode()
    assert "Recovery codes are made. Only these work" in page
    assert "no longer work" not in page
