"""The search box: everything by any part of it, the best first, and nothing to whom it is not shown."""

from __future__ import annotations

import random
import re
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection

from devices.models import Registration, Transmitter
from devices.search_tables import PLACES, SERIALS, TABLES, ensure_parts, fold
from maintenance.querysets import search
from sites.models import AccessNote
from tests import factories
from tests.conftest import World
from tests.devices.panels import make_account

pytestmark = pytest.mark.django_db
NOW = factories.NOW
# The codes of receivers are ten letters and digits by chance, and are found by any part of them too.
LONGER_THAN_A_CODE = "ZKLANTERNROW"


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


@pytest.mark.parametrize(
    "words", ["QX-40 7712", "qx407712", "qx 40-77", "7712", "X4 07", "QX-40 7712,", "QX-407712.", "7712; "]
)
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


def test_what_comes_in_is_found_by_the_office_and_by_nobody_else(world: World) -> None:
    source = factories.make_gateway(world.own, name="Lantern mast")
    batch = source.batches.create(batch_id="b", sha256="0" * 64)
    for serial in ("NN-40 7713", "nn407713"):
        batch.set_aside.create(
            customer=world.own, receiver=world.own_receiver, serial=serial, kind="check_in", at=NOW, event={}, why="?"
        )
    account = make_account(world.own_receiver, number="AB12")
    assert hits(world, "n40-77") == {"Heard, not on record": ["nn407713"]}, "One unit, however it was spelt."
    assert hits(world, "ab12") == {"Panels": ["AB12"]}
    assert hits(world, f"ab12 {world.own_site.name}") == {"Panels": ["AB12"]}
    assert "Panels" not in hits(world, world.own_site.name), "A site alone is no panel."
    assert hits(world, "lantern-mast") == {"Sources of check-ins": ["Lantern mast"]}
    for words, where in (
        ("NN407713", batch.set_aside.latest("pk").pk),
        ("AB12", account.pk),
        ("lantern mast", source.pk),
    ):
        page = world.client("office").get("/search/", {"q": words}).content.decode()
        assert re.search(rf'<a href="/check-ins/[a-z-]+/{where}/" data-first-hit>', page), words
        assert hits(world, words, "technician") == {}


def test_a_unit_that_was_dealt_with_is_not_found_as_waiting(world: World) -> None:
    batch = factories.make_gateway(world.own).batches.create(batch_id="b", sha256="0" * 64)
    batch.set_aside.create(serial="NN-1", event={}, why="?", dismissed_at=NOW)
    assert hits(world, "NN-1") == {}


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
        factories.make_transmitter(world.own, serial=f"{LONGER_THAN_A_CODE}-{n}")

    def fragment(words: str) -> str:
        return world.client("office").get("/search/", {"q": words}, headers={"HX-Request": "true"}).content.decode()

    text = fragment(LONGER_THAN_A_CODE.lower())
    assert text.count('role="option"') == 5
    assert "<html" not in text
    assert "data-exact" not in text
    assert "data-exact" in fragment(f"{LONGER_THAN_A_CODE}3")


def test_more_than_a_page_is_said(world: World) -> None:
    for n in range(25):
        factories.make_transmitter(world.own, serial=f"{LONGER_THAN_A_CODE}-{n:02}")
    page = world.client("office").get("/search/", {"q": LONGER_THAN_A_CODE}).content.decode()
    assert "the first 20" in page
    assert f"{LONGER_THAN_A_CODE}-19" in page
    assert f"{LONGER_THAN_A_CODE}-20" not in page


@pytest.mark.parametrize("words", ["", "   ", " - ", "zzz<script>", "%", "_", "\\", "x" * 500])
def test_odd_words_do_no_harm(world: World, words: str) -> None:
    answer = world.client("office").get("/search/", {"q": words})
    assert answer.status_code == 200
    assert not answer.context["groups"]
    assert "zzz<script>" not in answer.content.decode()


def plan_of(rows: Any) -> str:
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            # A table of two rows is read whole; the plan is asked for as it would be with many.
            cursor.execute("SET LOCAL enable_seqscan = off")
            cursor.execute("SET LOCAL enable_indexscan = off")
    return str(rows.explain())


def test_beginnings_and_parts_are_read_from_an_index(world: World) -> None:
    serials = search.with_texts(Transmitter.objects.all(), "serial")
    labels = search.with_texts(Registration.objects.all(), "label", "area")
    on_postgresql = connection.vendor == "postgresql"
    assert "transmitter_serial_begin" in plan_of(serials.filter(search._begins(serials, "qx")))
    assert "registration_place_begin" in plan_of(labels.filter(search._begins(labels, "ö")))
    part = plan_of(search._holding(serials, SERIALS, ["x40"]))
    assert ("transmitter_serial_part" if on_postgresql else "SCAN search_serial VIRTUAL TABLE") in part
    part = plan_of(search._holding(labels, PLACES, ["bath", "12"]))
    assert ("registration_place_part" if on_postgresql else "SCAN search_place VIRTUAL TABLE") in part


