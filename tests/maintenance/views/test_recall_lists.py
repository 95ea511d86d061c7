"""Lists of recalls and of what one names: on the page, as a table, on paper, and in few queries."""

from datetime import timedelta

import pytest
import time_machine
from django.urls import reverse

from maintenance.actions.recalls import RecallPlan, open_recall
from maintenance.models import RecallItem
from maintenance.rules.recalls import RecallFilter
from tests import factories
from tests.factories import NOW, TODAY
from tests.house.test_query_growth import assert_same_queries
from tests.maintenance.views.test_recalls import NEW, make_recall, make_things, text_of

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def things(world):
    return make_things(world)


@pytest.fixture
def recall(world, things):
    return make_recall(world)


def test_a_preview_names_the_cells_and_says_when_a_lot_spans_several_types(world, things):
    client = world.client("office")
    code = things[0].transmitter.fittings.get().battery_type.iec_code
    one = text_of(client.get(reverse(NEW), {"lots": "24A17"}))
    assert "spans several types" not in one
    assert one.count(f"{code} 24A17") == 3
    other = factories.make_registration(world.own_receiver, 9)
    factories.make_fitting(
        other.transmitter, lot="24A17", battery_type=factories.battery_type("lr6", label="LR6 cell", iec_code="LR6")
    )
    both = text_of(client.get(reverse(NEW), {"lots": "24A17"}))
    assert f"It spans several types of cells: {code} at 3, LR6 at 1." in both


def test_the_list_of_recalls_shows_open_ones_and_finds_closed_ones(world, recall):
    client, url = world.client("office"), reverse("maintenance:recall_list")
    said = text_of(client.get(url))
    assert "0 of 3" in said
    assert "1 on life safety" in said
    assert "No recall is like that" in text_of(client.get(url, {"state": "closed"}))
    assert "Lot 24A17" in text_of(client.get(url, {"q": recall.items.first().transmitter.serial, "state": "all"}))
    for sort in ("title", "-due", "left", "opened", "nonsense"):
        assert client.get(url, {"sort": sort}).status_code == 200


def test_the_whole_list_goes_out_as_a_table_and_on_paper(world, things, recall):
    client = world.client("office")
    table = client.get(reverse("maintenance:recall_csv", args=[recall.pk])).content.decode("utf-8-sig")
    head, *lines = table.strip().splitlines()
    assert head.startswith("customer,site,receiver,slot")
    assert len(lines) == 3
    assert "Harbour Trust" in lines[0]
    assert "life safety" in lines[0].lower()
    assert text_of(client.get(reverse("maintenance:recall_print", args=[recall.pk]))).count("24A17") >= 3


def test_a_lot_that_looks_like_a_formula_is_disarmed_in_the_table(world, recall):
    item = recall.items.first()
    item.fitting.lot = "=1+1"
    item.fitting.save()
    table = world.client("office").get(reverse("maintenance:recall_csv", args=[recall.pk])).content.decode("utf-8-sig")
    assert "'=1+1" in table


def test_a_recall_past_its_date_is_said_on_the_list_of_what_is_due_until_it_is_settled(world, things, recall):
    client, words = world.client("office"), "Recall past its date: Lot 24A17"
    urls = [reverse("maintenance:due_list"), reverse("maintenance:recall_list")]
    assert all(words not in text_of(client.get(url)) for url in urls)
    with time_machine.travel(NOW + timedelta(days=29), tick=False):
        client = world.client("office")
        assert all(
            f"{words}, by 23 Dec 2026, 3 still to do" in text_of(client.get(url)).replace(" ,", ",") for url in urls
        )
        recall.items.update(state="done", state_at=NOW)
        assert all(words not in text_of(client.get(url)) for url in urls)


def grown(world, recall, n):
    """Further transmitters of a recall, each at a site of its own with a stop to come."""
    for _ in range(n):
        row = factories.make_registration(factories.make_receiver(factories.make_site(world.own)), 1)
        cells = factories.make_fitting(row.transmitter, lot="24A17")
        RecallItem.objects.create(
            customer=row.customer, recall=recall, site=row.site, receiver=row.receiver, registration=row,
            transmitter=row.transmitter, fitting=cells,
        )  # fmt: skip
        factories.make_visit(row.site, factories.make_round(world.technician))


@pytest.mark.parametrize("name", ["recall_detail", "recall_rounds", "recall_csv", "recall_print"])
def test_pages_of_a_recall_ask_as_much_for_3_as_for_23(world, recall, name):
    url = reverse(f"maintenance:{name}", args=[recall.pk])
    assert_same_queries(world.client("office"), url, lambda n: grown(world, recall, n))


def test_the_list_of_recalls_and_a_preview_ask_as_much_for_3_as_for_23(world, recall):
    def more(n):
        for _ in range(n):
            other = open_recall(
                plan=RecallPlan("Another", "They leak.", TODAY, RecallFilter(lots=("24A17",))),
                by=world.office,
                at=NOW,
                today=TODAY,
            )
            grown(world, other, 1)

    client = world.client("office")
    assert_same_queries(client, reverse("maintenance:recall_list"), more)
    assert_same_queries(client, reverse(NEW) + "?lots=24A17", more)
