"""Mails about a receiver that hears and falls deaf, again and again: few, and each says how often."""

from __future__ import annotations

import pytest
from django.core import mail

from devices.models import Fault
from maintenance.actions.notices import send_due
from maintenance.models import FaultNotice
from tests.factories import NOW
from tests.maintenance.actions.noticing import HOUR, MINUTE, make_fault, make_rule, note, of_receiver, the_mail

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture(autouse=True)
def rule(world):
    return make_rule("receiver")


def falls_deaf(receiver, at):
    """It hears one round first."""
    Fault.objects.filter(receiver=receiver, kind="outage", cleared_at=None).update(cleared_at=at - MINUTE)
    outage = of_receiver(receiver, at=at, found_by="watch")
    note(outage, at=at)
    send_due(at=at + MINUTE)


def test_a_receiver_that_comes_and_goes_all_night_sends_a_handful_of_mails(world):
    for n in range(50):
        falls_deaf(world.own_receiver, NOW + n * 12 * MINUTE)
    assert len(mail.outbox) <= 13
    # Every one is on record, and what was held back is told in the next mail if it stands.
    assert Fault.objects.filter(kind="outage").count() == 50
    assert "It fell deaf " in mail.outbox[-1].body


def test_the_second_mail_says_how_often_and_since_when(world):
    falls_deaf(world.own_receiver, NOW)
    assert "It fell deaf" not in the_mail().body
    falls_deaf(world.own_receiver, NOW + 10 * MINUTE)
    assert len(mail.outbox) == 1
    send_due(at=NOW + 20 * MINUTE)
    assert "It fell deaf 2 times since 25 November" in " ".join(mail.outbox[1].body.split())


def test_a_receiver_that_stays_deaf_in_the_end_is_told_of_within_the_hour(world):
    for n in range(20):
        falls_deaf(world.own_receiver, NOW + n * 12 * MINUTE)
    last = NOW + 19 * 12 * MINUTE
    mail.outbox.clear()
    send_due(at=last + HOUR)
    assert "Not acknowledged" not in the_mail().subject


def test_the_next_night_it_is_told_at_once(world):
    falls_deaf(world.own_receiver, NOW)
    falls_deaf(world.own_receiver, NOW + 13 * HOUR)
    assert len(mail.outbox) == 2


def test_another_receiver_and_another_fault_hold_for_nobody(world):
    falls_deaf(world.own_receiver, NOW)
    falls_deaf(world.own_receiver, NOW + 5 * MINUTE)
    falls_deaf(world.other_receiver, NOW + 6 * MINUTE)
    assert len(mail.outbox) == 2
    assert "2 faults" in mail.outbox[1].subject


def test_what_is_held_back_waits_no_longer_than_news_that_comes_meanwhile(world):
    make_rule()
    falls_deaf(world.own_receiver, NOW)
    falls_deaf(world.own_receiver, NOW + 5 * MINUTE)
    power = of_receiver(world.own_receiver, "receiver_power", at=NOW + 6 * MINUTE)
    note(power, make_fault(world.own_registration), at=NOW + 6 * MINUTE)
    held = FaultNotice.objects.get(rule__duty="receiver", state="waiting")
    assert held.send_at <= NOW + 8 * MINUTE
