"""Who is told of faults: rules offered, written, switched, removed, tried; and the log of mails."""

from __future__ import annotations

import re
from datetime import time, timedelta

import pytest
from django.core import mail
from django.test import override_settings
from django.urls import reverse

from company.models import ChangeRow
from maintenance.models import FaultNotice, NoticeRule
from tests.factories import NOW

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

CONSOLE = "django.core.mail.backends.console.EmailBackend"


def url(name, *args):
    return reverse(f"maintenance:{name}", args=args)


def text_of(response):
    return response.content.decode()


def typed(**over):
    fields = {
        "duty": "life_safety", "customer": "", "recipients": "night@example.org", "weekdays": list("0123456"),
        "from_time": "", "to_time": "", "group_min": "1", "again_min": "30", "note": "", "seen_before": "",
    }  # fmt: skip
    return fields | over


def make_rule(**over):
    return NoticeRule.objects.create(**({"duty": "security", "recipients": "a@example.org", "created_at": NOW} | over))


def undo_last(client):
    change = ChangeRow.objects.order_by("-pk").first()
    return client.post(reverse("company:change_undo", args=[change.pk]), follow=True)


# --- beginning ------------------------------------------------------------------------------------------------------------


def test_rules_are_offered_and_nothing_is_on_before_somebody_chose_them(world):
    client = world.client("manager")
    text = text_of(client.get(url("notice_rule_list")))
    assert "Life safety, at any hour, to 1 address" in text
    assert "Monday to Friday from 08:00 to 17:00" in text
    assert not NoticeRule.objects.exists()
    client.post(url("notice_rule_offers"), {"recipients": "night@example.org\nday@example.org"})
    assert NoticeRule.objects.filter(is_active=True).count() == 4
    assert "to 2 addresses" in text_of(client.get(url("notice_rule_list")))


def test_the_offer_pressed_twice_is_taken_once_and_can_be_taken_back(world):
    client = world.client("manager")
    client.post(url("notice_rule_offers"), {"recipients": "night@example.org"})
    again = client.post(url("notice_rule_offers"), {"recipients": "night@example.org"})
    assert again.status_code == 422
    assert NoticeRule.objects.count() == 4
    batch = ChangeRow.objects.filter(verb="save_notice_rule").first().batch
    client.post(reverse("company:change_undo_batch", args=[batch]))
    assert not NoticeRule.objects.exists()


def test_the_office_reads_who_is_told_and_changes_nothing(world):
    rule = make_rule()
    client = world.client("office")
    text = text_of(client.get(url("notice_rule_list")))
    assert "a@example.org" in text
    assert url("notice_rule_switch", rule.pk) not in text
    assert client.post(url("notice_rule_switch", rule.pk), {"on": "0"}).status_code == 404


# --- writing --------------------------------------------------------------------------------------------------------------


def test_a_rule_is_written_said_in_words_and_taken_back(world):
    client = world.client("manager")
    answer = client.post(
        url("notice_rule_new"), typed(weekdays=["4"], from_time="22:00", to_time="06:00", again_min=""), follow=True
    )
    assert "Life safety, Friday from 22:00 to 06:00 the next day" in text_of(answer)
    rule = NoticeRule.objects.get()
    assert (rule.weekdays, rule.from_time, rule.to_time, rule.group_s, rule.again_s) == (
        "4",
        time(22),
        time(6),
        60,
        None,
    )
    undo_last(client)
    assert not NoticeRule.objects.exists()


def test_said_in_words_only_nothing_is_saved(world):
    answer = world.client("manager").post(url("notice_rule_new"), typed(preview="1", duty="security"))
    assert answer.status_code == 200
    assert "not saved yet" in text_of(answer)
    assert "Security, at any hour" in text_of(answer)
    assert not NoticeRule.objects.exists()


