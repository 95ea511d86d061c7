"""What pages say of faults: true counts, one clock, true ends, what is left, whom to ring; handing one over."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.urls import reverse

from company.models import ChangeRow, Contact
from devices.actions.faults import acknowledge_faults, clear_latched_faults
from devices.models import Fault, Output, ReceiverType, Registration
from maintenance.models import FaultNotice, NoticedFault, NoticeRule
from maintenance.querysets.faults import counted
from tests import factories
from tests.factories import NOW
from tests.maintenance.views.test_faults import HOUR, make_fault, of_receiver, text_of, url

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def page_of(world, fault, who="office"):
    name = "tech_fault_detail" if who == "technician" else "fault_detail"
    return text_of(world.client(who).get(url(name, fault.pk)))


# --- again ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("who", "name"), [("office", "fault_detail"), ("technician", "tech_fault_detail")])
def test_the_stories_of_a_fault_that_comes_again_lead_to_each_other(world, who, name):
    first = of_receiver(world.own_receiver, at=NOW - 3 * HOUR, cleared_at=NOW - 2 * HOUR)
    again = of_receiver(world.own_receiver, at=NOW - HOUR)
    make_fault(world.own_registration, at=NOW - 4 * HOUR, cleared_at=NOW - 3 * HOUR)
    earlier, later = page_of(world, first, who), page_of(world, again, who)
    assert "It came again" in earlier
    assert url(name, again.pk) in earlier
    assert "The one before was over" not in earlier
    assert "The one before was over" in later
    assert "after 60 min" in later
    assert url(name, first.pk) in later


# --- counts ---------------------------------------------------------------------------------------------------------------


def test_every_page_counts_the_same_and_a_receiver_with_life_safety_on_it_counts(world):
    make_fault(factories.make_registration(world.own_receiver, 2, duty="security"))
    of_receiver(world.own_receiver)
    make_fault(world.own_registration, "tamper", cleared_at=NOW, is_latched=True)
    assert counted(Fault.objects.all()) == {"n": 2, "n_new": 2, "n_grave": 1, "n_latched": 1}
    client = world.client("office")
    home = text_of(client.get(url("office_home")))
    assert "2 faults stand, 1 on life safety, none acknowledged." in home
    assert "1 more is over, to be cleared on site" in home
    tally = text_of(client.get(url("fault_list")))
    tally = tally[tally.index('class="tally"') : tally.index("</ul>", tally.index('class="tally"'))]
    assert "<b>2</b> standing" in tally
    assert '<b>1</b>&nbsp;<span class="duty duty--life-safety">on life safety' in tally
    assert "<b>1</b>&nbsp;over, to be cleared on site" in tally
    head = text_of(client.get(url("fault_panel", world.own_site.pk), HTTP_HX_REQUEST="true"))
    for words in ("2 faults stand", "1 on life safety", "1 over and to be cleared on site"):
        assert words in head


def test_a_receiver_on_which_no_life_safety_hangs_is_none(world):
    Registration.objects.update(duty="security")
    of_receiver(world.own_receiver)
    assert counted(Fault.objects.all())["n_grave"] == 0
    gone = world.own_registration
    Registration.objects.filter(pk=gone.pk).update(duty="life_safety", removed_at=NOW)
    assert counted(Fault.objects.all())["n_grave"] == 0


# --- ended faults ---------------------------------------------------------------------------------------------------------


def test_ended_faults_say_of_which_days_they_are_and_no_limit_is_none(world):
    row = world.own_registration
    old = make_fault(row, "trouble", at=NOW - timedelta(days=90), cleared_at=NOW - timedelta(days=80))
    client = world.client("office")
    by_link = text_of(client.get(url("fault_list", state="ended")))
    assert '<option value="30" selected>' in by_link
    assert url("fault_detail", old.pk) not in by_link
    assert url("fault_detail", old.pk) in text_of(client.get(url("fault_list", state="ended", days="")))


def test_ended_faults_stand_by_site_when_asked_and_only_the_first_of_each(world):
    for n in range(15):
        make_fault(world.own_registration, "tamper", at=NOW - n * HOUR - HOUR, cleared_at=NOW)
    text = text_of(world.client("office").get(url("fault_list", state="ended", group="")))
    assert '<tr class="group">' in text
    assert "15 ended" in text
    assert text.count('data-label="Known from"') == 12
    assert "All 15 at" in text
    flat = text_of(world.client("office").get(url("fault_list", state="ended")))
    assert '<option value="none" selected>' in flat
    assert '<tr class="group">' not in flat


# --- one clock ------------------------------------------------------------------------------------------------------------


@pytest.fixture
def far_site(world):
    site = world.own_site
    site.time_zone = "Australia/Sydney"
    site.save()
    return make_fault(world.own_registration, acknowledged_at=NOW, acknowledged_by=world.office)


def test_a_list_of_several_sites_tells_every_time_by_the_office_s_clock_and_says_so(world, far_site):
    text = text_of(world.client("office").get(url("fault_list")))
    assert "25 Nov 2026, 09:00" in text
    assert "25 Nov 2026, 20:00" not in text
    assert "Times are those of the office" in text


def test_a_list_of_one_site_and_a_fault_s_page_are_told_by_the_site_s_clock(world, far_site):
    client = world.client("office")
    for text in (text_of(client.get(url("fault_list", site=world.own_site.pk))), page_of(world, far_site)):
        assert "25 Nov 2026, 20:00" in text
        assert "25 Nov 2026, 21:00" in text
        assert "25 Nov 2026, 09:00" not in text
        assert "25 Nov 2026, 10:00" not in text
        assert "site time, Sydney" in text


def test_where_clocks_agree_none_is_named(world):
    make_fault(world.own_registration)
    assert "Times are" not in text_of(world.client("office").get(url("fault_list")))


# --- moved, ended, left -----------------------------------------------------------------------------------------------------


def test_a_fault_of_a_transmitter_that_moved_names_the_slot_where_it_is(world):
    row = world.own_registration
    fault = make_fault(row)
    row.removed_at = NOW
    row.save()
    factories.make_registration(world.own_receiver, 30, transmitter=row.transmitter, label="Linen room")
    for text in (text_of(world.client("office").get(url("fault_list"))), page_of(world, fault)):
        assert "slot 30, Linen room" in text
        assert "raised in slot 1, moved since" in text
        assert reverse("devices:slot_detail", args=[world.own_receiver.pk, 30]) in text
        assert reverse("devices:slot_detail", args=[world.own_receiver.pk, 1]) + '"' not in text
    Fault.objects.update(cleared_at=NOW)
    assert "slot 30" not in page_of(world, fault)


@pytest.mark.parametrize(
    ("cause", "words"),
    [
        ("cells changed", "its cells were changed"), ("no longer registered here", "it was taken out of its slot"),
        ("away, as agreed", "it is away, as agreed"), ("the transmitter was swapped", "the transmitter was swapped"),
    ],
)  # fmt: skip
def test_the_story_tells_the_end_that_is_on_record(world, cause, words):
    text = page_of(world, make_fault(world.own_registration, "low_battery", cleared_at=NOW, cause=cause))
    assert f"Ended: {words}" in text
    assert "Reported over" not in text


def test_after_a_swap_the_page_leads_to_what_waits_at_the_new_unit(world):
    old = world.own_receiver
    fault = of_receiver(old, cleared_at=NOW, cause="the receiver was swapped")
    old.removed_at = NOW
    old.save()
    new = factories.make_receiver(world.own_site, label="R1 new", replaces=old)
    factories.make_registration(new, 1, register_again_since=NOW)
    Output.objects.create(customer=world.own, receiver=new, number=9, test_again_since=NOW)
    text = page_of(world, fault)
    assert "1 slot waits to be registered again" in text
    assert "1 output has to be tested again" in text
    assert reverse("devices:receiver_progress", args=[new.pk]) in text
    assert "Nothing that we know of is left" not in text


def test_a_pendant_that_was_missing_for_two_days_leaves_a_question(world):
    fault = make_fault(world.own_registration, at=NOW - timedelta(days=2), cleared_at=NOW)
    assert "ask at the site whether somebody called and was not heard" in page_of(world, fault)
    short = make_fault(world.other_registration, at=NOW - HOUR / 10, cleared_at=NOW)
    assert "Nothing that we know of is left to do" in page_of(world, short)


def test_hours_on_a_standby_battery_are_promised_only_where_there_is_one(world):
    fault = of_receiver(world.own_receiver, "receiver_power")
    for has_one, words in ((False, "has no standby battery"), (True, "only until it is empty")):
        ReceiverType.objects.update(has_standby_battery=has_one)
        assert words in page_of(world, fault)


# --- who looks after it, whom to ring -------------------------------------------------------------------------------------


def test_a_fault_is_handed_over_and_back_with_the_log_to_tell(world):
    fault = make_fault(world.own_registration)
    acknowledge_faults(faults=[fault.pk], note="on my way", by=world.technician, at=NOW - HOUR)
    assert "Look after it myself" in page_of(world, fault)
    client = world.client("office")
    client.post(url("fault_acknowledge"), {"these": str(fault.pk), "take_over": "1", "note": "he is ill"})
    fault.refresh_from_db()
    assert (fault.acknowledged_by, fault.acknowledged_note, fault.acknowledged_at) == (world.office, "he is ill", NOW)
    last = ChangeRow.objects.filter(verb="acknowledge_fault").latest("pk")
    undo = reverse("company:change_undo", args=[last.pk])
    assert undo in page_of(world, fault)
    client.post(undo)
    fault.refresh_from_db()
    assert (fault.acknowledged_by, fault.acknowledged_note) == (world.technician, "on my way")
    assert fault.acknowledged_at == NOW - HOUR


def test_without_asking_for_it_nobody_takes_over_and_twice_is_once(world):
    fault = make_fault(world.own_registration)
    acknowledge_faults(faults=[fault.pk], note="", by=world.technician, at=NOW)
    assert acknowledge_faults(faults=[fault.pk], note="", by=world.office, at=NOW).faults == ()
    for n_changed in (1, 0):
        done = acknowledge_faults(faults=[fault.pk], note="mine", by=world.office, at=NOW, take_over=True)
        assert len(done.faults) == n_changed


def test_a_technician_takes_back_only_what_is_his(world):
    fault = make_fault(world.own_registration)
    acknowledge_faults(faults=[fault.pk], note="", by=world.office, at=NOW)
    assert "Take the acknowledging back" not in page_of(world, fault, "technician")
    acknowledge_faults(faults=[fault.pk], note="", by=world.technician, at=NOW, take_over=True)
    assert "Take the acknowledging back" in page_of(world, fault, "technician")


def test_nobody_looks_after_what_is_over(world):
    fault = make_fault(
        world.own_registration, cleared_at=NOW, acknowledged_at=NOW - HOUR, acknowledged_by=world.office
    )  # fmt: skip
    text = page_of(world, fault)
    assert "looks after it" not in text
    assert f"{world.office.name} acknowledged it on" in text


@pytest.mark.parametrize("who", ["office", "technician"])
def test_whom_to_ring_stands_with_the_number(world, who):
    fault = make_fault(world.own_registration)
    assert "No telephone number is on record" in page_of(world, fault, who)
    site = world.own_site
    site.phone, site.person_to_meet = "01632 960 117", "Matron Hale"
    site.save()
    Contact.objects.create(customer=world.own, name="Ines Carr", role="night desk", phone="01632 960 118")
    text = page_of(world, fault, who)
    for words in ("tel:01632960117", "Matron Hale", "Ines Carr", "tel:01632960118"):
        assert words in text
    # Whoever holds the telephone need not look for it.
    assert (text.index("tel:01632960117") < text.index("What it means")) is (who == "technician")


# --- the story ------------------------------------------------------------------------------------------------------------


def test_a_gathering_mail_is_not_told_before_the_fault_that_it_tells_of(world):
    fault = make_fault(world.own_registration)
    rule = NoticeRule.objects.create(duty="life_safety", recipients="night@example.org")
    notice = FaultNotice.objects.create(rule=rule, made_at=NOW - 3 * HOUR, send_at=NOW + HOUR, state="waiting")
    NoticedFault.objects.create(notice=notice, rule=rule, fault=fault, customer=world.own)
    text = page_of(world, fault)
    text = text[text.index("What happened") :]
    assert text.index("Raised") < text.index("night@example.org")


def test_clearing_the_receiver_gives_no_cause_to_what_is_still_there(world):
    fault = make_fault(world.own_registration, "low_battery", is_latched=True)
    over = make_fault(world.own_registration, "tamper", is_latched=True, cleared_at=NOW - HOUR / 2)
    clear_latched_faults(receiver=world.own_receiver, cause="covers closed", by=world.technician, at=NOW)
    fault.refresh_from_db()
    over.refresh_from_db()
    assert (fault.cause, over.cause) == ("", "covers closed")
    text = page_of(world, fault)
    assert "the receiver shows it until it is cleared" not in text
    assert "no longer: cleared on" in text
