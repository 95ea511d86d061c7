"""What mails say of faults that are over before they go: each kind its own sentence, and nothing of what was none."""

from __future__ import annotations

from datetime import time

import pytest
from django.core import mail

from devices.models import Fault
from devices.rules.silence import ABSORBED
from maintenance.actions.notices import send_due
from tests.factories import NOW
from tests.maintenance.actions.noticing import HOUR, make_fault, make_rule, note, of_receiver, the_mail

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def end_before_it_goes(fault: Fault, **over: object) -> int:
    """Note a fault in the night, end it an hour later, and send what the morning sends."""
    note(fault)
    Fault.objects.filter(pk=fault.pk).update(**({"cleared_at": NOW + HOUR} | over))
    return send_due(at=NOW + 3 * HOUR)


@pytest.fixture(autouse=True)
def rule():
    return make_rule(from_time=time(12), to_time=time(17))


@pytest.mark.parametrize("kind", ["low_battery", "tamper", "trouble"])
def test_only_what_was_silent_asks_whether_somebody_called(world, kind):
    end_before_it_goes(make_fault(world.own_registration, kind))
    body = the_mail().body
    assert "Reported over." in body
    assert "called" not in body
    assert "What to do:" not in body
    html = the_mail().alternatives[0][0]
    assert "Reported over." in html
    assert "What to do:" not in html


def test_cells_that_were_changed_leave_nothing_to_do(world):
    fault = make_fault(world.own_registration, "low_battery")
    end_before_it_goes(fault, cause="cells changed")
    assert "Ended: its cells were changed. Nothing that we know of is left to do." in the_mail().body
    assert "It said that its battery was low." in the_mail().body


def test_a_latched_one_says_that_the_receiver_still_shows_it(world):
    fault = make_fault(world.own_registration, "low_battery", is_latched=True)
    end_before_it_goes(fault, cause="cells changed")
    assert "The receiver shows it until somebody clears it on site." in the_mail().body


def test_a_silence_that_goes_on_as_its_receivers_is_not_called_over(world):
    end_before_it_goes(make_fault(world.own_registration), cause="the receiver heard nothing")
    message = the_mail()
    assert "No longer told as such: missing" in message.subject
    assert "for 60 min; since then told of its receiver" in message.body
    assert "Told since then as: the receiver hears little or nothing." in message.body
    assert "over now" not in message.body
    assert "Nothing of it stands any more" not in message.body


@pytest.mark.parametrize("cause", ["check-ins that came in late show it was heard", "away, as agreed"])
def test_what_was_no_silence_after_all_is_told_to_nobody(world, cause):
    assert end_before_it_goes(make_fault(world.own_registration), cause=cause) == 0
    assert not mail.outbox


def test_a_receiver_that_was_deaf_for_an_hour_in_the_night_is_told_in_the_morning(world, rule):
    rule.duty = "receiver"
    rule.save()
    assert end_before_it_goes(of_receiver(world.own_receiver, found_by="watch")) == 1
    message = the_mail()
    assert "Over now: " in message.subject
    assert "Seen to be over. Meanwhile calls through this receiver may not have arrived" in message.body


def test_other_faults_of_a_receiver_that_are_over_are_told_to_nobody(world, rule):
    rule.duty = "receiver"
    rule.save()
    assert end_before_it_goes(of_receiver(world.own_receiver, "receiver_power")) == 0


@pytest.mark.parametrize("is_swept", [False, True])
def test_what_stands_again_after_its_mail_was_dropped_is_told_after_all(world, rule, is_swept):
    rule.from_time = rule.to_time = None
    rule.save()
    fault = make_fault(world.own_registration)
    note(fault)
    Fault.objects.filter(pk=fault.pk).update(cleared_at=fault.raised_at, cause=ABSORBED)
    send_due(at=NOW + HOUR)
    assert not mail.outbox
    # The receiver hears the others again, and this one is as silent as before: the same row stands again.
    Fault.objects.filter(pk=fault.pk).update(cleared_at=None, cause="")
    if not is_swept:
        note(fault, at=NOW + 2 * HOUR)
    send_due(at=NOW + 2 * HOUR)
    send_due(at=NOW + 3 * HOUR)
    assert "] missing: " in the_mail().subject