LETTERS = (
    "a",
    "B",
    "Ö",
    "ö",
    "é",
    "Σ",
    "ς",
    "σ",
    "Ж",
    "ж",
    "ß",
    "%",
    "_",
    "'",
    '"',
    "\\",
    "-",
    " ",
    "1",
    "2",
    "*",
    "(",
    ":",
)


def test_the_fast_way_finds_what_a_plain_look_at_every_row_finds(world: World) -> None:
    """Several hundred rows of odd characters; parts of them, of one to five characters, and words of two parts."""
    chance = random.Random(7)

    def odd(n: int) -> str:
        return "x" + "".join(chance.choices(LETTERS, k=n))

    units = Transmitter.objects.bulk_create(
        Transmitter(customer=world.own, type=world.own_registration.transmitter.type, serial=f"{odd(9)}{i}")
        for i in range(300)
    )
    Registration.objects.bulk_create(
        Registration(
            customer=world.own, site=world.own_site, receiver=world.own_receiver, slot=100 + i, transmitter=unit,
            duty="staff", label=odd(7), area=odd(4), registered_at=NOW,
        )
        for i, unit in enumerate(units)
    )  # fmt: skip
    # Changed and taken away by statement, as no trigger of Django's would notice.
    Registration.objects.filter(slot__lt=140, slot__gte=100).update(label="Östra Σάς", area="")
    Registration.objects.filter(slot__gte=380).delete()
    serials = list(Transmitter.objects.values_list("serial", flat=True))
    labels = list(Registration.objects.values_list("label", "area"))
    texts = [*serials, *(f"{label} {area}" for label, area in labels)]
    n_found = 0
    for _ in range(150):
        text, start = chance.choice(texts), chance.randrange(12)
        asked = text[start : start + chance.randrange(1, 6)] + chance.choice(("", "", " " + text[1:3]))
        asked = chance.choice((asked, asked.upper(), asked.lower()))
        whole, words = fold(search.pasted(asked)), search.words_of(search.pasted(asked))
        if not words or any(word in fold(f"{site.name} {site.code}") for site in (world.own_site,) for word in words):
            continue
        found = search.find(world.office, asked, n=1000, kinds=("transmitters", "places"))
        in_serial = [s for s in serials if (whole in fold(s) if len(whole) > 2 else fold(s).startswith(whole))]
        assert sorted(hit.name for hit in found.transmitters) == sorted(in_serial), asked
        folded = [(label, fold(f"{label} {area}")) for label, area in labels]
        is_short = all(len(word) < 3 for word in words)
        in_label = [
            label for label, text in folded
            if all(word in text for word in words) and (not is_short or any(text.startswith(word) for word in words))
        ]  # fmt: skip
        if not found.first_exact:
            assert sorted({hit.name for hit in found.places}) == sorted(set(in_label)), asked
        n_found += bool(in_serial) + bool(in_label)
    assert n_found > 60


@pytest.mark.skipif(connection.vendor != "sqlite", reason="PostgreSQL keeps its text in the row")
def test_tables_of_parts_are_made_again_when_they_are_gone_or_out_of_count(world: World, unit: Registration) -> None:
    spoilt = (
        "DROP TRIGGER search_serial_chg",
        "DROP TABLE search_serial",
        "INSERT INTO search_serial (search_serial) VALUES ('delete-all')",
    )
    for statement in spoilt:
        with connection.cursor() as cursor:
            cursor.execute(statement)
        ensure_parts()
        assert hits(world, "407712")["Transmitters"] == ["QX-40 7712"], statement
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT count(*) FROM sqlite_master WHERE type = 'trigger' AND name LIKE 'search!_%' ESCAPE '!'"
            )
            assert cursor.fetchone()[0] == 6


@pytest.mark.skipif(connection.vendor != "sqlite", reason="PostgreSQL keeps its text in the row")
def test_without_trigrams_the_answers_are_the_same(world: World, unit: Registration) -> None:
    before = hits(world, "407712"), hits(world, "cord 12b")
    with connection.cursor() as cursor:
        for table in (SERIALS, PLACES):
            for name in table.triggers():
                cursor.execute(f"DROP TRIGGER {name}")
            cursor.execute(f"DROP TABLE {table.name}")
    assert (hits(world, "407712"), hits(world, "cord 12b")) == before


def test_only_serials_and_places_are_kept_in_parts() -> None:
    assert {(table.table, *table.columns) for table in TABLES} == {
        ("devices_transmitter", "serial"), ("devices_registration", "label", "area"),
    }  # fmt: skip
