"""Mails about faults on their way: tried again, reminded, sent once although two send at the same time."""

from __future__ import annotations

import threading
from datetime import timedelta

import pytest
from django.core import mail
from django.db import connection, connections
from django.test import override_settings

from devices.actions.faults import acknowledge_faults
from devices.models import Fault
from maintenance.actions import notices
from maintenance.actions.notices import MOST_ATTEMPTS, NotTriedAgain, remind, send_due, try_again
from maintenance.models import FaultNotice, NoticeRule
from tests import factories
from tests.factories import NOW
from tests.maintenance.actions.noticing import (
    CONSOLE,
    HOUR,
    MINUTE,
    broken_server,
    make_fault,
    make_rule,
    note,
    of_receiver,
    the_mail,
)

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


# --- trying again ---------------------------------------------------------------------------------------------------------


def test_a_mail_that_fails_is_tried_again_after_growing_pauses_and_given_up_in_the_end(world, monkeypatch):
    make_rule()
    note(make_fault(world.own_registration))
    broken_server(monkeypatch)
    at, pauses = NOW + MINUTE, []
    for _ in range(MOST_ATTEMPTS):
        send_due(at=at)
        notice = FaultNotice.objects.get()
        pauses.append((notice.send_at - at) // MINUTE)
        at = notice.send_at
    assert pauses[:-1] == [1, 2, 4, 8, 16, 32, 60]
    assert (notice.state, notice.attempts) == ("failed", MOST_ATTEMPTS)
    assert "SMTPServerDisconnected: away" in notice.error
    assert send_due(at=at + timedelta(days=1)) == 0


def test_a_mail_given_up_is_sent_again_when_a_person_says_so(world, monkeypatch):
    make_rule()
    note(make_fault(world.own_registration))
    FaultNotice.objects.update(state="failed", attempts=MOST_ATTEMPTS)
    notice = FaultNotice.objects.get()
    try_again(notice=notice, by=world.office, at=NOW + HOUR)
    with pytest.raises(NotTriedAgain):
        try_again(notice=notice, by=world.office, at=NOW + HOUR)
    assert send_due(at=NOW + HOUR) == 1


def test_a_server_that_is_away_costs_one_mail_an_attempt_and_not_all(world, monkeypatch):
    make_rule()
    make_rule("receiver")
    note(make_fault(world.own_registration), of_receiver(world.own_receiver))
    broken_server(monkeypatch)
    send_due(at=NOW + MINUTE)
    assert sorted(FaultNotice.objects.values_list("attempts", flat=True)) == [0, 1]


def test_a_mail_that_cannot_be_written_holds_up_no_other(world, monkeypatch):
    make_rule()
    make_rule("receiver")
    note(make_fault(world.own_registration), of_receiver(world.own_receiver))
    written = notices.compose

    def stumble(notice, faults, at):
        if notice.rule.duty == "life_safety":
            raise ValueError("broken")
        return written(notice, faults, at)

    monkeypatch.setattr(notices, "compose", stumble)
    assert send_due(at=NOW + MINUTE) == 1
    assert "ValueError: broken" in FaultNotice.objects.get(rule__duty="life_safety").error


def test_without_a_mail_server_notices_wait_and_go_once_there_is_one(world):
    make_rule()
    note(make_fault(world.own_registration))
    with override_settings(EMAIL_BACKEND=CONSOLE):
        assert send_due(at=NOW + HOUR) == 0
    notice = FaultNotice.objects.get()
    assert (notice.state, notice.attempts) == ("waiting", 0)
    assert send_due(at=NOW + 2 * HOUR) == 1


def test_a_sender_that_died_is_followed_by_another_after_a_while(world):
    make_rule()
    note(make_fault(world.own_registration))
    pk = FaultNotice.objects.get().pk
    assert notices._claim(pk, NOW + MINUTE) == 1  # and then it dies
    assert send_due(at=NOW + 2 * MINUTE) == 0
    assert send_due(at=NOW + MINUTE + notices.CLAIM) == 1


def test_a_notice_in_a_senders_hand_takes_no_further_fault(world):
    make_rule()
    note(make_fault(world.own_registration))
    notices._claim(FaultNotice.objects.get().pk, NOW + MINUTE)
    note(make_fault(world.other_registration), at=NOW + MINUTE)
    assert FaultNotice.objects.count() == 2


# --- reminders ------------------------------------------------------------------------------------------------------------


def test_while_nobody_acknowledges_reminders_come_ever_less_often(world):
    make_rule(again_s=1800)
    note(make_fault(world.own_registration))
    sent = []
    for minute in range(1, 60 * 9, 10):
        if send_due(at=NOW + minute * MINUTE):
            sent.append(minute)
    assert sent == [1, 31, 91, 211, 451]
    assert mail.outbox[1].subject.startswith("[Our firm] Not acknowledged yet: missing")


def test_a_reminder_tells_only_of_what_stands_still(world):
    make_rule(again_s=1800)
    over = make_fault(world.own_registration)
    stands = make_fault(factories.make_registration(world.own_receiver, 9, duty="life_safety"))
    note(over, stands)
    send_due(at=NOW + MINUTE)
    mail.outbox.clear()
    (rule,) = NoticeRule.objects.all()
    assert remind(rule=rule, at=NOW + HOUR) == 2
    Fault.objects.filter(pk=over.pk).update(cleared_at=NOW + HOUR)
    send_due(at=NOW + HOUR + MINUTE)
    assert f"/faults/{stands.pk}/" in the_mail().body
    assert f"/faults/{over.pk}/" not in the_mail().body


def test_a_reminder_of_what_has_ended_meanwhile_does_not_go(world):
    make_rule(again_s=1800)
    fault = make_fault(world.own_registration)
    note(fault)
    send_due(at=NOW + MINUTE)
    mail.outbox.clear()
    (rule,) = NoticeRule.objects.all()
    remind(rule=rule, at=NOW + HOUR)
    Fault.objects.filter(pk=fault.pk).update(cleared_at=NOW + HOUR)
    assert send_due(at=NOW + HOUR + MINUTE) == 0
    assert not mail.outbox
    assert FaultNotice.objects.order_by("-pk")[0].state == "dropped"


def test_acknowledging_ends_the_reminders(world):
    make_rule(again_s=1800)
    fault = make_fault(world.own_registration)
    note(fault)
    send_due(at=NOW + MINUTE)
    acknowledge_faults(faults=[fault.pk], note="", by=world.office, at=NOW + 2 * MINUTE)
    assert send_due(at=NOW + 2 * HOUR) == 0


def test_reminders_come_together(world):
    rule = make_rule(again_s=1800)
    first = make_fault(world.own_registration)
    note(first)
    send_due(at=NOW + MINUTE)
    second = make_fault(world.other_registration, at=NOW + 10 * MINUTE)
    note(second, at=NOW + 10 * MINUTE)
    send_due(at=NOW + 11 * MINUTE)
    assert remind(rule=rule, at=NOW + 31 * MINUTE) == 2
    assert remind(rule=rule, at=NOW + 31 * MINUTE) == 0


def test_a_rule_without_reminders_sends_one_mail(world):
    make_rule()
    note(make_fault(world.own_registration))
    assert sum(send_due(at=NOW + hour * HOUR) for hour in range(1, 72)) == 1


# --- two at once ----------------------------------------------------------------------------------------------------------


def at_once(*deeds):
    """Do things in threads of their own, begun together; gives what they gave, or raised."""
    barrier, results = threading.Barrier(len(deeds)), [None] * len(deeds)

    def run(n, deed):
        barrier.wait()
        try:
            results[n] = deed()
        except Exception as failure:
            results[n] = failure
        finally:
            connections.close_all()

    threads = [threading.Thread(target=run, args=(n, deed)) for n, deed in enumerate(deeds)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return results


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="an in-memory database has one connection")
def test_of_two_senders_at_once_one_sends(world):
    make_rule()
    note(make_fault(world.own_registration))
    results = at_once(*[lambda: send_due(at=NOW + MINUTE)] * 4)
    assert sorted(results) == [0, 0, 0, 1]
    assert len(mail.outbox) == 1


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="an in-memory database has one connection")
def test_of_four_that_note_at_once_one_notice_comes(world):
    make_rule()
    fault = make_fault(world.own_registration)
    assert sorted(at_once(*[lambda: note(fault)] * 4)) == [0, 0, 0, 1]
    assert FaultNotice.objects.count() == 1
