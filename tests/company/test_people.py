"""People: invited, signed in, locked out, let in again; their second factor, sessions and own page."""

from __future__ import annotations

from datetime import timedelta
from io import StringIO

import pytest
from allauth.mfa.models import Authenticator
from allauth.usersessions.models import UserSession
from django.core import mail
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from company.actions import LastManager
from company.actions import people as actions
from company.errors import Refused
from company.models import ChangeRow, TechnicianDayOff, User
from company.sessions import device_words
from tests import factories
from tests.factories import NOW, PASSWORD

PHONE = "Mozilla/5.0 (Linux; Android 14; Mobile) Firefox/130"


def url(name, *args):
    return reverse(f"company:{name}", args=args)


def sign_in(person, *, agent="Mozilla/5.0 (Windows NT 10.0)"):
    """A client that has come in by the sign-in page, as a person does."""
    client = Client(HTTP_USER_AGENT=agent)
    answer = client.post(reverse("account_login"), {"login": person.email, "password": PASSWORD})
    assert answer.status_code == 302, answer.content.decode()
    return client


def is_in(client):
    return client.get(url("profile")).status_code == 200


def link_in(text):
    return next(word for word in text.split() if "/password/reset/key/" in word).strip('">')


def open_link(link):
    """What a person meets who opens the link: the page with the form, or the word that it is dead."""
    return Client().get("/" + link.split("/", 3)[3], follow=True)


# --- invitations ------------------------------------------------------------------------------------------------------


def invite(world, **over):
    data = {"name": "Ines Okoro", "email": "ines@example.org", "phone": "", "audience": "technician"} | over
    answer = world.client("manager").post(url("person_new"), data)
    return User.objects.get(email="ines@example.org"), answer


def test_an_invitation_is_noted_and_the_list_says_since_when(world):
    person, _ = invite(world)
    assert person.invited_at is not None
    assert ChangeRow.objects.get(verb="invite_person").by == world.manager
    User.objects.filter(pk=person.pk).update(invited_at=timezone.now() - timedelta(days=2, hours=1))
    assert "invited 2 days ago, not yet signed in<" in world.client("office").get("/people/").content.decode()
    User.objects.filter(pk=person.pk).update(invited_at=timezone.now() - timedelta(days=5))
    page = world.client("office").get("/people/").content.decode()
    assert "invited 5 days ago, not yet signed in; the link has run out" in page


def test_an_invitation_is_sent_again_and_not_to_somebody_who_has_signed_in(world):
    person, _ = invite(world)
    client = world.client("manager")
    assert client.post(url("person_invite", person.pk)).status_code == 302
    assert [message.to for message in mail.outbox] == [["ines@example.org"]] * 2
    User.objects.filter(pk=person.pk).update(last_login=timezone.now())
    page = client.post(url("person_invite", person.pk), follow=True).content.decode()
    assert "has signed in before" in page
    assert len(mail.outbox) == 2


def test_a_withdrawn_invitation_has_a_dead_link_and_no_way_in(world):
    person, _ = invite(world)
    link = link_in(mail.outbox[0].body)
    assert "password1" in open_link(link).content.decode()
    assert world.client("manager").post(url("person_withdraw", person.pk)).status_code == 302
    assert "password1" not in open_link(link).content.decode()
    person.refresh_from_db()
    assert (person.is_active, person.invited_at) == (False, None)
    with pytest.raises(Refused, match="no open invitation"):
        actions.withdraw_invitation(person=person, by=world.manager, at=NOW)


def test_without_a_mail_server_the_link_is_shown_once_and_kept_by_nobody(world, settings):
    settings.EMAIL_BACKEND = "django.core.mail.backends.console.EmailBackend"
    person, answer = invite(world)
    page = answer.content.decode()
    assert answer.status_code == 200
    assert answer.headers["Cache-Control"] == "no-store"
    assert "No mail server is set" in page
    assert "password1" in open_link(link_in(page.replace('value="', " "))).content.decode()
    assert "/reset/key/" not in world.client("manager").get(person.get_absolute_url()).content.decode()
    assert "/reset/key/" not in str(list(ChangeRow.objects.values_list("before", "after")))
    assert mail.outbox == []


def test_a_mail_that_does_not_go_saves_the_person_and_shows_the_link(world, monkeypatch):
    def broken(*args, **kwargs):
        raise OSError("no route")

    monkeypatch.setattr("company.adapter.ClosedAdapter.send_mail", broken)
    person, answer = invite(world)
    assert "The mail could not be sent" in answer.content.decode()
    assert person.invited_at is not None


def test_a_new_person_of_a_customer_gets_the_same_invitation(world):
    data = {"new-name": "Pat Carer", "new-email": "pat@example.org", "new-phone": ""}
    assert world.client("office").post(url("access_give", world.own.pk), data).status_code == 302
    person = User.objects.get(email="pat@example.org")
    assert person.invited_at is not None
    assert mail.outbox[0].to == ["pat@example.org"]


# --- leaving and coming back ------------------------------------------------------------------------------------------


