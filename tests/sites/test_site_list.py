"""The list of sites, and the top of a site's page: found, narrowed, sorted, taken away as CSV; what a call asks first."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
import time_machine
from django.urls import reverse
from django.utils import timezone

from company.models import ChangeRow, Contact
from company.undo import CannotUndo, undo
from maintenance.models import DueItem
from sites.models import Hazard, Site, SiteClosure
from tests import factories


def names(world, query):
    rows = world.client("office").get(f"/sites/?{query}").context["page"].object_list
    return [site.name for site in rows]


def make_due(world, days, duty="life_safety"):
    fitting = factories.make_fitting(factories.make_transmitter(world.own))
    return DueItem.objects.create(
        customer=world.own, site=world.own_site, kind="cells", fitting=fitting, receiver=world.own_receiver,
        transmitter=fitting.transmitter, duty=duty, harm=0,
        due_on=timezone.localdate() + timedelta(days=days), reason="calendar_cap", model_version="t",
        as_of=timezone.localdate(),
    )  # fmt: skip


def take_back(world, verb):
    return undo(change=ChangeRow.objects.filter(verb=verb).latest("pk"), by=world.office, at=timezone.now())


def test_every_word_must_be_somewhere_in_the_record(world):
    factories.make_site(world.own, name="Quay store", town="Upper Mell", postcode="SK2 9ZZ", kind="store")
    for words in ("quay mell", "sk2 9zz", "harbour quay", "QUAY"):
        assert names(world, f"q={words}") == ["Quay store"], words
    assert names(world, "q=quay nowhere") == []


def test_the_list_is_narrowed_to_what_is_late_dangerous_or_unknown(world):
    make_due(world, -3)
    make_due(world, 5)
    assert names(world, "show=late") == [world.own_site.name]
    Hazard.objects.create(
        site=world.other_site, customer=world.other, kind="height", text="Ladder", noted_on=date(2026, 1, 1)
    )
    assert names(world, "show=hazards") == [world.other_site.name]
    world.own_site.visiting_hours.create(customer=world.own, weekday=0, opens="09:00", closes="10:00")
    assert names(world, "show=no_hours") == [world.other_site.name]
    page = world.client("office").get("/sites/").content.decode()
    assert "1 life safety late" in page
    assert "1 soon" in page


def test_the_list_sorts_by_what_is_late_and_by_the_next_visit(world):
    make_due(world, -3)
    assert names(world, "sort=-late")[0] == world.own_site.name
    factories.make_visit(world.other_site, planned_on=timezone.localdate())
    assert names(world, "sort=-late")[-1] == world.other_site.name
    page = world.client("office").get("/sites/?sort=visit")
    assert [site.next_visit_on for site in page.context["page"] if site.name == world.other_site.name] == [
        timezone.localdate()
    ]


def test_town_kind_and_state_narrow_it_and_an_empty_answer_says_what_to_do(world):
    factories.make_site(world.own, name="Old hall", town="Mell", kind="hall", closed_at=timezone.now())
    assert names(world, "town=Mell&state=closed") == ["Old hall"]
    assert names(world, "kind=hall&state=all") == ["Old hall"]
    page = world.client("office").get("/sites/?town=Mell").content.decode()
    assert "Show all sites" in page


def test_the_csv_holds_every_page_of_the_list_as_it_is_narrowed(world):
    for n in range(30):
        factories.make_site(world.own, name=f"=Hut {n:02}", kind="hut")
    response = world.client("office").get("/sites/list.csv?kind=hut&sort=-name")
    lines = response.content.decode("utf-8-sig").splitlines()
    assert len(lines) == 31
    assert "'=Hut 29" in lines[1], "a name that looks like a formula is kept from being one"
    assert world.client("technician").get("/sites/list.csv").status_code == 404


def page_at(world, moment):
    with time_machine.travel(moment, tick=False):
        return " ".join(world.client("office").get(world.own_site.get_absolute_url()).content.decode().split())


@pytest.mark.parametrize(
    ("moment", "words"),
    [
        (datetime(2026, 11, 25, 10, tzinfo=UTC), "Open now, until 17:00"),
        (datetime(2026, 11, 25, 18, tzinfo=UTC), "Closed now; opens Monday 09:00"),
        # In summer nine o'clock there is eight in UTC.
        (datetime(2026, 7, 1, 8, 0, tzinfo=UTC), "Open now, until 17:00"),
    ],
)
def test_the_top_of_the_page_says_whether_somebody_is_there(world, moment, words):
    for day in (0, 2):
        world.own_site.visiting_hours.create(customer=world.own, weekday=day, opens="09:00", closes="17:00")
    assert words in page_at(world, moment)


def test_days_without_access_and_empty_days_are_said_at_the_top(world):
    world.own_site.visiting_hours.create(customer=world.own, weekday=2, opens="09:00", closes="17:00")
    common = {"site": world.own_site, "customer": world.own, "from_on": date(2026, 11, 23), "to_on": date(2026, 11, 28)}
    closure = SiteClosure.objects.create(kind="no_access", reason="flood", **common)
    moment = datetime(2026, 11, 25, 10, tzinfo=UTC)
    assert "No access today (flood); opens Wed 2 Dec 2026, 09:00" in page_at(world, moment)
    closure.kind = "preferred"
    closure.save()
    assert "Empty until the end of 27 Nov 2026" in page_at(world, moment)


def test_contacts_of_the_customer_can_be_called_from_the_page(world):
    Contact.objects.create(customer=world.own, name="Elif Ibsen", role="keeper", phone="01632 960 302")
    Contact.objects.create(customer=world.other, name="Somebody else", phone="01632 960 999")
    page = world.client("office").get(world.own_site.get_absolute_url()).content.decode()
    assert 'href="tel:01632960302"' in page
    assert "Somebody else" not in page


def test_the_page_counts_transmitters_spare_slots_and_life_safety(world):
    factories.make_registration(world.own_receiver, 2, duty="convenience")
    page = " ".join(world.client("office").get(world.own_site.get_absolute_url()).content.decode().split())
    assert "2 transmitters on 1 receiver" in page
    assert "1 life safety · 62 spare slots" in page


def test_the_history_of_a_site_holds_what_hangs_on_it_and_what_was_taken_out(world):
    client, site = world.client("office"), world.own_site
    data = {"kind": "no_access", "from_on": "2030-12-24", "last_on": "2030-12-26", "reason": "Christmas"}
    client.post(reverse("sites:closure_new", args=[site.pk]), data)
    client.post(reverse("sites:closure_remove", args=[SiteClosure.objects.get().pk]))
    rows = client.get(site.get_absolute_url()).context["changes"]
    assert [row.verb for row in rows] == ["remove_siteclosure"]
    assert not world.client("office").get(world.other_site.get_absolute_url()).context["changes"]


def test_changes_of_a_place_are_taken_back(world):
    client, site = world.client("office"), world.own_site
    data = {"kind": "no_access", "from_on": "2030-12-24", "last_on": "2030-12-26", "reason": "Christmas"}
    client.post(reverse("sites:closure_new", args=[site.pk]), data)
    key = SiteClosure.objects.get().pk
    client.post(reverse("sites:closure_remove", args=[key]))
    take_back(world, "remove_siteclosure")
    assert SiteClosure.objects.get(pk=key).reason == "Christmas"
    take_back(world, "save_siteclosure")
    assert not SiteClosure.objects.exists()
    hours = {f"d{day}": "" for day in range(7)}
    client.post(reverse("sites:hours_edit", args=[site.pk]), hours | {"d4": "08:00-12:30, 14:00-16:00"})
    client.post(reverse("sites:hours_edit", args=[site.pk]), hours)
    take_back(world, "set_visiting_hours")
    assert [(row.weekday, row.opens.hour) for row in site.visiting_hours.order_by("opens")] == [(4, 8), (4, 14)]
    client.post(reverse("sites:site_close", args=[site.pk]), {"reason": "moved out"})
    take_back(world, "close_site")
    assert Site.objects.get(pk=site.pk).closed_at is None


def test_a_mistyped_site_is_put_right_and_a_new_one_is_not_erased(world):
    site = world.own_site
    before = site.name
    data = {"code": site.code, "name": "Mistyped", "time_zone": "Europe/London"}
    world.client("office").post(reverse("sites:site_edit", args=[site.pk]), data)
    # New hours since do not stand in the way.
    hours = {f"d{day}_{end}": "" for day in range(7) for end in ("from", "to")}
    world.client("office").post(reverse("sites:hours_edit", args=[site.pk]), hours)
    take_back(world, "save_site")
    site.refresh_from_db()
    assert site.name == before
    new = {"code": "NEW-1", "name": "New", "time_zone": "Europe/London", "customer": world.own.pk}
    world.client("office").post(reverse("sites:site_new"), new)
    with pytest.raises(CannotUndo, match="Close it instead"):
        take_back(world, "save_site")


def test_a_cleared_danger_that_was_not_gone_stands_again(world):
    hazard = Hazard.objects.create(
        site=world.own_site, customer=world.own, kind="height", text="Ladder", noted_on=date(2026, 1, 1)
    )
    world.client("office").post(reverse("sites:hazard_clear", args=[hazard.pk]), {"on": "2026-02-01"})
    take_back(world, "clear_hazard")
    hazard.refresh_from_db()
    assert hazard.cleared_on is None