@pytest.mark.parametrize(
    ("over", "words"),
    [
        ({"recipients": ""}, "Give at least one address"),
        ({"recipients": "night@example.org\nnobody"}, "is no mail address"),
        ({"recipients": "\n".join(f"n{n}@example.org" for n in range(21))}, "At most 20 addresses"),
        ({"weekdays": []}, "Tick at least one day"),
        ({"weekdays": ["9"]}, "9"),
        ({"from_time": "08:00"}, "Give both hours"),
        ({"from_time": "08:00", "to_time": "08:00"}, "are the same hour"),
        ({"again_min": "1"}, "greater than or equal to 5"),
        ({"group_min": "x"}, "whole number"),
        ({"customer": "99999999"}, "valid choice"),
    ],
)
def test_a_bad_rule_is_told_what_to_do_and_changes_nothing(world, over, words):
    answer = world.client("manager").post(url("notice_rule_new"), typed(**over))
    assert answer.status_code == 422
    assert words in text_of(answer)
    assert not NoticeRule.objects.exists()


def test_the_same_rule_sent_twice_is_kept_once(world):
    client = world.client("manager")
    client.post(url("notice_rule_new"), typed())
    again = client.post(url("notice_rule_new"), typed())
    assert again.status_code == 422
    assert NoticeRule.objects.count() == 1


def test_a_rule_changed_by_somebody_else_meanwhile_is_not_overwritten_unseen(world):
    rule = make_rule()
    client = world.client("manager")
    form = client.get(url("notice_rule_edit", rule.pk)).context["form"]
    seen = form["seen_before"].value()
    NoticeRule.objects.update(note="mine")
    answer = client.post(url("notice_rule_edit", rule.pk), typed(seen_before=seen))
    assert answer.status_code == 422
    assert "changed after you opened the page" in text_of(answer)
    rule.refresh_from_db()
    assert (rule.note, rule.duty) == ("mine", "security")


def test_a_changed_rule_goes_back_to_what_it_was(world):
    rule = make_rule(from_time=time(8), to_time=time(17))
    client = world.client("manager")
    seen = client.get(url("notice_rule_edit", rule.pk)).context["form"]["seen_before"].value()
    client.post(url("notice_rule_edit", rule.pk), typed(seen_before=seen))
    rule.refresh_from_db()
    assert rule.duty == "life_safety"
    undo_last(client)
    rule.refresh_from_db()
    assert (rule.duty, rule.from_time, rule.recipients) == ("security", time(8), "a@example.org")


# --- switching, removing, trying ------------------------------------------------------------------------------------------


def test_a_rule_is_switched_off_and_on_and_twice_is_once(world):
    rule = make_rule()
    client = world.client("manager")
    client.post(url("notice_rule_switch", rule.pk), {"on": "0"})
    client.post(url("notice_rule_switch", rule.pk), {"on": "0"})
    rule.refresh_from_db()
    assert not rule.is_active
    assert ChangeRow.objects.filter(verb="switch_notice_rule").count() == 1
    undo_last(client)
    rule.refresh_from_db()
    assert rule.is_active


def test_a_removed_rule_comes_back_with_its_number(world):
    rule = make_rule(from_time=time(22), to_time=time(6), customer=world.own)
    client = world.client("manager")
    client.post(url("notice_rule_remove", rule.pk))
    assert not NoticeRule.objects.exists()
    undo_last(client)
    back = NoticeRule.objects.get(pk=rule.pk)
    assert (back.from_time, back.to_time, back.customer, back.recipients) == (
        time(22),
        time(6),
        world.own,
        "a@example.org",
    )


def test_a_rule_with_mails_is_switched_off_and_not_removed(world):
    rule = make_rule()
    FaultNotice.objects.create(rule=rule, send_at=NOW, state="sent")
    answer = world.client("manager").post(url("notice_rule_remove", rule.pk), follow=True)
    assert "Switch it off instead" in text_of(answer)
    assert NoticeRule.objects.exists()


def test_a_test_mail_goes_to_the_addresses_of_the_rule(world):
    rule = make_rule(recipients="a@example.org\nb@example.org")
    answer = world.client("manager").post(url("notice_rule_test", rule.pk), follow=True)
    (message,) = mail.outbox
    assert message.to == ["a@example.org", "b@example.org"]
    assert "Nothing is wrong" in message.body
    assert "a@example.org, b@example.org" in text_of(answer)


@override_settings(EMAIL_BACKEND=CONSOLE)
def test_without_a_mail_server_the_pages_say_so_and_no_test_is_offered(world):
    rule = make_rule()
    client = world.client("manager")
    text = text_of(client.get(url("notice_rule_list")))
    assert "No mail server is set" in text
    assert url("notice_rule_test", rule.pk) not in text
    answer = client.post(url("notice_rule_test", rule.pk), follow=True)
    assert "no mail can go" in text_of(answer)
    assert not ChangeRow.objects.filter(verb="try_notice_rule").exists()


