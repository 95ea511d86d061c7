"""Mails about faults: noted with the faults, gathered, within a rule's hours, sent once, tried again, reminded."""

from __future__ import annotations

import threading
from datetime import datetime, time, timedelta
from smtplib import SMTPServerDisconnected

import pytest
from django.core import mail
from django.db import connection, connections
from django.test import override_settings

from devices.actions.faults import acknowledge_faults
from devices.models import Fault
from maintenance.actions import notices
from maintenance.actions.notices import MOST_ATTEMPTS, NotTriedAgain, note_faults, remind, send_due, try_again
from maintenance.models import FaultNotice, NoticedFault, NoticeRule
from tests import factories
from tests.factories import NOW

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
CONSOLE = "django.core.mail.backends.console.EmailBackend"


def make_rule(duty="life_safety", **over):
    fields = {"duty": duty, "recipients": "night@example.org\nday@example.org", "created_at": NOW - timedelta(days=9)}
    return NoticeRule.objects.create(**(fields | over))


def make_fault(row, kind="missing", at=NOW, **over):
    fields = {
        "customer": row.customer, "site": row.site, "receiver": row.receiver, "registration": row,
        "transmitter": row.transmitter, "kind": kind, "raised_at": at, "recorded_at": at,
    }  # fmt: skip
    return Fault.objects.create(**(fields | over))


def of_receiver(receiver, kind="outage", at=NOW, **over):
    return Fault.objects.create(
        customer=receiver.customer, site=receiver.site, receiver=receiver, kind=kind, raised_at=at, recorded_at=at, **over
    )  # fmt: skip


def note(*faults, at=NOW):
    return note_faults(fault_ids=[fault.pk for fault in faults], at=at)


def the_mail():
    (message,) = mail.outbox
    return message


def broken_server(monkeypatch, failure=None):
    def fail(message):
        raise failure or SMTPServerDisconnected("away")

    monkeypatch.setattr(notices, "deliver", fail)


# --- noting ---------------------------------------------------------------------------------------------------------------


def test_a_fault_of_a_slot_goes_to_the_rule_of_its_duty_and_one_of_a_receiver_to_that_of_receivers(world):
    life, receivers = make_rule(), make_rule("receiver")
    make_rule("security")
    fault, outage = make_fault(world.own_registration), of_receiver(world.own_receiver)
    assert note(fault, outage) == 2
    told = {(row.rule_id, row.fault_id) for row in NoticedFault.objects.all()}
    assert told == {(life.pk, fault.pk), (receivers.pk, outage.pk)}


def test_a_rule_of_a_customer_tells_of_nobody_elses_faults(world):
    rule = make_rule(customer=world.own)
    note(make_fault(world.own_registration), make_fault(world.other_registration))
    assert [row.customer_id for row in NoticedFault.objects.filter(rule=rule)] == [world.own.pk]


def test_faults_that_come_within_a_while_go_into_one_mail(world):
    make_rule(group_s=300)
    first, second = make_fault(world.own_registration), make_fault(world.other_registration)
    note(first)
    note(second, at=NOW + 2 * MINUTE)
    notice = FaultNotice.objects.get()
    assert notice.send_at == NOW + 5 * MINUTE
    assert send_due(at=NOW + 4 * MINUTE) == 0
    assert send_due(at=NOW + 5 * MINUTE) == 1
    assert the_mail().to == ["night@example.org", "day@example.org"]
    assert "2 faults" in the_mail().subject


def test_noting_twice_tells_once(world):
    make_rule()
    fault = make_fault(world.own_registration)
    assert note(fault) == 1
    assert note(fault, fault) == 0
    send_due(at=NOW + HOUR)
    assert note(fault, at=NOW + HOUR) == 0
    send_due(at=NOW + 2 * HOUR)
    assert len(mail.outbox) == 1


def test_a_rule_that_is_off_or_without_addresses_tells_nobody(world):
    make_rule(is_active=False)
    make_rule(recipients="")
    assert note(make_fault(world.own_registration)) == 0


def test_what_was_over_long_before_it_reached_us_is_history(world):
    make_rule()
    old = NOW - timedelta(days=20)
    fault = make_fault(world.own_registration, at=old, cleared_at=old + 5 * HOUR, recorded_at=NOW)
    assert note(fault) == 0


def test_an_acknowledged_fault_is_told_to_nobody(world):
    make_rule()
    fault = make_fault(world.own_registration)
    acknowledge_faults(faults=[fault.pk], note="", by=world.office, at=NOW)
    assert note(fault) == 0


def test_a_fault_whose_word_was_lost_is_found_and_told_by_the_sender(world):
    make_rule()
    make_fault(world.own_registration, at=NOW - 10 * MINUTE)
    send_due(at=NOW)
    assert send_due(at=NOW + 2 * MINUTE) == 1


def test_what_stood_before_a_rule_was_made_is_not_sent_after_the_fact(world):
    make_fault(world.own_registration, at=NOW - 10 * MINUTE)
    make_rule(created_at=NOW)
    send_due(at=NOW)
    assert not FaultNotice.objects.exists()


# --- hours ----------------------------------------------------------------------------------------------------------------


def test_outside_the_hours_a_mail_waits_for_the_morning_by_the_firms_clock(world):
    make_rule("security", weekdays="01234", from_time=time(8), to_time=time(17))
    row = factories.make_registration(world.own_receiver, 2, duty="security")
    friday = datetime(2026, 11, 27, 17, 30, tzinfo=NOW.tzinfo)
    note(make_fault(row, at=friday), at=friday)
    assert FaultNotice.objects.get().send_at == datetime(2026, 11, 30, 8, 0, tzinfo=NOW.tzinfo)


