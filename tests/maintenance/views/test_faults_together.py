"""One silent gateway that speaks for many receivers: one line, one button, and each fault keeps its own record."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from company.models import ChangeRow
from devices.models import Fault, IntakeSource
from tests import factories
from tests.factories import NOW
from tests.maintenance.views.test_faults import HOUR, make_fault, of_receiver, text_of, url

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def gateway(world):
    return factories.make_gateway(world.own, name="Gable gateway", late_after_s=3600, last_used_at=NOW - 3 * HOUR)


def lose(gateway, n=4, sites=2, **over):
    """Links of so many receivers, lost when the gateway was over its time."""
    homes = [factories.make_site(gateway.customer, name=f"Gable {number}") for number in range(sites)]
    receivers = [factories.make_receiver(homes[k % sites], fed_by=gateway, label=f"G{k}") for k in range(n)]
    return [
        of_receiver(one, "link_lost", NOW - 2 * HOUR, found_by="watch", source="watch", **over) for one in receivers
    ]


def link_to(fault):
    return f'href="{url("fault_detail", fault.pk)}"'


def page_of(world, name="fault_list", who="office", **asked):
    return text_of(world.client(who).get(url(name, **asked)))


@pytest.mark.parametrize(
    ("name", "who"), [("fault_list", "office"), ("office_home", "office"), ("tech_fault_list", "technician")]
)
def test_one_line_names_the_gateway_and_how_much_hangs_on_it_and_one_button_takes_all(world, gateway, name, who):
    faults = lose(gateway)
    factories.make_registration(faults[3].receiver, 1, duty="life_safety")
    text = page_of(world, name, who)
    assert text.count("Gateway silent: Gable gateway</") == 1
    assert "Link lost of <b>4 receivers</b> at 2 sites, <b>1 with life safety on it</b>, none acknowledged." in text
    pks = sorted(fault.pk for fault in faults)
    (button,) = [part.split('"')[0] for part in text.split('name="these" value="')[1:] if part.count(",", 0, 30) > 1]
    assert sorted(map(int, button.split(","))) == pks
    kinds = world.client("office").get(url("fault_detail", pks[0])).content.decode()
    assert "one of 4 links lost together" in kinds
    # Each is named once, in the part that opens without scripts.
    members = text[text.index("All 4 receivers, by name") :]
    assert all(members.count(f'id="now-g{pk}"') == 1 for pk in pks)


def test_all_are_acknowledged_at_once_each_with_who_and_when_and_twice_is_once(world, gateway):
    pks = ",".join(str(fault.pk) for fault in lose(gateway))
    first = world.client("office").post(url("fault_acknowledge"), {"these": pks}, follow=True)
    assert "4 faults acknowledged." in text_of(first)
    again = world.client("manager").post(url("fault_acknowledge"), {"these": pks}, follow=True)
    assert "All of these had been acknowledged already" in text_of(again)
    rows = Fault.objects.values_list("acknowledged_by", "acknowledged_at").distinct()
    assert list(rows) == [(world.office.pk, NOW)]
    assert ChangeRow.objects.filter(verb="acknowledge_fault").count() == 4
    assert "4 receivers</b> at 2 sites, all acknowledged." in text_of(again)
    assert 'name="these"' not in text_of(again)


def test_search_and_a_choice_of_site_find_each_of_them_by_itself(world, gateway):
    faults = lose(gateway)
    for asked in ({"q": "Gable 1"}, {"site": str(faults[1].site_id)}, {"group": "none"}):
        text = page_of(world, **asked)
        assert "Gateway silent" not in text
        assert link_to(faults[1]) in text
        assert (link_to(faults[0]) in text) is ("group" in asked)


def test_what_is_worse_comes_before_the_gateway_and_what_is_less_after_it(world, gateway):
    faults = lose(gateway)
    low = make_fault(factories.make_registration(factories.make_receiver(), 1, duty="convenience"), "low_battery")
    missing = make_fault(factories.make_registration(factories.make_receiver(), 1, duty="life_safety"))
    factories.make_registration(faults[0].receiver, 1, duty="life_safety")
    text = page_of(world)
    places = [text.index(word) for word in (link_to(missing), "Gateway silent: Gable gateway</", link_to(low))]
    assert places == sorted(places)


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("two have a line each", lambda g, f: f[0].delete() and f[1].delete()),
        ("the gateway is back", lambda g, f: IntakeSource.objects.update(last_used_at=NOW)),
        ("lost at another time", lambda g, f: Fault.objects.filter(pk__in=[f[0].pk, f[1].pk]).update(raised_at=NOW - 30 * HOUR)),
        ("a gateway that nobody uses any more", lambda g, f: IntakeSource.objects.update(retired_at=NOW)),
    ],
)  # fmt: skip
def test_what_has_not_one_cause_stands_line_by_line(world, gateway, name, change):
    faults = lose(gateway)
    change(gateway, faults)
    text = page_of(world)
    assert "Gateway silent" not in text
    assert link_to(faults[3]) in text


def test_the_first_page_asks_two_questions_more_for_any_number_of_receivers(world, gateway):
    counts = []
    for n in (3, 12):
        lose(gateway, n)
        client = world.client("office")
        with CaptureQueriesContext(connection) as caught:
            client.get(url("now_panel"), HTTP_HX_REQUEST="true")
        ours = [q["sql"] for q in caught.captured_queries if "devices_" in q["sql"] or "maintenance_" in q["sql"]]
        counts.append(len(ours))
    assert counts == [7, 7]


# --- over, not cleared ------------------------------------------------------------------------------------------------------


def latched(world, slot):
    row = factories.make_registration(world.own_receiver, slot)
    return make_fault(row, "tamper", cleared_at=NOW - HOUR / 2, is_latched=True)


def test_what_is_over_stands_folded_below_what_stands_with_a_count_and_a_button(world):
    there = make_fault(world.own_registration)
    over = [latched(world, slot) for slot in (2, 3)]
    text = page_of(world)
    fold = text.index("2 more are over, to be cleared on site</span></summary>")
    assert text.index(link_to(there)) < fold < min(text.index(link_to(fault)) for fault in over)
    assert "Acknowledge all 2 that are over" in text[fold:]
    assert 'faults__fold" open' not in text
    there.delete()
    assert 'faults__fold" open' in page_of(world)


def test_all_at_a_site_are_those_that_wait_to_be_cleared_too_and_the_message_counts_them(world):
    over = [latched(world, slot) for slot in (2, 3)]
    answered = make_fault(world.own_registration, acknowledged_at=NOW - HOUR, acknowledged_by=world.manager)
    text = page_of(world, state="latched")
    assert "Acknowledge all 2" in text
    these = ",".join(str(fault.pk) for fault in (*over, answered))
    answer = text_of(world.client("office").post(url("fault_acknowledge"), {"these": these}, follow=True))
    assert "2 faults acknowledged. 2 of them are over and wait to be cleared on site. 1 had been acknowledged" in answer
    answered.refresh_from_db()
    assert answered.acknowledged_by == world.manager
    assert "Acknowledge all" not in page_of(world, state="latched")


def test_a_tamper_that_was_cleared_on_site_and_not_reported_over_says_so(world):
    make_fault(world.own_registration, "tamper", is_latched=True, latch_cleared_at=NOW - HOUR / 2)
    assert "cleared on site 25 Nov 2026, 09:30, not reported over since" in page_of(world)


def test_keys_beyond_what_is_read_at_once_never_name_another_fault():
    from maintenance.forms.findings import read_pks

    keys = [10**7 + n for n in range(1000)]
    kept = read_pks(",".join(map(str, keys)))
    assert kept == keys[: len(kept)]
    assert len(kept) > 600