def test_what_the_mail_server_refuses_is_said(world, monkeypatch):
    from maintenance.actions import notice_rules

    def fail(message):
        raise ConnectionRefusedError("refused")

    monkeypatch.setattr(notice_rules, "deliver", fail)
    answer = world.client("manager").post(url("notice_rule_test", make_rule().pk), follow=True)
    assert "did not take the test mail: refused" in text_of(answer)


# --- the log --------------------------------------------------------------------------------------------------------------


def test_a_mail_given_up_is_shown_with_why_and_sent_again_by_hand(world):
    notice = FaultNotice.objects.create(
        rule=make_rule(), send_at=NOW, state="failed", attempts=8, error="SMTPServerDisconnected: away"
    )
    client = world.client("office")
    text = text_of(client.get(url("notice_list") + "?state=failed"))
    assert "SMTPServerDisconnected: away" in text
    client.post(url("notice_again", notice.uuid))
    notice.refresh_from_db()
    assert (notice.state, notice.attempts, notice.error) == ("waiting", 0, "")
    again = client.post(url("notice_again", notice.uuid), follow=True)
    assert "Only a mail that could not be sent" in text_of(again)


def test_a_mail_can_be_read_as_it_was_sent(world):
    notice = FaultNotice.objects.create(
        rule=make_rule(), send_at=NOW, state="sent", sent_at=NOW, subject="Missing: Quay", body="As <it> was",
        recipients="then@example.org",
    )  # fmt: skip
    text = text_of(world.client("office").get(url("notice_detail", notice.uuid)))
    assert "As &lt;it&gt; was" in text
    assert "then@example.org" in text
    assert "a@example.org" not in text


def test_an_empty_log_says_what_fills_it(world):
    assert "Nobody is told of faults yet" in text_of(world.client("office").get(url("notice_list")))
    make_rule()
    assert "No mail yet" in text_of(world.client("office").get(url("notice_list")))


def test_a_new_rule_has_every_day_ticked_and_reminds_after_half_an_hour(world):
    page = text_of(world.client("manager").get(url("notice_rule_new")))
    ticked = [box for box in re.findall(r"<input[^>]*name=\"weekdays\"[^>]*>", page) if "checked" in box]
    assert len(ticked) == 7
    (again,) = re.findall(r"<input[^>]*name=\"again_min\"[^>]*>", page)
    assert 'value="30"' in again


@pytest.mark.parametrize("blank", [" ", ",", "\n ; \n"])
def test_addresses_that_are_blank_are_asked_for_in_our_words(world, blank):
    answer = world.client("manager").post(url("notice_rule_new"), typed(recipients=blank))
    assert answer.status_code == 422
    assert "Give at least one address" in text_of(answer)
    assert "cannot be blank" not in text_of(answer)


def test_the_test_of_a_rule_that_is_off_says_so_on_the_page_and_in_the_mail(world):
    rule = make_rule(is_active=False)
    page = text_of(world.client("manager").post(url("notice_rule_test", rule.pk), follow=True))
    assert "besides this test it sends nothing" in page
    assert "This rule is switched off" in mail.outbox[0].body


# --- when nobody is told --------------------------------------------------------------------------------------------------


def rules_page(world):
    return " ".join(text_of(world.client("office").get(url("notice_rule_list"))).split())


def test_life_safety_told_on_one_night_only_is_a_warning_with_the_hours(world):
    make_rule(duty="life_safety", weekdays="4", from_time=time(22), to_time=time(6), group_s=12 * 3600)
    page = rules_page(world)
    assert "Life safety: nobody is told by mail from Saturday 06:00 to Friday 22:00." in page
    assert "160 of the 168 hours" in page
    assert "may gather for 12 hours" in page


