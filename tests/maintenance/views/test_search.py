"""The search box: everything by any part of it, the best first, and nothing to whom it is not shown."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.db import connection

from devices.models import Registration
from sites.models import AccessNote
from tests import factories
from tests.conftest import World

pytestmark = pytest.mark.django_db
NOW = factories.NOW


def hits(world: World, words: str, who: str = "office", **headers: str) -> dict[str, list[str]]:
    """Names of what was found, by kind, in the order of the page."""
    address = "/tech/search/" if who == "technician" else "/search/"
    groups = world.client(who).get(address, {"q": words}, **headers).context["groups"]
    return {name: [hit.name for hit, _ in found] for name, found, _ in groups}


@pytest.fixture
def unit(world: World) -> Registration:
    return factories.make_registration(
        world.own_receiver, 9, label="Bathroom cord, bed 12-B", area="First floor",
        transmitter=factories.make_transmitter(world.own, serial="QX-40 7712"),
    )  # fmt: skip


@pytest.mark.parametrize("words", ["QX-40 7712", "qx407712", "qx 40-77", "7712", "X4 07"])
def test_a_serial_is_found_by_any_part_however_it_is_typed(world: World, unit: Registration, words: str) -> None:
    assert hits(world, words)["Transmitters"] == ["QX-40 7712"]


@pytest.mark.parametrize("words", ["bed 12b", "cord bathroom", "BED-12", "12b first", "bathroom {site}"])
def test_a_slot_is_found_by_its_place_in_any_order_of_words(world: World, unit: Registration, words: str) -> None:
    assert hits(world, words.format(site=world.own_site.name))["Slots by place"] == [unit.label]


def test_the_site_in_the_words_narrows_down_places(world: World, unit: Registration) -> None:
    factories.make_registration(world.other_receiver, 9, label="Bathroom cord, bed 12-B")
    assert hits(world, "bathroom cord")["Slots by place"] == [unit.label] * 2
    # Everything that the word names must be right: the number of the site is no part of the other's.
    world.own_site.name = "Netmakers' House"
    world.own_site.save()
    assert hits(world, "netmakers bathroom")["Slots by place"] == [unit.label]


@pytest.mark.parametrize(
    ("kind", "change", "words"),
    [
        ("Sites", {"name": "Lantern House"}, "lantern"),
        ("Sites", {"address": "3 Net Lane"}, "net lane"),
        ("Sites", {"postcode": "BR1 4XY"}, "br14xy"),
        ("Sites", {"phone": "01632 960 001"}, "01632-960001"),
        ("Sites", {"code": "ZZ-77"}, "zz77"),
        ("Sites", {"name": "Sjömansgården"}, "sjömansg"),
        ("Sites", {"name": "100% House_A"}, "0% house_"),
    ],
)
def test_a_site_is_found_by_name_code_address_and_telephone(
    world: World, kind: str, change: dict[str, str], words: str
) -> None:
    for name, value in change.items():
        setattr(world.own_site, name, value)
    world.own_site.save()
    assert hits(world, words)[kind] == [world.own_site.name]


def test_receivers_customers_and_contacts_are_found(world: World) -> None:
    world.own_receiver.serial = "RX-0099-1"
    world.own_receiver.save()
    world.own.contacts.create(name="Ketil Moen", phone="01632 960 555", role="estates")
    name = f"{world.own_site.name}, {world.own_receiver.label}"
    assert hits(world, "rx00991")["Receivers"] == [name]
    assert hits(world, world.own_receiver.code)["Receivers"] == [name]
    assert hits(world, "harbour")["Customers"] == ["Harbour Trust"]
    assert hits(world, "960555")["Contacts"] == ["Ketil Moen"]


def test_the_exact_serial_comes_first_and_can_be_gone_to(world: World, unit: Registration) -> None:
    for serial in ("QX-40 77121", "AQX-40 7712"):
        factories.make_transmitter(world.own, serial=serial)
    answer = world.client("office").get("/search/", {"q": "qx407712"})
    assert hits(world, "qx407712")["Transmitters"] == ["QX-40 7712", "QX-40 77121"]
    assert hits(world, "x407712")["Transmitters"] == ["AQX-40 7712", "QX-40 7712", "QX-40 77121"]
    go_to = re.search(r'<a href="([^"]+)" data-first-hit>', answer.content.decode())
    assert go_to
    assert go_to.group(1) == unit.transmitter.get_absolute_url()


def test_two_things_with_one_code_are_not_chosen_between(world: World) -> None:
    factories.make_transmitter(world.own, serial="DOUBLE-1")
    world.own_receiver.serial = "double 1"
    world.own_receiver.save()
    assert "data-first-hit" not in world.client("office").get("/search/", {"q": "DOUBLE1"}).content.decode()


def test_what_was_is_found_and_says_until_when(world: World, unit: Registration) -> None:
    ended = NOW - timedelta(days=206)
    Registration.objects.filter(pk=unit.pk).update(removed_at=ended)
    unit.transmitter.retired_at = ended
    unit.transmitter.save()
    page = world.client("office").get("/search/", {"q": "7712"}).content.decode()
    assert f"was at {world.own_site.name}, {world.own_receiver.label}, slot 9: {unit.label}" in page
    assert "until 3 May 2026" in page
    assert "out of use" in page
    assert hits(world, "bed 12b")["Slots by place"] == [unit.label]
    factories.make_registration(world.own_receiver, 10, label="Bed 12b, new unit")
    assert hits(world, "bed 12b")["Slots by place"] == ["Bed 12b, new unit", unit.label]


def test_a_technician_finds_sites_receivers_and_serials_on_pages_of_the_phone(world: World, unit: Registration) -> None:
    found = hits(world, "7712", "technician")
    assert found == {"Transmitters": ["QX-40 7712"]}
    page = world.client("technician").get("/tech/search/", {"q": "7712"}).content.decode()
    assert f"/tech/transmitters/{unit.transmitter_id}/" in page
    assert "Customers" not in hits(world, "harbour", "technician")


def test_access_notes_are_not_searched(world: World) -> None:
    AccessNote.objects.create(customer=world.own, site=world.own_site, title="Quayside box", cipher=b"quayside 4711")
    assert hits(world, "quayside") == {}


def test_under_the_box_stand_the_first_few_as_a_fragment(world: World) -> None:
    for n in range(8):
        factories.make_transmitter(world.own, serial=f"ZK-{n}")
    answer = world.client("office").get("/search/", {"q": "zk"}, headers={"HX-Request": "true"})
    text = answer.content.decode()
    assert text.count('role="option"') == 5
    assert "<html" not in text
    assert "data-exact" not in text
    assert (
        "data-exact"
        in world.client("office").get("/search/", {"q": "ZK3"}, headers={"HX-Request": "true"}).content.decode()
    )


def test_more_than_a_page_is_said(world: World) -> None:
    for n in range(25):
        factories.make_transmitter(world.own, serial=f"ZK-{n:02}")
    page = world.client("office").get("/search/", {"q": "zk"}).content.decode()
    assert "the first 20" in page
    assert "ZK-19" in page
    assert "ZK-20" not in page


@pytest.mark.parametrize("words", ["", "   ", " - ", "zzz<script>", "%", "_", "\\", "x" * 500])
def test_odd_words_do_no_harm(world: World, words: str) -> None:
    answer = world.client("office").get("/search/", {"q": words})
    assert answer.status_code == 200
    assert not answer.context["groups"]
    assert "zzz<script>" not in answer.content.decode()


def test_a_serial_by_its_beginning_is_read_from_an_index(world: World) -> None:
    from maintenance.querysets.search import Indexed

    assert Registration.objects.exists()
    rows = type(world.own_registration.transmitter).objects.annotate(folded=Indexed("serial"))
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            # A table of two rows is read whole; the plan is asked for as it would be with many.
            cursor.execute("SET LOCAL enable_seqscan = off")
    plan = rows.filter(folded__gte="qx", folded__lt="qy").order_by("folded").explain()
    assert "transmitter_serial_begin" in plan
