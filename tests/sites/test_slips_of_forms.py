"""Slips that a form of a place meets: a wrong year, a second press of the button, a passphrase that is nobody's."""

from __future__ import annotations

import pytest
import time_machine
from django.conf import settings
from django.urls import reverse

from company.models import Contact
from sites.forms import NewSiteForm
from sites.models import AccessNote, Hazard, MonitoringCentre, SiteClosure
from tests import factories


def url(name, *args):
    return reverse(f"sites:{name}", args=args)


def closure(**over):
    return {"kind": "no_access", "from_on": "2026-12-21", "last_on": "2027-01-03", "reason": "holiday"} | over


@pytest.mark.parametrize(
    "over", [{"last_on": "9999-12-31"}, {"from_on": "1999-12-31"}, {"from_on": "2150-01-01", "last_on": "2150-01-02"}]
)
def test_a_slip_of_the_year_of_a_closure_is_told(world, over):
    response = world.client("office").post(url("closure_new", world.own_site.pk), closure(**over))
    assert response.status_code == 422
    assert "Check the year" in response.content.decode()
    assert not SiteClosure.objects.exists()


def test_a_slip_of_the_year_of_a_danger_is_told(world):
    data = {"kind": "animals", "text": "dog in the yard", "noted_on": "9999-12-31"}
    assert world.client("office").post(url("hazard_new", world.own_site.pk), data).status_code == 422
    assert not Hazard.objects.exists()


@pytest.mark.parametrize(
    ("name", "data", "model"),
    [
        ("closure_new", closure(), SiteClosure),
        ("hazard_new", {"kind": "animals", "text": "dog in the yard", "noted_on": "2026-11-02"}, Hazard),
        ("centre_new", {"name": "Night desk", "phone": "1", "account": "2", "affected_outputs": ""}, MonitoringCentre),
    ],
)
def test_a_second_press_of_the_button_adds_nothing(world, name, data, model):
    client, address = world.client("office"), url(name, world.own_site.pk)
    assert client.post(address, data).status_code == 302
    second = client.post(address, data)
    assert second.status_code == 422
    assert "on record already" in second.content.decode()
    assert model.objects.count() == 1
    assert world.client("office").post(url(name, factories.make_site(world.own).pk), data).status_code == 302


def test_a_contact_is_added_once(world):
    client, address = world.client("office"), reverse("company:contact_new", args=[world.own.pk])
    data = {"name": "Ada Reed", "role": "matron", "email": "", "phone": "1"}
    assert client.post(address, data).status_code == 302
    second = client.post(address, data)
    assert second.status_code == 422
    assert "on record already" in second.content.decode()
    assert Contact.objects.filter(name="Ada Reed").count() == 1


def test_a_passphrase_names_its_monitoring_centre(world):
    client, address = world.client("office"), url("access_note_new", world.own_site.pk)
    data = {"kind": "passphrase", "title": "for the night desk", "text": "herring gull", "centre": ""}
    page = client.post(address, data)
    assert page.status_code == 422
    assert "Add it first" in page.content.decode()
    centre = MonitoringCentre.objects.create(site=world.own_site, customer=world.own, name="Night desk")
    assert "Choose whose it is" in client.post(address, data).content.decode()
    assert not AccessNote.objects.exists()
    assert client.post(address, data | {"centre": centre.pk}).status_code == 302


def test_a_new_site_starts_with_the_zone_of_the_installation_and_near_ones_come_first(world):
    world.own_site.time_zone = "America/New_York"
    world.own_site.save()
    form = NewSiteForm(for_user=world.office)
    assert form["time_zone"].value() == settings.TIME_ZONE
    (_, near), (_, others) = form.fields["time_zone"].choices
    assert {name for name, _ in near} == {settings.TIME_ZONE, "America/New_York"}
    assert "Africa/Abidjan" in {name for name, _ in others}
    page = world.client("office").get(url("site_new")).content.decode()
    assert f'<option value="{settings.TIME_ZONE}" selected' in page


def test_the_page_of_a_site_shows_the_clock_on_its_own_wall(world):
    world.own_site.time_zone = "America/New_York"
    world.own_site.save()
    with time_machine.travel("2026-11-25T22:42:00+00:00", tick=False):
        page = world.client("office").get(world.own_site.get_absolute_url()).content.decode()
    assert '<span class="num">17:42</span> there' in page


@pytest.mark.parametrize("name", ["access_log", "access_log_csv"])
@pytest.mark.parametrize("query", [{"until": "9999-12-31"}, {"since": "0001-01-01"}, {"site": "9" * 23}])
def test_the_log_of_showings_leaves_nonsense_out(world, name, query):
    assert world.client("manager").get(url(name), query).status_code == 200
