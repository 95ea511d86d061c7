"""A copy of the database lets nobody in: it holds no value of a cookie and nothing that makes a second factor's codes."""

from __future__ import annotations

import time
from importlib import import_module
from io import StringIO

import pytest
from allauth.mfa.models import Authenticator
from allauth.mfa.recovery_codes.internal.auth import RecoveryCodes
from allauth.mfa.totp.internal.auth import TOTP, format_hotp_value, hotp_value
from allauth.usersessions.models import UserSession
from cryptography.fernet import Fernet
from django.apps import apps
from django.conf import settings as configured
from django.contrib.sessions.backends.db import SessionStore as DatabaseStore
from django.contrib.sessions.models import Session
from django.core import mail
from django.core.cache import cache
from django.core.management import CommandError, call_command
from django.db import connection
from django.test import Client
from django.urls import reverse

from company.actions.factors import reseal_second_factors
from company.factor_seal import open_secret
from company.models import ChangeRow
from company.session_store import HASHED, N_STORED, SessionStore, row_key
from tests.company.test_people import is_in, link_in, open_link, sign_in, url
from tests.factories import NOW, PASSWORD
from tests.tools.stolen import every_form_of, everything

SECRET, SEED = "JBSWY3DPEHPK3PXPJBSWY3DPEHPK3PXP", "5eed" * 20


def cookie_of(client):
    return client.cookies[configured.SESSION_COOKIE_NAME].value


def with_cookie(value):
    client = Client()
    client.cookies[configured.SESSION_COOKIE_NAME] = value
    return client


