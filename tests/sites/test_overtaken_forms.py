"""Two people open one form of the office and both save: the second undoes nothing unseen, and loses nothing typed."""

from __future__ import annotations

import html
from datetime import date

import pytest
from django.urls import reverse

from company.drawn import Overtaken, seal
from company.models import ChangeRow, Contact
from sites import actions
from sites.models import Area, Hazard, MonitoringCentre, Site, SiteClosure
from tests import factories


def fields_of(response):
    """What a browser would send back of the only form with a seal on the page."""
    key = "hours" if "hours" in response.context else "form"
    form = response.context[key]
    sent = {}
    for bound in form:
        value = bound.value()
        if isinstance(value, date):
            value = value.isoformat()
        if value not in (None, False):
            sent[bound.html_name] = str(value)
    assert f'value="{sent["drawn_from"]}"' in response.content.decode()
    return sent


def rows(world):
    """Form → (address, record, a field that one changes, a field that the other changes, words for each)."""
    site, customer = world.own_site, world.own
    hung = {"site": site, "customer": customer}
    contact = Contact.objects.create(customer=customer, name="Ada Reed", email="ada@reed.example")
    hazard = Hazard.objects.create(kind="animals", text="dog", noted_on=date(2026, 11, 2), **hung)
    closure = SiteClosure.objects.create(
        kind="no_access", from_on=date(2026, 12, 21), to_on=date(2027, 1, 4), reason="holiday", **hung
    )
    centre = MonitoringCentre.objects.create(name="Night desk", phone="1", **hung)
    area = Area.objects.create(path="Hall", walk_order=10, **hung)
    person = factories.make_user("technician")
    return {
        "site": ("sites:site_edit", site, ("town", "Skarrow"), ("note", "ring twice")),
        "customer": ("company:customer_edit", customer, ("response_hours", "4"), ("note", "by letter")),
        "contact": ("company:contact_edit", contact, ("phone", "0100"), ("gets_reports", "True")),
        "person": ("company:person_edit", person, ("phone", "0100"), ("name", "Ada Reed")),
        "centre": ("sites:centre_edit", centre, ("account", "77"), ("phone", "0200")),
        "hazard": ("sites:hazard_edit", hazard, ("text", "two dogs"), ("kind", "other")),
        "closure": ("sites:closure_edit", closure, ("last_on", "2027-01-05"), ("reason", "half-term")),
        "area": ("sites:area_edit", area, ("path", "Great hall"), ("walk_order", "20")),
        "hours": ("sites:hours_edit", site, ("d0", "09:00–12:00"), ("d1", "10:00–11:00")),
    }


FORMS = ["site", "customer", "contact", "person", "centre", "hazard", "closure", "area", "hours"]


@pytest.mark.parametrize("what", FORMS)
def test_the_second_of_two_is_told_what_the_first_changed_and_may_then_save_both(what, world):
    name, record, (first, mine), (second, theirs) = rows(world)[what]
    address, ada, ben = reverse(name, args=[record.pk]), world.client("manager"), world.client("manager")
    of_ada, of_ben = fields_of(ada.get(address)), fields_of(ben.get(address))
    assert ada.post(address, of_ada | {first: mine}).status_code == 302
    answer = ben.post(address, of_ben | {second: theirs})
    assert answer.status_code == 422
    text = html.unescape(answer.content.decode())
    assert "This was changed after you opened the form, so nothing was saved." in text
    again = fields_of(answer)
    assert (again[first], again[second]) == (mine, theirs)
    assert fields_of(ada.get(address)).get(second) != theirs
    assert ben.post(address, again).status_code == 302
    stands = fields_of(ada.get(address))
    assert (stands[first], stands[second]) == (mine, theirs)


@pytest.mark.parametrize("what", FORMS)
def test_what_both_changed_stays_as_the_second_typed_it_with_the_word_of_the_first_beside_it(what, world):
    name, record, (field, mine), _ = rows(world)[what]
    other = {"closure": "2027-01-06", "customer": "6", "hours": "13:00–14:00"}.get(what, "Elsewhere")
    address, client = reverse(name, args=[record.pk]), world.client("manager")
    drawn = fields_of(client.get(address))
    assert client.post(address, drawn | {field: mine}).status_code == 302
    answer = client.post(address, drawn | {field: other})
    assert answer.status_code == 422
    assert f": {mine}." in html.unescape(answer.content.decode())
    assert fields_of(answer)[field] == other


@pytest.mark.parametrize("what", FORMS)
def test_a_second_press_of_the_button_is_not_called_overtaken(what, world):
    name, record, (field, mine), _ = rows(world)[what]
    address, client = reverse(name, args=[record.pk]), world.client("manager")
    sent = fields_of(client.get(address)) | {field: mine}
    assert [client.post(address, sent).status_code for _ in range(2)] == [302, 302]


def test_a_seal_that_no_page_has_drawn_saves_nothing_over_what_stands(world):
    address, client = reverse("sites:site_edit", args=[world.own_site.pk]), world.client("office")
    sent = fields_of(client.get(address)) | {"drawn_from": "nonsense", "town": "Elsewhere"}
    assert client.post(address, sent).status_code == 422
    assert not ChangeRow.objects.filter(verb="save_site").exists()


def test_an_action_without_a_form_asks_for_no_check(world):
    site = world.own_site
    site.town = "Skarrow"
    actions.save_site(site=site, by=world.office, at=site.created_at)
    site.refresh_from_db()
    assert site.town == "Skarrow"


def test_the_action_compares_with_the_row_under_its_lock_not_with_what_the_view_has_read(world):
    stale = Site.objects.get(pk=world.own_site.pk)
    drawn = {"town": seal(stale.town)}
    stale.note = "ring twice"
    Site.objects.filter(pk=stale.pk).update(town="Skarrow")
    with pytest.raises(Overtaken):
        actions.save_site(site=stale, by=world.office, at=stale.created_at, drawn=drawn)
