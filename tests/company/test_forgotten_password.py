"""Who has forgotten their password: a mail if one can go, else a clear word what to do; never whether an address is known."""

from __future__ import annotations

from smtplib import SMTPServerDisconnected

import pytest
from allauth.account.models import EmailAddress
from django.core import mail
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from company.actions import ensure_firm
from company.actions.password_links import hand_out_link
from company.errors import Refused
from company.models import ChangeRow, User
from tests import factories
from tests.factories import NOW, PASSWORD

CONSOLE = "django.core.mail.backends.console.EmailBackend"
NEW = "windlass-and-cleat-4"
RESET = "account_reset_password"


@pytest.fixture
def firm(world):
    firm = ensure_firm()
    firm.name, firm.phone = "Tide & Tallow", "01632 960 301"
    firm.save()
    return firm


@pytest.fixture
def mail_down(monkeypatch):
    def down(*args, **kwargs):
        raise SMTPServerDisconnected

    monkeypatch.setattr("django.core.mail.message.EmailMessage.send", down)


def ask(address):
    return Client().post(reverse(RESET), {"email": address})


def the_mail():
    (message,) = mail.outbox
    return message


def signed_in_before(person):
    User.objects.filter(pk=person.pk).update(last_login=timezone.now())
    person.refresh_from_db()
    return person


# --- with a mail server -----------------------------------------------------------------------------------------------


def test_the_link_comes_in_the_firms_name(world, firm):
    assert ask(world.office.email).status_code == 302
    message = the_mail()
    assert message.subject == "[Tide & Tallow] Set a new password"
    assert "in the records of Tide & Tallow." in message.body
    assert "testserver" not in message.body.replace("http://testserver/accounts/", "")


def locked_out(world):
    User.objects.filter(pk=world.office.pk).update(is_active=False)
    return world.office.email


@pytest.mark.parametrize("address_of", [lambda world: "nobody@example.org", locked_out])
def test_an_address_that_lets_nobody_in_hears_so_in_our_words_and_of_no_sign_up(world, firm, address_of):
    address = address_of(world)
    assert ask(address).url == reverse("account_reset_password_done")
    message = the_mail()
    assert message.to == [address]
    assert message.subject == "[Tide & Tallow] No sign-in with this address"
    assert "Nobody signs in there with it" in message.body
    assert "/reset/key/" not in message.body
    assert "sign up" not in message.body.lower()
    assert "/signup/" not in message.body


def test_an_address_that_one_adds_is_confirmed_in_our_words(world, firm):
    client = Client()
    client.post(reverse("account_login"), {"login": world.office.email, "password": PASSWORD})
    client.post(reverse("account_email"), {"email": "second@example.org", "action_add": ""})
    assert EmailAddress.objects.filter(email="second@example.org").exists()
    message = the_mail()
    assert message.subject == "[Tide & Tallow] Confirm your address"
    assert f"{world.office.name} wants to sign in to the records of Tide & Tallow" in message.body


# --- with a mail server that is down ----------------------------------------------------------------------------------


def test_a_mail_server_that_is_down_is_said_alike_for_every_address_and_logged_without_it(world, mail_down, caplog):
    known, unknown = ask(world.office.email), ask("nobody@example.org")
    for answer in (known, unknown):
        assert answer.status_code == 503
        assert "The mail could not be sent: the mail server did not take it" in answer.content.decode()
    assert words_of(known, world.office.email) == words_of(unknown, "nobody@example.org")
    said = [record for record in caplog.records if record.name == "company.forms.account"]
    assert len(said) == 2
    assert world.office.email not in "".join(record.getMessage() for record in said)