def test_hours_of_all_rules_count_together_and_a_rule_that_is_off_does_not(world):
    make_rule(duty="life_safety", weekdays="01234", from_time=time(8), to_time=time(17))
    rest = make_rule(duty="life_safety", weekdays="01234", from_time=time(17), to_time=time(8))
    weekend = make_rule(duty="life_safety", weekdays="56")
    assert "nobody is told by mail from" not in rules_page(world)
    assert "nobody is told by mail Monday from 00:00 to 08:00" in rules_page(world)
    NoticeRule.objects.filter(pk=rest.pk).update(weekdays="0123456")
    assert "Life safety: nobody" not in rules_page(world)
    NoticeRule.objects.filter(pk=weekend.pk).update(is_active=False)
    NoticeRule.objects.filter(pk=rest.pk).update(is_active=False)
    assert "from Friday 17:00 to Monday 08:00" in rules_page(world)


def test_a_duty_that_may_wait_is_listed_with_its_hours_and_is_no_warning(world):
    make_rule(duty="life_safety")
    make_rule(duty="receiver")
    make_rule(duty="security", weekdays="01234")
    page = rules_page(world)
    assert "Saturday and Sunday all day" in page
    assert "nobody is told by mail" not in page
    assert page.count("somebody is told at any hour") == 2


def test_rules_of_a_customer_count_for_that_customer_only(world):
    make_rule(duty="life_safety", customer=world.own)
    page = rules_page(world)
    assert "Life safety: nobody is told by mail at any hour." in page
    assert f"{world.own.name}: told at any hour" in page


@pytest.mark.parametrize("why", ["no mail server", "tried in vain", "nothing sends"])
def test_no_rule_covers_anything_while_mails_do_not_go(world, settings, why):
    rule = make_rule(duty="life_safety")
    assert "somebody is told at any hour" in rules_page(world)
    if why == "no mail server":
        settings.EMAIL_BACKEND = CONSOLE
    else:
        failed = {"attempts": 2, "error": "refused"} if why == "tried in vain" else {}
        FaultNotice.objects.create(rule=rule, send_at=NOW - timedelta(minutes=11), **failed)
    page = rules_page(world)
    assert "somebody is told" not in page
    assert page.count("at any hour, while mails do not go") == len(NoticeRule.Duty.choices)
    assert "Add a rule for these hours" not in page, "No rule would help."


# --- mails that do not go -------------------------------------------------------------------------------------------------


def pages_of_the_office(world):
    client = world.client("office")
    return [
        " ".join(text_of(client.get(address)).split())
        for address in (reverse("maintenance:office_home"), url("notice_list"))
    ]


def test_the_first_failure_of_a_mail_is_said_at_once_with_why(world):
    rule = make_rule()
    assert all("caution" not in page for page in pages_of_the_office(world))
    FaultNotice.objects.create(
        rule=rule, made_at=NOW, send_at=NOW + timedelta(minutes=1), attempts=1, error="SMTPException: away today"
    )
    for page in pages_of_the_office(world):
        assert "1 mail about faults does not go: 1 of 8 attempts failed." in page
        assert "SMTPException: away today" in page


def test_a_mail_that_nobody_sends_and_one_given_up_are_said(world):
    rule = make_rule()
    FaultNotice.objects.create(rule=rule, made_at=NOW - timedelta(hours=1), send_at=NOW - timedelta(minutes=30))
    FaultNotice.objects.create(rule=rule, made_at=NOW, send_at=NOW, state="failed", attempts=8, error="no")
    for page in pages_of_the_office(world):
        assert "1 mail about faults should have gone by now" in page
        assert "1 mail about faults was given up" in page


def test_a_mail_that_gathers_or_waits_for_its_hours_is_no_trouble(world):
    FaultNotice.objects.create(rule=make_rule(), made_at=NOW - timedelta(hours=3), send_at=NOW + timedelta(hours=5))
    FaultNotice.objects.create(rule=make_rule(duty="receiver"), made_at=NOW, send_at=NOW)
    assert all("caution" not in page for page in pages_of_the_office(world))


@override_settings(EMAIL_BACKEND=CONSOLE)
def test_without_a_mail_server_the_home_page_says_that_mails_wait(world):
    rule = make_rule()
    assert all("No mail server is set" in page for page in pages_of_the_office(world))
    FaultNotice.objects.create(rule=rule, made_at=NOW - timedelta(days=2), send_at=NOW - timedelta(days=2))
    assert all("1 mail waits" in page for page in pages_of_the_office(world))


@override_settings(EMAIL_BACKEND=CONSOLE)
def test_a_firm_that_wants_no_mails_is_left_alone(world):
    assert "No mail server" not in pages_of_the_office(world)[0]