def test_who_has_left_is_out_at_once_everywhere_and_their_record_stays(world):
    person = world.technician
    desk, phone = sign_in(person), sign_in(person, agent=PHONE)
    assert is_in(desk)
    answer = world.client("manager").post(url("person_leave", person.pk), {"reason": "retired"})
    assert answer.status_code == 302
    assert not is_in(desk)
    assert not is_in(phone)
    person.refresh_from_db()
    assert not person.is_active
    assert person.deactivated_at is not None
    row = ChangeRow.objects.get(verb="deactivate_person")
    assert (row.reason, row.after["n_sessions_ended"]) == ("retired", 2)
    assert person.name in world.client("manager").get(person.get_absolute_url()).content.decode()
    # Coming back brings no old session to life.
    assert world.client("manager").post(url("person_return", person.pk)).status_code == 302
    assert not is_in(desk)
    assert is_in(sign_in(person))


def test_the_last_manager_and_oneself_are_never_locked_out(world):
    with pytest.raises(LastManager):
        actions.deactivate_person(person=world.manager, by=world.office, at=NOW, reason="x")
    factories.make_user("office", is_manager=True)
    with pytest.raises(Refused, match="cannot lock yourself out"):
        actions.deactivate_person(person=world.manager, by=world.manager, at=NOW, reason="x")
    assert User.objects.get(pk=world.manager.pk).is_active
    answer = world.client("manager").post(url("person_leave", world.manager.pk), {"reason": "x"})
    assert answer.status_code == 422


def test_locking_out_asks_a_reason_and_twice_is_refused(world):
    leave = url("person_leave", world.office.pk)
    assert world.client("manager").post(leave, {"reason": " "}).status_code == 422
    assert User.objects.get(pk=world.office.pk).is_active
    assert world.client("manager").post(leave, {"reason": "moved"}).status_code == 302
    assert world.client("manager").post(leave, {"reason": "moved"}).status_code == 422
    assert ChangeRow.objects.filter(verb="deactivate_person").count() == 1


def test_the_visits_that_still_wait_for_a_person_are_named_before(world):
    today = timezone.localdate()
    round = factories.make_round(world.technician, day=today + timedelta(days=3))
    factories.make_visit(world.own_site, round, planned_on=today + timedelta(days=3))
    page = world.client("manager").get(url("person_leave", world.technician.pk)).content.decode()
    assert f"{world.own_site.name}: planned for" in page
    other = factories.make_user("technician")
    assert "Still waiting" not in world.client("manager").get(url("person_leave", other.pk)).content.decode()


# --- second factor and sessions ---------------------------------------------------------------------------------------


def test_a_lost_second_factor_is_reset_with_a_reason_and_signs_out(world):
    person = world.office
    client = sign_in(person)
    for kind in ("totp", "recovery_codes"):
        Authenticator.objects.create(user=person, type=kind, data={})
    page = world.client("manager").get("/people/").content.decode()
    assert page.count("set up") == 1 + page.count("Staff set up")
    address = url("person_factor", person.pk)
    assert world.client("manager").post(address, {"reason": ""}).status_code == 422
    assert world.client("manager").post(address, {"reason": "phone in the harbour"}).status_code == 302
    assert not Authenticator.objects.filter(user=person).exists()
    assert not is_in(client)
    row = ChangeRow.objects.get(verb="reset_second_factor")
    assert (row.reason, row.before) == ("phone in the harbour", {"kinds": ["recovery_codes", "totp"]})
    assert world.client("manager").post(address, {"reason": "again"}).status_code == 422


def test_nobody_resets_their_own_second_factor_that_way(world):
    Authenticator.objects.create(user=world.manager, type="totp", data={})
    answer = world.client("manager").post(url("person_factor", world.manager.pk), {"reason": "x"})
    assert answer.status_code == 422
    assert Authenticator.objects.exists()


def test_whoever_runs_the_installation_resets_the_only_managers_second_factor(world):
    Authenticator.objects.create(user=world.manager, type="totp", data={})
    call_command("reset_second_factor", world.manager.email.upper(), reason="phone lost", stdout=StringIO())
    assert not Authenticator.objects.exists()
    row = ChangeRow.objects.get(verb="reset_second_factor")
    assert (row.by, row.reason) == (None, "phone lost")
    with pytest.raises(CommandError, match="has no second factor"):
        call_command("reset_second_factor", world.manager.email, reason="x")
    with pytest.raises(CommandError, match="Nobody signs in"):
        call_command("reset_second_factor", "nobody@example.org", reason="x")


def test_a_person_sees_where_they_are_signed_in_and_ends_one_session(world):
    desk, phone = sign_in(world.office), sign_in(world.office, agent=PHONE)
    page = desk.get(url("session_list")).content.decode()
    assert "A phone or tablet (Android)" in page
    assert "A computer (Windows)" in page
    assert page.count("this one") == 1
    row = UserSession.objects.get(user_agent=PHONE)
    assert desk.post(url("session_end", row.pk)).status_code == 302
    assert not is_in(phone)
    assert is_in(desk)
    assert "ended already" in desk.post(url("session_end", row.pk), follow=True).content.decode()


