"""Mails that the mail server takes for some recipients only: who got them, who not, and what a person can do."""

from __future__ import annotations

import smtplib

import pytest
from django.core.mail.backends import smtp
from django.test import override_settings
from django.urls import reverse

from maintenance.actions.notice_rules import TestNotSent as NotSent
from maintenance.actions.notice_rules import try_notice_rule
from maintenance.actions.notices import send_due
from maintenance.models import FaultNotice, NoticeRule
from tests.factories import NOW
from tests.maintenance.actions.noticing import HOUR, make_fault, make_rule, note

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


class Server:
    """A mail server that knows some mailboxes; it keeps whom each mail was for."""

    known = ()
    taken: list[list[str]] = []

    def __init__(self, *args, **options):
        pass

    def sendmail(self, sender, recipients, message):
        refused = {one: (550, b"5.1.1 no such\nmailbox") for one in recipients if one not in self.known}
        if len(refused) == len(recipients):
            raise smtplib.SMTPRecipientsRefused(refused)
        self.taken.append([one for one in recipients if one in self.known])
        return refused

    def quit(self):
        pass


@pytest.fixture
def server(monkeypatch):
    monkeypatch.setattr(smtp.EmailBackend, "connection_class", Server)
    monkeypatch.setattr(Server, "known", ("day@example.org",))
    monkeypatch.setattr(Server, "taken", [])
    with override_settings(EMAIL_BACKEND="django.core.mail.backends.smtp.EmailBackend", EMAIL_HOST="mail.example.org"):
        yield Server


@pytest.fixture
def notice(world, server):
    make_rule()
    note(make_fault(world.own_registration))
    assert send_due(at=NOW + HOUR) == 1
    return FaultNotice.objects.get()


def test_the_log_says_who_got_it_and_who_not(notice, server):
    assert server.taken == [["day@example.org"]]
    assert (notice.state, notice.recipients) == ("sent", "day@example.org")
    assert notice.error == "The mail server refused it for night@example.org (550 5.1.1 no such mailbox)"


def test_the_office_is_warned_as_of_a_mail_that_failed(world, notice):
    client = world.client("office")
    for page in (reverse("maintenance:notice_list"), reverse("maintenance:notice_rule_list"), "/"):
        text = client.get(page, follow=True).content.decode()
        assert "did not reach all of its recipients" in text, page
        assert "night@example.org (550 5.1.1 no such mailbox)" in text
    detail = client.get(reverse("maintenance:notice_detail", args=[notice.uuid])).content.decode()
    assert "not sent to everybody" in detail
    assert "Who did not get it" in detail
    assert "Try again" in detail


def test_a_mail_that_all_took_warns_of_nothing(world, server):
    server.known = ("day@example.org", "night@example.org")
    make_rule()
    note(make_fault(world.own_registration))
    send_due(at=NOW + HOUR)
    assert FaultNotice.objects.get().error == ""
    assert "did not reach all" not in world.client("office").get(reverse("maintenance:notice_list")).content.decode()


def test_tried_again_it_goes_to_those_alone_who_have_not_got_it(world, notice, server):
    NoticeRule.objects.update(recipients="nights@example.org\nday@example.org")
    server.known = ("day@example.org", "nights@example.org")
    world.client("office").post(reverse("maintenance:notice_again", args=[notice.uuid]))
    assert send_due(at=NOW + 2 * HOUR) == 1
    assert server.taken == [["day@example.org"], ["nights@example.org"]]
    notice.refresh_from_db()
    assert (notice.state, notice.error) == ("sent", "")
    assert notice.recipients.split() == ["day@example.org", "nights@example.org"]


def test_what_is_new_meanwhile_goes_to_all_in_a_mail_of_its_own(world, notice, server):
    NoticeRule.objects.update(recipients="nights@example.org\nday@example.org")
    server.known = ("day@example.org", "nights@example.org")
    world.client("office").post(reverse("maintenance:notice_again", args=[notice.uuid]))
    note(make_fault(world.own_registration, "tamper"), at=NOW + HOUR)
    send_due(at=NOW + 2 * HOUR)
    assert server.taken[2:] == [["nights@example.org", "day@example.org"]]


def test_tried_again_without_the_wrong_address_nothing_is_left_to_send(world, notice, server):
    NoticeRule.objects.update(recipients="day@example.org")
    world.client("office").post(reverse("maintenance:notice_again", args=[notice.uuid]))
    send_due(at=NOW + 2 * HOUR)
    notice.refresh_from_db()
    assert (notice.state, notice.error, server.taken) == ("sent", "", [["day@example.org"]])


def test_refused_for_all_it_is_tried_again_by_itself(world, server):
    server.known = ()
    make_rule()
    note(make_fault(world.own_registration))
    assert send_due(at=NOW + HOUR) == 0
    assert FaultNotice.objects.get().state == "waiting"


def test_a_test_mail_says_whom_it_did_not_reach(world, server):
    with pytest.raises(NotSent, match=r"refused it for night@example.org .* It went to day@example.org"):
        try_notice_rule(rule=make_rule(), by=world.office, at=NOW)
