"""From a recall to the date, the packing list and the sheet, and back when the cells are out: the whole chain."""

from datetime import date, time, timedelta

import pytest
from django.urls import reverse

from devices.actions.batteries import fit_battery
from maintenance.actions.recall_rounds import Pull, pull_into_rounds
from maintenance.actions.recalls import RecallPlan, close_recall, open_recall, set_item_state
from maintenance.actions.rounds import RoundPlan
from maintenance.models import DueItem, RecallItem, Visit
from maintenance.querysets.days import due_on_visit
from maintenance.rules.recalls import RecallFilter
from tests import factories
from tests.factories import NOW, TODAY
from tests.maintenance.views.test_recalls import text_of

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]
DUE_BY = TODAY + timedelta(days=40)


@pytest.fixture
def row(world):
    """Cells fitted a month ago: by themselves they are good for years."""
    row = factories.make_registration(world.own_receiver, 2)
    factories.make_fitting(row.transmitter, lot="24A17", fitted_at=NOW - timedelta(days=30))
    return row


def recalled(world, capture, **over):
    fields = {"title": "Lot 24A17", "why": "They leak.", "due_on": DUE_BY, "filter": RecallFilter(lots=("24A17",))}
    with capture(execute=True):
        return open_recall(plan=RecallPlan(**(fields | over)), by=world.office, at=NOW, today=TODAY)


def due(row, kind="cells"):
    return DueItem.objects.open().filter(transmitter=row.transmitter, kind=kind).first()


def test_a_recall_sets_the_date_and_new_cells_take_it_away(world, row, django_capture_on_commit_callbacks):
    recalled(world, django_capture_on_commit_callbacks)
    assert (due(row).due_on, due(row).reason) == (DUE_BY, "recall")
    with django_capture_on_commit_callbacks(execute=True):
        fit_battery(
            transmitter=row.transmitter, battery_type=factories.battery_type(), by=world.office, at=NOW, lot="26C01"
        )
    assert RecallItem.objects.get().state == "done"
    assert due(row).reason != "recall"
    assert due(row).due_on > DUE_BY


def test_looked_at_and_not_affected_or_a_closed_recall_gives_the_old_date_back(
    world, row, django_capture_on_commit_callbacks
):
    recall = recalled(world, django_capture_on_commit_callbacks)
    with django_capture_on_commit_callbacks(execute=True):
        item = set_item_state(item=recall.items.get(), state="not_affected", note="lot 26C01", by=world.office, at=NOW)
    assert due(row).reason != "recall"
    with django_capture_on_commit_callbacks(execute=True):
        set_item_state(item=item, state="open", note="it is that lot after all", by=world.office, at=NOW)
    assert due(row).reason == "recall"
    with django_capture_on_commit_callbacks(execute=True):
        close_recall(recall=recall, by=world.manager, at=NOW, reason="opened by mistake")
    assert due(row).reason != "recall"


def test_a_whole_unit_without_any_other_date_becomes_due(world, row, django_capture_on_commit_callbacks):
    assert due(row, "unit") is None
    recalled(world, django_capture_on_commit_callbacks, what="unit")
    assert (due(row, "unit").due_on, due(row, "unit").reason) == (DUE_BY, "recall")


def test_the_cell_welded_into_a_unit_is_recalled_with_it(world, django_capture_on_commit_callbacks):
    kind = factories.transmitter_type("sealed", label="smoke detector, sealed cell", welded_cell=True)
    unit = factories.make_transmitter(world.own, type=kind)
    row = factories.make_registration(world.own_receiver, 3, transmitter=unit)
    factories.make_fitting(unit, lot="24A17", fitted_at=NOW - timedelta(days=30))
    recalled(world, django_capture_on_commit_callbacks)
    assert (due(row, "unit").due_on, due(row, "unit").reason) == (DUE_BY, "recall")


def test_recalled_cells_stand_on_the_packing_list_and_on_the_sheet(world, row, django_capture_on_commit_callbacks):
    recalled(world, django_capture_on_commit_callbacks)
    plan = RoundPlan(
        name="Lot 24A17", day=date(2026, 11, 27), technician=world.technician, starts=time(8, 30), horizon_weeks=0
    )
    (round,) = pull_into_rounds(
        pull=Pull(plan, 8, DUE_BY), sites=[world.own_site], grave=(), by=world.office, at=NOW, today=TODAY
    )
    visit = Visit.objects.get(round=round)
    assert due(row) in due_on_visit(visit)
    packing = text_of(world.client("office").get(reverse("maintenance:round_packing", args=[round.pk])))
    assert "CR2450" in packing
    assert row.label in packing
    round.state = "published"
    round.save()
    sheet = text_of(world.client("technician").get(reverse("maintenance:tech_visit", args=[visit.pk])))
    assert row.label in sheet


def test_the_portal_shows_a_date_and_never_a_recall(world, row, django_capture_on_commit_callbacks):
    recalled(world, django_capture_on_commit_callbacks, title="Zymurgic letter", why="Quixotic leak.")
    client = world.client("own_user")
    pages = [
        reverse("maintenance:portal_home"),
        reverse("maintenance:portal_site", args=[world.own_site.uuid]),
        reverse("maintenance:portal_slot_map", args=[world.own_receiver.code]),
    ]
    for url in pages:
        page = client.get(url)
        assert page.status_code == 200
        said = page.content.decode()
        assert "Zymurgic" not in said
        assert "Quixotic" not in said
        assert "recall" not in said.lower()