def test_all_other_sessions_are_ended_and_this_one_stays(world):
    desk, phone, old = sign_in(world.office), sign_in(world.office, agent=PHONE), world.client("office")
    assert desk.post(url("sessions_end_others")).status_code == 302
    assert [is_in(client) for client in (desk, phone, old)] == [True, False, False]


def test_nobody_ends_a_session_of_somebody_else(world):
    phone = sign_in(world.technician, agent=PHONE)
    row = UserSession.objects.get(user_agent=PHONE)
    assert sign_in(world.office).post(url("session_end", row.pk)).status_code == 404
    assert is_in(phone)


def test_a_manager_signs_a_person_out_everywhere(world):
    phone = sign_in(world.technician, agent=PHONE)
    assert world.client("manager").post(url("person_sign_out", world.technician.pk)).status_code == 302
    assert not is_in(phone)
    assert ChangeRow.objects.get(verb="end_sessions").by == world.manager


@pytest.mark.parametrize(
    ("agent", "words"),
    [
        (PHONE, "a phone or tablet (Android)"),
        ("Mozilla/5.0 (X11; Linux x86_64)", "a computer (Linux)"),
        ("curl/8.5", "a program"),
        ("", "unknown"),
    ],
)
def test_a_device_is_said_in_words(agent, words):
    assert device_words(agent) == words


# --- one's own page ---------------------------------------------------------------------------------------------------


def test_everybody_has_a_page_of_their_own_and_changes_name_and_look_there(world):
    for who in ("office", "technician", "own_user"):
        client, person = world.client(who), getattr(world, who)
        assert client.post(url("profile"), {"name": "New name", "phone": "0170"}).status_code == 302
        assert client.post(url("theme_set"), {"theme": "dark"}).status_code == 302
        person.refresh_from_db()
        assert (person.name, person.phone, person.theme) == ("New name", "0170", "dark")
    assert world.client("office").post(url("profile"), {"name": ""}).status_code == 422
    page = world.client("office").post(url("theme_set"), {"theme": "pink"}, follow=True).content.decode()
    assert "Choose light, dark" in page
    assert User.objects.get(pk=world.office.pk).theme == "dark"


def test_ones_own_page_gives_no_way_to_become_a_manager(world):
    world.client("office").post(
        url("profile"), {"name": "X", "is_manager": "on", "audience": "portal", "email": "a@b.c"}
    )
    person = User.objects.get(pk=world.office.pk)
    assert (person.is_manager, person.audience, person.email) == (False, "office", world.office.email)


# --- days off ---------------------------------------------------------------------------------------------------------


def test_several_days_off_are_noted_at_once_and_shown_as_one_span(world):
    client, address = world.client("manager"), url("days_off_add", world.technician.pk)
    first = timezone.localdate() + timedelta(days=10)
    data = {"from_on": first.isoformat(), "to_on": (first + timedelta(days=4)).isoformat(), "reason": "leave"}
    assert client.post(address, data).status_code == 302
    assert client.post(address, data).status_code == 302
    assert TechnicianDayOff.objects.count() == 5
    assert ChangeRow.objects.filter(verb="add_days_off").count() == 1
    spans = client.get(url("technician_edit", world.technician.pk)).context["spans"]
    assert [(span["n_days"], span["reason"]) for span in spans] == [(5, "leave")]
    gone = {"from_on": spans[0]["from_on"].isoformat(), "to_on": spans[0]["to_on"].isoformat()}
    assert client.post(url("days_off_remove", world.technician.pk), gone).status_code == 302
    assert not TechnicianDayOff.objects.exists()
    page = client.post(url("days_off_remove", world.technician.pk), gone, follow=True).content.decode()
    assert "No day off is noted there any more" in page


@pytest.mark.parametrize(
    "data",
    [
        {"from_on": ""},
        {"from_on": "2026-12-24", "to_on": "2026-12-20"},
        {"from_on": "2026-12-24", "to_on": "2062-12-24"},
        {"from_on": "31.12.2026"},
    ],
)
def test_days_off_that_make_no_sense_are_refused(world, data):
    assert world.client("manager").post(url("days_off_add", world.technician.pk), data).status_code == 422
    assert not TechnicianDayOff.objects.exists()


def test_staff_who_take_their_second_factor_away_are_asked_for_a_new_one_at_once(world, settings):
    from allauth.mfa.signals import authenticator_removed
    from django.test import RequestFactory

    settings.REQUIRE_SECOND_FACTOR = True
    factor = Authenticator.objects.create(user=world.office, type="totp", data={})
    client, elsewhere = world.client("office"), world.client("office")
    assert is_in(client)
    assert is_in(elsewhere)
    request = RequestFactory().post("/")
    request.session, request.user = client.session, world.office
    factor.delete()
    authenticator_removed.send(sender=Authenticator, request=request, user=world.office, authenticator=factor)
    request.session.save()
    answer = client.get("/people/")
    assert answer.status_code == 302
    assert answer.url == reverse("mfa_index")
    assert elsewhere.get("/people/").url.startswith(reverse("account_login"))