def code_of(secret):
    return format_hotp_value(hotp_value(secret, int(time.time()) // 30))


def set_up(client):
    """Set up an authenticator app by its pages; its secret and the recovery codes."""
    secret = client.get(reverse("mfa_activate_totp")).context["form"].secret
    answer = client.post(reverse("mfa_activate_totp"), {"code": code_of(secret)})
    assert answer.status_code == 302
    cache.clear()  # a code counts once, and this one is wanted again at once
    return secret, list(client.get(answer.url).context["unused_codes"])


def second_step(person, code):
    client = sign_in(person)
    return client, client.post(reverse("mfa_authenticate"), {"code": code})


@pytest.fixture
def keys(settings):
    old, new = (Fernet.generate_key().decode() for _ in range(2))
    settings.ACCESS_NOTE_KEYS = [old]
    settings.MFA_TOTP_TOLERANCE = 1  # else a test that begins at the end of a half-minute would fail
    return old, new


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_a_copy_holds_no_cookie_no_secret_of_an_app_and_no_recovery_code(world, keys, tmp_path):
    desk, second = sign_in(world.office), world.client("manager")
    before = cookie_of(desk)
    assert second.get(url("profile")).status_code == 200
    pending = sign_in(world.technician)
    waiting = pending.get(reverse("mfa_activate_totp")).context["form"].secret
    secret, codes = set_up(desk)
    seed = open_secret(Authenticator.objects.get(user=world.office, type="recovery_codes").data["seed"])
    assert len(codes) == 10
    raw = everything(tmp_path)
    assert world.office.email.encode() in raw, "the copy must be the whole database"
    hidden = [before, cookie_of(desk), cookie_of(second), cookie_of(pending), secret, waiting, seed, *codes]
    assert [text for text in hidden for form in every_form_of(text) if form in raw] == []
    # What waits in a session is as good as a secret: an invitation's link sets a password.
    assert [DatabaseStore().decode(row.session_data) for row in Session.objects.all()] == [{}] * 3


def test_what_the_tables_hold_opens_nothing_as_a_cookie(world):
    desk = sign_in(world.office)
    stored = Session.objects.get().session_key
    assert stored == row_key(cookie_of(desk)) == UserSession.objects.get().session_key
    assert (stored.startswith(HASHED), len(stored)) == (True, N_STORED)
    for key in (stored, stored.removeprefix(HASHED)):
        thief = with_cookie(key)
        assert not is_in(thief)
        # Nor does it end what it names.
        thief.post(reverse("account_logout"))
        thief.post(reverse("account_login"), {"login": world.technician.email, "password": PASSWORD})
        assert cookie_of(thief) != key
        assert is_in(desk)


def test_the_engine_takes_a_stored_key_to_end_a_session_and_never_to_open_one(db):
    store = SessionStore()
    store["fact"] = "kept"
    store.create()
    stored = row_key(store.session_key)
    assert row_key(stored) == stored
    assert SessionStore(store.session_key)["fact"] == "kept"
    assert SessionStore(stored).session_key is None
    assert SessionStore(stored).get("fact") is None
    assert store.exists(stored)
    assert store.exists(store.session_key)
    SessionStore().delete(stored)
    assert not Session.objects.exists()


def test_a_session_that_was_kept_by_the_old_engine_is_over(world):
    old = DatabaseStore()
    old["_auth_user_id"], old["_auth_user_hash"] = str(world.office.pk), world.office.get_session_auth_hash()
    old["_auth_user_backend"] = "allauth.account.auth_backends.AuthenticationBackend"
    old.create()
    assert not is_in(with_cookie(old.session_key))


def test_signing_out_leaves_nothing_and_a_second_place_stays_on_the_list(world):
    desk, phone = sign_in(world.office), sign_in(world.office, agent="Mozilla/5.0 (Linux; Android 14; Mobile)")
    assert UserSession.objects.filter(user=world.office).count() == 2
    assert desk.get(url("session_list")).content.decode().count("this one") == 1
    key = cookie_of(desk)
    desk.post(reverse("account_logout"))
    assert not Session.objects.filter(session_key=row_key(key)).exists()
    assert is_in(phone)
    assert "A phone or tablet (Android)" in phone.get(url("session_list")).content.decode()
    assert UserSession.objects.filter(user=world.office).count() == 1


def test_a_new_password_keeps_this_place_on_the_list_and_ends_the_others(world):
    desk, phone = sign_in(world.office), sign_in(world.office)
    data = {"oldpassword": PASSWORD, "password1": "another-lantern-5", "password2": "another-lantern-5"}
    assert desk.post(reverse("account_change_password"), data).status_code == 302
    assert (is_in(desk), is_in(phone)) == (True, False)
    page = desk.get(url("session_list")).content.decode()
    assert page.count("this one") == 1
    assert list(UserSession.objects.values_list("session_key", flat=True)) == [row_key(cookie_of(desk))]


def test_an_invitation_still_sets_a_password_by_its_link(world):
    data = {"name": "Ines Okoro", "email": "ines@example.org", "phone": "", "audience": "technician"}
    world.client("manager").post(url("person_new"), data)
    answer = open_link(link_in(mail.outbox[0].body))
    assert "password1" in answer.content.decode()


# --- the second factor ------------------------------------------------------------------------------------------------


def test_the_app_and_a_recovery_code_let_in_and_each_recovery_code_once(world, keys):
    secret, codes = set_up(sign_in(world.office))
    client, answer = second_step(world.office, code_of(secret))
    assert answer.status_code == 302
    assert is_in(client)
    client, answer = second_step(world.office, codes[3])
    assert is_in(client)
    client, answer = second_step(world.office, codes[3])
    assert answer.status_code == 200
    assert not is_in(client)


def in_the_clear(person):
    Authenticator.objects.create(user=person, type="totp", data={"secret": SECRET})
    Authenticator.objects.create(user=person, type="recovery_codes", data={"seed": SEED, "used_mask": 1})


def test_a_secret_from_before_it_was_sealed_still_lets_in(world, keys):
    in_the_clear(world.office)
    client, _ = second_step(world.office, code_of(SECRET))
    assert is_in(client)


def test_the_migration_seals_what_lies_in_the_clear_and_ends_every_session(world, keys):
    in_the_clear(world.office)
    Authenticator.objects.create(user=world.manager, type="recovery_codes", data={"migrated_codes": ["1111", "2222"]})
    webauthn = Authenticator.objects.create(user=world.manager, type="webauthn", data={"name": "key"})
    desk = sign_in(world.technician)
    step = import_module("company.migrations.0005_seal_second_factors")
    with connection.schema_editor(atomic=False) if connection.vendor == "postgresql" else plain_editor() as editor:
        step.end_sessions(apps, editor)
        step.seal_all(apps, editor)
        step.seal_all(apps, editor)
        kept = str(list(Authenticator.objects.values_list("data", flat=True)))
        assert [text for text in (SECRET, SEED, "1111", "2222") if text in kept] == []
        assert not is_in(desk)
        assert not UserSession.objects.exists()
        webauthn.refresh_from_db()
        assert webauthn.data == {"name": "key"}
        app = Authenticator.objects.get(user=world.office, type="totp")
        assert TOTP(app).validate_code(code_of(SECRET))
        codes = RecoveryCodes(Authenticator.objects.get(user=world.office, type="recovery_codes"))
        assert len(codes.get_unused_codes()) == 9
        assert RecoveryCodes(Authenticator.objects.get(user=world.manager, type="recovery_codes")).validate_code("2222")
        step.open_all(apps, editor)
    assert Authenticator.objects.get(pk=app.pk).data == {"secret": SECRET}


class plain_editor:
    """What a data step asks of a schema editor; SQLite's own cannot begin within a test's transaction."""

    connection = connection

    def __enter__(self):
        return self

    def __exit__(self, *what):
        return None


def test_a_new_key_is_given_to_every_factor_and_the_old_one_can_go(world, keys, settings):
    old, new = keys
    secret, codes = set_up(sign_in(world.office))
    in_the_clear(world.manager)
    settings.ACCESS_NOTE_KEYS = [new, old]
    out = StringIO()
    call_command("rotate_access_notes", stdout=out)
    assert "4 second factors sealed anew, 0 had" in out.getvalue()
    settings.ACCESS_NOTE_KEYS = [new]
    assert is_in(second_step(world.office, code_of(secret))[0])
    assert is_in(second_step(world.office, codes[0])[0])
    assert is_in(second_step(world.manager, code_of(SECRET))[0])
    call_command("rotate_access_notes", stdout=out)
    assert "0 second factors sealed anew, 4 had" in out.getvalue()
    assert [row.after for row in ChangeRow.objects.filter(verb="reseal_second_factors")] == [{"n_factors": 4}]


def test_a_run_in_small_steps_seals_every_factor_once(world, keys, settings):
    for person in (world.office, world.manager, world.technician):
        in_the_clear(person)
    done = reseal_second_factors(by=None, at=NOW, batch=4)
    assert (done.n_resealed, done.n_already, done.unopened) == (6, 0, ())
    rows = ChangeRow.objects.filter(verb="reseal_second_factors").order_by("pk")
    assert [row.after for row in rows] == [{"n_factors": 4}, {"n_factors": 2}]


def test_a_factor_under_a_lost_key_is_named_and_lets_nobody_in_and_breaks_no_page(world, keys, settings):
    desk = sign_in(world.office)
    secret, codes = set_up(desk)
    settings.ACCESS_NOTE_KEYS = [keys[1]]
    for code in (code_of(secret), codes[0]):
        client, answer = second_step(world.office, code)
        assert answer.status_code == 200
        assert "the key it was sealed with is not installed here" in answer.content.decode()
        assert not is_in(client)
    for name in ("mfa_index", "mfa_view_recovery_codes", "mfa_generate_recovery_codes", "mfa_download_recovery_codes"):
        page = desk.get(reverse(name), follow=True)
        assert page.status_code == 200
    with pytest.raises(CommandError, match=f"of 1 people cannot be opened: {world.office.email}"):
        call_command("rotate_access_notes", stdout=StringIO())
    call_command("reset_second_factor", world.office.email, reason="key lost", stdout=StringIO())
    assert is_in(sign_in(world.office))
