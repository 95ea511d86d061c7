"""Mails about faults: noted with the faults, gathered, within a rule's hours, and what they say."""

from __future__ import annotations

from datetime import datetime, time, timedelta

import pytest
from django.core import mail

from devices.actions.faults import acknowledge_faults
from devices.models import Fault, ReceiverType
from maintenance.actions.notices import send_due
from maintenance.models import FaultNotice, NoticedFault
from tests import factories
from tests.factories import NOW
from tests.maintenance.actions.noticing import HOUR, MINUTE, make_fault, make_rule, note, of_receiver, the_mail

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


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


def test_a_mail_names_the_slot_where_the_transmitter_is_when_it_goes(world):
    make_rule()
    row = world.own_registration
    note(make_fault(row))
    row.removed_at = NOW
    row.save()
    factories.make_registration(world.own_receiver, 30, transmitter=row.transmitter, label="Linen room")
    send_due(at=NOW + MINUTE)
    assert "slot 30: Linen room" in the_mail().body
    assert "slot 1:" not in the_mail().body


def test_a_mail_promises_hours_on_a_standby_battery_only_where_there_is_one(world):
    ReceiverType.objects.update(has_standby_battery=False)
    make_rule("receiver")
    note(of_receiver(world.own_receiver, "receiver_power"))
    send_due(at=NOW + MINUTE)
    assert "has no standby battery" in the_mail().body
    assert "hours" not in the_mail().body


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


def _many(world, n, kind="missing"):
    rows = [factories.make_registration(world.own_receiver, 2 + i, duty="life_safety") for i in range(n)]
    return [make_fault(row, kind) for row in rows]


def test_a_mail_of_many_faults_begins_with_the_sites_and_says_each_instruction_once(world):
    make_rule()
    note(*_many(world, 12), *[make_fault(world.other_registration, "low_battery")])
    send_due(at=NOW + MINUTE)
    body = the_mail().body
    first = body[: body.index("*")]
    assert "13 faults at 2 sites:" in first
    assert f"- {world.own_site.name} ({world.own.name}): 12 missing" in first
    assert f"- {world.other_site.name} ({world.other.name}): 1 low battery" in first
    assert body.count("What to do:") == 2
    assert body.count("/faults/") >= 13
    assert the_mail().alternatives[0][0].count("What to do:") == 2


def test_a_mail_of_very_many_faults_is_bounded_and_says_how_many_more_and_where(world):
    make_rule()
    note(*_many(world, 229))
    send_due(at=NOW + MINUTE)
    body = the_mail().body
    assert "229 missing" in body
    assert len(body.splitlines()) < 130
    assert "And 189 more" in body
    # Said on top as well, with the way to them: nobody reads forty faults to learn that there are more.
    top = "\n".join(body.splitlines()[:6])
    assert "189 more stand here" in top
    assert "https://ledger.example.org/faults/" in top


def test_a_single_fault_is_told_without_a_summary_and_leads_to_its_own_page(world):
    make_rule()
    fault = make_fault(world.own_registration)
    note(fault)
    send_due(at=NOW + MINUTE)
    body = the_mail().body
    assert "faults at" not in body
    assert body.count(f"https://ledger.example.org/faults/{fault.pk}/") == 2


def test_a_mail_of_what_is_over_says_so_in_its_subject_and_asks_nobody_to_acknowledge(world):
    make_rule(from_time=time(12), to_time=time(17))
    faults = _many(world, 2)
    note(*faults)
    Fault.objects.update(cleared_at=NOW + HOUR)
    send_due(at=NOW + 3 * HOUR)
    assert "Over now: 2 faults" in the_mail().subject
    assert "Acknowledge here" not in the_mail().body
    assert "/faults/?state=ended" in the_mail().body


def test_hours_of_a_site_with_other_clocks_say_whose_they_are(world):
    make_rule()
    note(make_fault(world.own_registration))
    send_due(at=NOW + MINUTE)
    assert "site time" not in the_mail().body
    mail.outbox.clear()
    world.own_site.time_zone = "Australia/Sydney"
    world.own_site.save()
    note(make_fault(factories.make_registration(world.own_receiver, 9, duty="life_safety"), at=NOW))
    send_due(at=NOW + 5 * MINUTE)
    assert f"{world.own_site.name} ({world.own.name}), site time, Sydney" in the_mail().body


def test_what_stands_is_never_crowded_out_by_what_is_over(world):
    make_rule(from_time=time(12), to_time=time(17))
    over = _many(world, 45)
    stands = make_fault(factories.make_registration(world.own_receiver, 60, duty="life_safety"), "tamper")
    note(*over, stands)
    Fault.objects.exclude(pk=stands.pk).update(cleared_at=NOW + HOUR)
    send_due(at=NOW + 3 * HOUR)
    assert "tamper" in the_mail().subject
    assert f"/faults/{stands.pk}/" in the_mail().body
    assert "45 missing (45 over now)" in the_mail().body