def words_of(answer, address):
    """The page without what differs from one asking to the next."""
    lines = answer.content.decode().replace(address, "ADDRESS").splitlines()
    return [line for line in lines if "csrfmiddlewaretoken" not in line]


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize(
    ("is_set", "words"), [(True, "could not be sent"), (False, "A manager changes your address under People")]
)
def test_an_address_that_no_mail_can_confirm_is_said_to_be_so(mail_down, settings, is_set, words):
    if not is_set:
        settings.EMAIL_BACKEND = CONSOLE
    client = Client()
    client.force_login(factories.make_user("office"), backend="allauth.account.auth_backends.AuthenticationBackend")
    page = client.post(reverse("account_email"), {"email": "second@example.org", "action_add": ""}, follow=True)
    assert words in page.content.decode()
    assert "went to" not in page.content.decode()
    assert "not confirmed" in page.content.decode()
    assert EmailAddress.objects.get(email="second@example.org").verified is False


# --- without a mail server --------------------------------------------------------------------------------------------


def test_without_a_mail_server_the_page_says_whom_to_ask_and_asks_for_no_address(world, firm, settings):
    settings.EMAIL_BACKEND = CONSOLE
    page = Client().get(reverse(RESET)).content.decode()
    assert "Ask a manager of Tide &amp; Tallow" in page
    assert 'href="tel:01632960301"' in page
    assert 'name="email"' not in page


def test_without_a_mail_server_no_link_is_made_and_the_log_holds_none(world, firm, settings, capsys):
    settings.EMAIL_BACKEND = CONSOLE
    known, unknown = ask(world.office.email), ask("nobody@example.org")
    assert (known.status_code, unknown.status_code) == (503, 503)
    assert known.content == unknown.content
    assert "/reset/key/" not in capsys.readouterr().out


@pytest.mark.parametrize("page", ["company:person_list", "company:settings_home"])
def test_the_office_is_told_that_no_mail_goes(world, settings, page):
    assert "No mail server is set" not in world.client("office").get(reverse(page)).content.decode()
    settings.EMAIL_BACKEND = CONSOLE
    assert "No mail server is set" in world.client("office").get(reverse(page)).content.decode()


def test_a_manager_hands_out_a_link_that_sets_a_new_password_and_it_is_written_down(world, settings):
    settings.EMAIL_BACKEND = CONSOLE
    person = signed_in_before(world.technician)
    manager = world.client("manager")
    assert "Link for a forgotten password" in manager.get(person.get_absolute_url()).content.decode()
    answer = manager.post(reverse("company:person_invite", args=[person.pk]))
    assert answer.headers["Cache-Control"] == "no-store"
    (link,) = [word for word in answer.content.decode().split('"') if "/password/reset/key/" in word]
    client = Client()
    form = client.get("/" + link.split("/", 3)[3], follow=True)
    client.post(form.redirect_chain[-1][0], {"password1": NEW, "password2": NEW})
    assert User.objects.get(pk=person.pk).check_password(NEW)
    row = ChangeRow.objects.get(verb="hand_out_link")
    assert (row.by, row.subject_id) == (world.manager, person.pk)
    assert "/reset/key/" not in str((row.before, row.after))


def test_with_a_mail_server_nobody_but_the_person_gets_the_link(world):
    person = signed_in_before(world.technician)
    manager = world.client("manager")
    assert "Link for a forgotten password" not in manager.get(person.get_absolute_url()).content.decode()
    answer = manager.post(reverse("company:person_invite", args=[person.pk]), follow=True)
    assert "/password/reset/key/" not in answer.content.decode()
    assert not ChangeRow.objects.filter(verb="hand_out_link").exists()


def test_a_link_is_refused_for_who_is_locked_out_never_came_or_is_oneself(world):
    out, new = signed_in_before(factories.make_user("office")), factories.make_user("office")
    User.objects.filter(pk=out.pk).update(is_active=False)
    for person, words in ((out, "Let them in again"), (new, "Invite them"), (signed_in_before(world.manager), "own")):
        with pytest.raises(Refused, match=words):
            hand_out_link(person=person, by=world.manager, at=NOW, has_mail=False)
    assert not ChangeRow.objects.filter(verb="hand_out_link").exists()
