"""Faults as people see them: the list worst first, one with its story, acknowledging, what stands right now."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from company.models import ChangeRow
from devices.actions.faults import clear_latched_faults
from devices.models import Fault, Receiver
from maintenance.models import FaultNotice, NoticedFault, NoticeRule
from maintenance.querysets.faults import with_harm, worst_first
from maintenance.rules.fault_words import KINDS, kind_order, rank
from tests import factories
from tests.factories import NOW

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

HOUR = timedelta(hours=1)


def make_fault(row, kind="missing", at=NOW - HOUR, **over):
    fields = {
        "customer": row.customer, "site": row.site, "receiver": row.receiver, "registration": row,
        "transmitter": row.transmitter, "kind": kind, "raised_at": at, "recorded_at": at,
    }  # fmt: skip
    return Fault.objects.create(**(fields | over))


def of_receiver(receiver, kind="outage", at=NOW - HOUR, **over):
    return Fault.objects.create(
        customer=receiver.customer, site=receiver.site, receiver=receiver, kind=kind, raised_at=at, recorded_at=at, **over
    )  # fmt: skip


def url(name, *args, **asked):
    from urllib.parse import urlencode

    return reverse(f"maintenance:{name}", args=args) + (f"?{urlencode(asked)}" if asked else "")


def text_of(response):
    return response.content.decode()


def acknowledge(client, *faults, **more):
    return client.post(url("fault_acknowledge"), {"fault": [fault.pk for fault in faults], **more})


# --- the list -------------------------------------------------------------------------------------------------------------


def test_the_database_orders_by_harm_as_the_rule_does(world):
    rows = [factories.make_registration(world.own_receiver, n, duty=duty)
            for n, duty in enumerate(("security", "convenience"), start=2)]  # fmt: skip
    for kind in KINDS:
        of_receiver(world.own_receiver, kind)
        for row in (world.own_registration, *rows):
            make_fault(row, kind)
        of_receiver(factories.make_receiver(), kind)
    for fault in with_harm(Fault.objects.all()):
        duty = fault.registration.duty if fault.registration else "receiver"
        hangs = fault.receiver == world.own_receiver
        assert (fault.harm, fault.kind_at) == (rank(fault.kind, duty, hangs=hangs), kind_order(fault.kind))


def test_of_two_receivers_without_power_the_one_on_which_more_life_safety_hangs_comes_first(world):
    low = make_fault(world.own_registration, "low_battery")
    one = of_receiver(world.own_receiver, "receiver_power", at=NOW - 3 * HOUR)
    factories.make_registration(world.other_receiver, 2, duty="life_safety")
    two = of_receiver(world.other_receiver, "receiver_power")
    lost = of_receiver(world.own_receiver, "link_lost")
    assert list(worst_first(Fault.objects.all())) == [two, one, lost, low]
    client = world.client("office")
    text = text_of(client.get(url("fault_list", group="none")))
    assert text.count('class="faults__worst"') == 4
    newest = text_of(client.get(url("now_panel")))
    newest = newest[newest.index("Newest") :]
    assert newest[: newest.index("</ol>")].count("life safety") == 4


def test_what_stands_comes_worst_first_and_what_only_shows_on_the_receiver_last(world):
    latched = make_fault(world.own_registration, cleared_at=NOW, is_latched=True)
    tamper = make_fault(world.own_registration, "tamper")
    low = make_fault(world.other_registration, "low_battery")
    outage = of_receiver(world.own_receiver)
    assert list(worst_first(Fault.objects.all())) == [outage, low, tamper, latched]
    text = text_of(world.client("office").get(url("fault_list", group="none")))
    places = [text.index(url("fault_detail", fault.pk)) for fault in (outage, low, tamper, latched)]
    assert places == sorted(places)


def test_a_line_says_where_since_when_and_when_it_reached_us(world):
    make_fault(world.own_registration, at=NOW - 3 * HOUR, recorded_at=NOW - HOUR, source="gateway 7")
    text = text_of(world.client("office").get(url("fault_list")))
    for words in ("Room 1", "25 Nov 2026, 07:00", "reached us 25 Nov 2026, 09:00", "reported", "gateway 7", "3 h"):
        assert words in text
    assert reverse("devices:slot_detail", args=[world.own_receiver.pk, 1]) in text


@pytest.mark.parametrize(
    ("asked", "seen"),
    [
        ({}, {"stands", "answered", "latched"}),
        ({"state": "open"}, {"stands", "answered"}),
        ({"state": "new"}, {"stands"}),
        ({"state": "latched"}, {"latched"}),
        ({"state": "ended"}, {"ended"}),
        ({"state": "ended", "days": "365"}, {"ended", "long_ago"}),
        ({"state": "ended", "days": ""}, {"ended", "long_ago"}),
        ({"state": "ended", "days": "", "group": ""}, {"ended", "long_ago"}),
        ({"kind": "tamper"}, {"latched"}),
        ({"duty": "receiver"}, {"answered"}),
        # Life safety hangs on the receiver, so a fault of it is one.
        ({"duty": "life_safety"}, {"stands", "answered", "latched"}),
        ({"duty": "convenience"}, set()),
        ({"q": "Room 1"}, {"stands", "latched"}),
        ({"customer": "other"}, set()),
        ({"days": "1"}, {"stands", "latched"}),
        ({"state": "nonsense", "kind": "nonsense", "days": "999", "duty": "x"}, {"stands", "answered", "latched"}),
    ],
)
def test_the_list_is_narrowed_to_what_was_asked(world, asked, seen):
    faults = {
        "stands": make_fault(world.own_registration),
        "answered": of_receiver(
            world.own_receiver, at=NOW - timedelta(days=3), acknowledged_at=NOW, acknowledged_by=world.office
        ),
        "latched": make_fault(world.own_registration, "tamper", cleared_at=NOW, is_latched=True),
        "ended": make_fault(world.own_registration, "trouble", cleared_at=NOW - HOUR / 2),
        "long_ago": make_fault(
            world.own_registration, "trouble", at=NOW - timedelta(days=90), cleared_at=NOW - timedelta(days=80)
        ),
    }
    if "customer" in asked:
        asked = {"customer": str(world.other.pk)}
    text = text_of(world.client("office").get(url("fault_list", **asked)))
    assert {name for name, fault in faults.items() if f'href="{url("fault_detail", fault.pk)}"' in text} == seen


def test_where_nothing_stands_the_page_says_what_fills_it(world):
    text = text_of(world.client("office").get(url("fault_list")))
    assert "No fault stands" in text
    assert "an empty list then proves nothing" in text


def test_a_technician_reads_the_list_on_the_phone_with_links_of_the_phone(world):
    fault = make_fault(world.own_registration)
    text = text_of(world.client("technician").get(url("tech_fault_list")))
    assert url("tech_fault_detail", fault.pk) in text
    assert reverse("devices:tech_slot_detail", args=[world.own_receiver.pk, 1]) in text
    assert world.client("technician").get(url("tech_fault_detail", fault.pk)).status_code == 200


# --- acknowledging --------------------------------------------------------------------------------------------------------


def test_several_are_acknowledged_at_once_with_one_note_and_taken_back_whole(world):
    faults = [make_fault(world.own_registration), make_fault(world.other_registration)]
    client = world.client("office")
    answer = acknowledge(client, *faults, note="Rang the matron", back=url("fault_list", state="new"))
    assert answer.url == url("fault_list", state="new")
    rows = Fault.objects.filter(acknowledged_at=NOW, acknowledged_by=world.office, acknowledged_note="Rang the matron")
    assert rows.count() == 2
    log = ChangeRow.objects.filter(verb="acknowledge_fault")
    assert {row.customer_id for row in log} == {world.own.pk, world.other.pk}
    client.post(reverse("company:change_undo_batch", args=[log[0].batch]))
    assert not Fault.objects.exclude(acknowledged_at=None).exists()


def test_pressed_twice_is_once_and_whoever_was_first_stays(world):
    fault = make_fault(world.own_registration)
    acknowledge(world.client("office"), fault, note="first")
    answer = world.client("manager").post(
        url("fault_acknowledge"), {"these": str(fault.pk), "note": "second"}, follow=True
    )
    fault.refresh_from_db()
    assert (fault.acknowledged_by, fault.acknowledged_note) == (world.office, "first")
    assert "acknowledged this already" in text_of(answer)
    assert ChangeRow.objects.filter(verb="acknowledge_fault").count() == 1


def test_with_nothing_ticked_the_person_is_told_what_to_do(world):
    answer = world.client("office").post(url("fault_acknowledge"), {"note": "x"}, follow=True)
    assert "Choose at least one fault" in text_of(answer)


def test_the_way_back_leads_to_no_other_site(world):
    fault = make_fault(world.own_registration)
    answer = acknowledge(world.client("office"), fault, back="https://elsewhere.example/")
    assert answer.url == url("fault_list")


def test_an_ended_fault_that_nobody_saw_can_still_be_acknowledged(world):
    fault = make_fault(world.own_registration, cleared_at=NOW)
    acknowledge(world.client("office"), fault)
    fault.refresh_from_db()
    assert fault.acknowledged_by == world.office


# --- one fault ------------------------------------------------------------------------------------------------------------


def test_a_silent_pendant_says_to_see_to_the_person_first(world):
    fault = make_fault(world.own_registration)
    text = text_of(world.client("office").get(url("fault_detail", fault.pk)))
    assert "See to the person first" in text
    over = make_fault(world.other_registration, cleared_at=NOW)
    assert "See to the person first" not in text_of(world.client("office").get(url("fault_detail", over.pk)))


def test_a_deaf_receiver_says_how_much_hangs_on_it(world):
    text = text_of(world.client("office").get(url("fault_detail", of_receiver(world.own_receiver).pk)))
    assert "1 slot on life safety hangs on this receiver." in text


def test_the_story_tells_everything_in_order(world):
    fault = make_fault(
        world.own_registration, at=NOW - 9 * HOUR, recorded_at=NOW - 8 * HOUR, cleared_at=NOW - 2 * HOUR, is_latched=True,
        acknowledged_at=NOW - 6 * HOUR, acknowledged_by=world.office, acknowledged_note="on my way", found_by="watch",
    )  # fmt: skip
    rule = NoticeRule.objects.create(duty="life_safety", recipients="night@example.org")
    notice = FaultNotice.objects.create(
        rule=rule, send_at=NOW, state="sent", sent_at=NOW - 7 * HOUR, recipients="night@example.org"
    )
    NoticedFault.objects.create(notice=notice, rule=rule, fault=fault, customer=world.own)
    clear_latched_faults(receiver=world.own_receiver, cause="battery loose", by=world.technician, at=NOW - HOUR)
    text = text_of(world.client("office").get(url("fault_detail", fault.pk)))
    text = text[text.index("What happened") :]
    steps = ("Nobody reported it", "Seen by us", "night@example.org", "on my way", "Seen to be over", "battery loose")
    places = [text.index(words) for words in steps]
    assert places == sorted(places)
    assert world.technician.name in text
    assert url("notice_detail", notice.uuid) in text


# --- right now ------------------------------------------------------------------------------------------------------------


def test_the_first_page_shows_what_stands_now_life_safety_first_without_scripts(world):
    row = factories.make_registration(world.own_receiver, 2, duty="convenience")
    make_fault(row)
    make_fault(world.own_registration, "low_battery", acknowledged_at=NOW, acknowledged_by=world.office)
    text = text_of(world.client("office").get(url("office_home")))
    assert "2 faults stand, 1 on life safety, 1 not acknowledged." in text
    assert text.index("low battery") < text.index("missing")
    assert 'hx-trigger="every 15s"' in text


def test_the_panel_asks_five_questions_however_much_stands(world):
    client = world.client("office")
    for n in range(2, 14):
        make_fault(factories.make_registration(world.own_receiver, n), KINDS[n % 5])
    client.get(url("now_panel"), HTTP_HX_REQUEST="true")
    with CaptureQueriesContext(connection) as caught:
        client.get(url("now_panel"), HTTP_HX_REQUEST="true")
    ours = [q["sql"] for q in caught.captured_queries if "devices_" in q["sql"] or "maintenance_" in q["sql"]]
    assert len(ours) == 5


def test_nothing_moves_while_nothing_changed_and_what_changed_is_read_out(world):
    client = world.client("office")
    make_fault(world.own_registration)
    answer = client.get(url("now_panel"), HTTP_HX_REQUEST="true")
    now = answer.context["now"]
    same = client.get(url("now_panel", seen=now["seen"], said=now["said"]), HTTP_HX_REQUEST="true")
    assert (same.status_code, same.content) == (204, b"")
    make_fault(world.other_registration)
    news = client.get(url("now_panel", seen=now["seen"], said=now["said"]), HTTP_HX_REQUEST="true")
    assert news.status_code == 200
    assert 'hx-swap-oob="innerHTML">2 faults stand' in text_of(news)
    assert "<html" not in text_of(news)
    # An age that grew is shown, but not read out.
    now = news.context["now"]
    quiet = client.get(url("now_panel", seen="old", said=now["said"]), HTTP_HX_REQUEST="true")
    assert "hx-swap-oob" not in text_of(quiet)


def quiet_words(client):
    return text_of(client.get(url("now_panel")))


def test_no_fault_means_little_where_only_visits_tell(world):
    Receiver.objects.update(evidence="visits")
    assert "That says little" in quiet_words(world.client("office"))


def test_everything_has_reported_in_only_if_all_that_report_did(world):
    Receiver.objects.update(evidence="every", heard_until=NOW - HOUR)
    assert "Everything that reports to us has reported in" in quiet_words(world.client("office"))
    Receiver.objects.filter(pk=world.own_receiver.pk).update(heard_until=NOW - timedelta(days=3))
    text = quiet_words(world.client("office"))
    assert "Everything that reports" not in text
    assert "1 of 2 receivers whose check-ins reach us have handed nothing over within a day." in text


def test_a_receiver_that_reports_only_faults_counts_by_its_last_test(world):
    Receiver.objects.update(evidence="exceptions", link_tested_at=NOW - timedelta(hours=26))
    text = quiet_words(world.client("office"))
    assert "Everything that reports" not in text
    assert "2 of 2 receivers that report only faults" in text


@pytest.mark.parametrize("page", ["now_panel", "office_home"])
def test_a_mail_that_could_not_be_sent_is_told_once_in_the_panel_that_asks_for_itself(world, page):
    rule = NoticeRule.objects.create(duty="security", recipients="a@example.org")
    client = world.client("office")
    seen = client.get(url("now_panel")).context["now"]["seen"]
    FaultNotice.objects.create(rule=rule, send_at=NOW, state="failed")
    text = text_of(client.get(url(page)))
    assert text.count("1 mail about faults was given up") == 1
    assert "could not be sent" not in text
    assert text.index(f"{url('notice_list')}?state=failed") < text.index("</section>")
    news = client.get(url("now_panel", seen=seen), HTTP_HX_REQUEST="true")
    assert "1 mail about faults was given up" in text_of(news)


# --- the site's page ------------------------------------------------------------------------------------------------------


def test_a_sites_page_loads_its_line_of_faults(world):
    make_fault(world.own_registration)
    make_fault(world.other_registration)
    client = world.client("office")
    page = text_of(client.get(reverse("sites:site_detail", args=[world.own_site.pk])))
    assert url("fault_panel", world.own_site.pk) in page
    line = text_of(client.get(url("fault_panel", world.own_site.pk), HTTP_HX_REQUEST="true"))
    assert "1 fault stands" in line
    assert f"{url('fault_list')}?site={world.own_site.pk}" in line


def test_a_poll_that_changes_nothing_takes_no_message_meant_for_a_page(world):
    client = world.client("office")
    fault = make_fault(world.own_registration)
    seen = client.get(url("now_panel"), HTTP_HX_REQUEST="true").context["now"]["seen"]
    client.post(url("fault_acknowledge"), {})
    assert client.get(url("now_panel") + f"?seen={seen}", HTTP_HX_REQUEST="true").status_code == 204
    assert "Choose at least one fault" in text_of(client.get(url("fault_detail", fault.pk)))