def test_on_the_night_when_clocks_go_forward_the_morning_is_an_hour_nearer(world):
    make_rule(from_time=time(7), to_time=time(22))
    saturday = datetime(2027, 3, 27, 22, 30, tzinfo=NOW.tzinfo)
    note(make_fault(world.own_registration, at=saturday), at=saturday)
    assert FaultNotice.objects.get().send_at == datetime(2027, 3, 28, 6, 0, tzinfo=NOW.tzinfo)


def test_hours_over_midnight_belong_to_the_day_they_begin_on(world):
    make_rule(weekdays="4", from_time=time(22), to_time=time(6))
    saturday = datetime(2026, 11, 28, 3, 0, tzinfo=NOW.tzinfo)
    note(make_fault(world.own_registration, at=saturday), at=saturday)
    assert FaultNotice.objects.get().send_at == saturday + MINUTE


def test_a_short_fault_that_is_over_before_its_mail_goes_is_dropped(world):
    make_rule("security", from_time=time(12), to_time=time(17))
    row = factories.make_registration(world.own_receiver, 2, duty="security")
    fault = make_fault(row)
    note(fault)
    Fault.objects.filter(pk=fault.pk).update(cleared_at=NOW + HOUR)
    assert send_due(at=NOW + 3 * HOUR) == 0
    assert FaultNotice.objects.get().state == "dropped"
    assert not mail.outbox


def test_life_safety_that_was_down_for_hours_is_told_although_it_is_over(world):
    make_rule(from_time=time(12), to_time=time(17))
    fault = make_fault(world.own_registration)
    note(fault)
    Fault.objects.filter(pk=fault.pk).update(cleared_at=NOW + HOUR)
    assert send_due(at=NOW + 3 * HOUR) == 1
    assert "for 60 min; over now" in the_mail().body
    assert "somebody called and was not heard" in the_mail().body


def test_life_safety_that_was_down_for_minutes_only_is_not_told(world):
    make_rule(from_time=time(12), to_time=time(17))
    fault = make_fault(world.own_registration)
    note(fault)
    Fault.objects.filter(pk=fault.pk).update(cleared_at=NOW + 14 * MINUTE)
    assert send_due(at=NOW + 3 * HOUR) == 0


def test_acknowledged_before_it_went_a_mail_is_dropped_and_comes_again_when_that_is_taken_back(world):
    from company.undo import undo_batch

    make_rule()
    fault = make_fault(world.own_registration)
    note(fault)
    done = acknowledge_faults(faults=[fault.pk], note="", by=world.office, at=NOW)
    assert send_due(at=NOW + MINUTE) == 0
    undo_batch(batch=done.deed, by=world.office, at=NOW + 2 * MINUTE)
    send_due(at=NOW + 3 * MINUTE)
    assert send_due(at=NOW + 5 * MINUTE) == 1


def test_a_rule_switched_off_meanwhile_sends_nothing_more(world):
    rule = make_rule()
    note(make_fault(world.own_registration))
    rule.is_active = False
    rule.save()
    assert send_due(at=NOW + HOUR) == 0
    assert "switched off" in FaultNotice.objects.get().error


# --- the mail -------------------------------------------------------------------------------------------------------------


def test_the_subject_says_how_many_and_the_worst_and_the_body_goes_by_site(world):
    make_rule()
    mild = make_fault(world.own_registration, "tamper", at=NOW - HOUR)
    note(mild, make_fault(world.other_registration))
    send_due(at=NOW + MINUTE)
    message = the_mail()
    assert "2 faults, the worst: missing" in message.subject
    assert world.other_site.name in message.subject
    body = message.body
    assert body.index(world.other_site.name) < body.index(world.own_site.name)
    assert f"https://ledger.example.org/faults/{mild.pk}/" in body
    assert "no alarm transmission" in body
    assert "/faults/mails/rules/" in body
    (html, kind) = message.alternatives[0]
    assert kind == "text/html"
    assert "style=" not in html


def test_names_of_places_cannot_write_html_or_headers_of_a_mail(world):
    make_rule()
    world.own_registration.label = "Room <b>4</b> & son"
    world.own_registration.save()
    world.own_site.name = "Quay\nBcc: all@example.org"
    world.own_site.save()
    note(make_fault(world.own_registration))
    send_due(at=NOW + MINUTE)
    assert "\n" not in the_mail().subject
    assert "Room &lt;b&gt;4&lt;/b&gt; &amp; son" in the_mail().alternatives[0][0]
    assert "Room <b>4</b> & son" in the_mail().body


def test_a_deaf_receiver_says_how_much_hangs_on_it(world):
    make_rule("receiver")
    note(of_receiver(world.own_receiver))
    send_due(at=NOW + MINUTE)
    assert "1 slot on life safety hangs on it." in the_mail().body


def test_hours_in_a_mail_are_by_the_clock_of_the_site(world):
    make_rule()
    world.own_site.time_zone = "America/New_York"
    world.own_site.save()
    note(make_fault(world.own_registration))
    send_due(at=NOW + MINUTE)
    assert "25 November 2026, 05:00" in the_mail().body


def test_what_was_sent_is_kept_word_for_word_with_its_addresses(world):
    rule = make_rule()
    note(make_fault(world.own_registration))
    send_due(at=NOW + MINUTE)
    rule.recipients = "other@example.org"
    rule.save()
    notice = FaultNotice.objects.get()
    assert (notice.state, notice.sent_at, notice.recipients) == (
        "sent", NOW + MINUTE, "night@example.org\nday@example.org"
    )  # fmt: skip
    assert notice.body == the_mail().body


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
