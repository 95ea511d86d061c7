"""On site nobody fits cells of a bad lot unawares, and whoever has fitted them can always say so."""

from __future__ import annotations

import re
import uuid
from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone

from devices.models import Fitting
from maintenance.actions.recalls import RecallPlan, open_recall
from maintenance.models import DueItem, Entry, LotFit, Recall, Visit
from maintenance.querysets.new_cells import bad_among, bad_lots
from maintenance.rules.recalls import RecallFilter
from tests import factories
from tests.conftest import World
from tests.factories import NOW, TODAY
from tests.maintenance.fits_made import make_fit, make_kind

pytestmark = pytest.mark.django_db


@pytest.fixture
def visit(world: World) -> Visit:
    factories.battery_type()
    today = timezone.localdate()
    round = factories.make_round(world.technician, day=today)
    return factories.make_visit(world.own_site, round, state="open", arrived_at=timezone.now(), planned_on=today)


@pytest.fixture
def kind() -> Any:
    return make_kind(make_fit())


@pytest.fixture
def suspect(kind: Any) -> LotFit:
    return lot_row(kind, "23-47K")


def lot_row(kind: Any, code: str, **over: Any) -> LotFit:
    facts = {"observed": 9, "expected": 1.0, "is_suspect": True} | over
    return LotFit.objects.create(fit=kind.fit, stratum=kind, code=code, **facts)


def recall_of(world: World, *lots: str, **over: Any) -> Recall:
    row = factories.make_registration(world.own_receiver, 2 + Recall.objects.count())
    factories.make_fitting(row.transmitter, lot=lots[0])
    plan = RecallPlan("Leaking cells", "They leak.", TODAY + timedelta(days=28), RecallFilter(lots=lots, **over))
    return open_recall(plan=plan, by=world.office, at=NOW, today=TODAY)


def known() -> list[tuple[str, str]]:
    return [(lot.code, lot.cells) for lot in bad_lots(LotFit.objects.all(), Recall.objects.all())]


def sheet(world: World, visit: Visit, slot: int | str = 1) -> str:
    url = reverse("maintenance:tech_visit", args=[visit.pk])
    asked = {"r": world.own_receiver.pk, "show": "all", "slot": slot}
    return world.client("technician").get(url, asked).content.decode()


def change(world: World, visit: Visit, **facts: Any) -> Any:
    url = reverse("maintenance:tech_record", args=[visit.pk, "battery"])
    typed = {
        "key": uuid.uuid4(), "registration": world.own_registration.pk, "cells": "cr2450", "n_cells": 1,
        "old_why": "preventive", "r": world.own_receiver.pk, "slot": 1, "show": "all",
    }  # fmt: skip
    return world.client("technician").post(url, typed | facts)


# --- which lots -----------------------------------------------------------------------------------------------------------


def test_suspect_and_recalled_lots_are_known_with_their_cells(world: World, kind: Any, suspect: LotFit) -> None:
    recall_of(world, "24A17", "24A18", battery_type=factories.battery_type().pk)
    recall_of(world, "ANY-1")
    assert known() == [("23-47K", "cr2450"), ("24A17", "cr2450"), ("24A18", "cr2450"), ("ANY-1", "")]


def test_good_lots_half_years_former_fits_and_closed_recalls_are_no_bad_lots(world: World, kind: Any) -> None:
    lot_row(kind, "GOOD-1", is_suspect=False)
    lot_row(kind, "2025-H2", is_half_year=True)
    lot_row(make_kind(make_fit(as_of=TODAY - timedelta(days=1), is_current=False)), "FORMER-1")
    recall = recall_of(world, "24A17")
    Recall.objects.filter(pk=recall.pk).update(closed_at=NOW, closed_by=world.office)
    assert known() == []


def test_a_lot_that_is_suspect_and_recalled_stands_once_as_recalled(world: World, suspect: LotFit) -> None:
    recall_of(world, "23-47k", battery_type=factories.battery_type().pk)
    (lot,) = bad_lots(LotFit.objects.all(), Recall.objects.all())
    assert lot.why == "being recalled: Leaking cells"


@pytest.mark.parametrize(
    ("noted", "cells", "is_bad"),
    [("23-47K", "cr2450", True), (" 23-47k ", "cr2450", True), ("24-01A; 23-47K", "cr2450", True),
     ("23-47K", "", True), ("23-47K", "other-cell", False), ("23-47", "cr2450", False), ("", "cr2450", False)],
)  # fmt: skip
def test_a_code_is_compared_as_a_person_reads_it(suspect: LotFit, noted: str, cells: str, is_bad: bool) -> None:
    bad = bad_lots(LotFit.objects.all(), Recall.objects.all())
    assert bool(bad_among(bad, noted, cells)) is is_bad


# --- on the sheet ---------------------------------------------------------------------------------------------------------


def test_the_sheet_brings_every_bad_lot_along_and_says_what_to_do(world: World, visit: Visit, suspect: LotFit) -> None:
    recall_of(world, "24A17")
    page = sheet(world, visit)
    assert 'data-lot="23-47K" data-cells="cr2450"' in page
    assert 'data-lot="24A17" data-cells=""' in page
    assert "Put such cells aside, marked, and tell the office." in page
    assert page.index("data-lots") < page.index("Battery changed"), "it is read before the button is pressed"


def test_lots_of_other_cells_are_brought_along_and_shown_only_when_those_are_chosen(
    world: World, visit: Visit, kind: Any
) -> None:
    other = make_kind(kind.fit, 1, battery_type=factories.battery_type("other-cell"))
    lot_row(other, "OTHER-1")
    page = sheet(world, visit)
    assert re.search(r'data-lot="OTHER-1" data-cells="other-cell" hidden', page)
    assert "data-lots hidden" in page


def test_without_bad_lots_the_sheet_is_as_ever(world: World, visit: Visit) -> None:
    page = sheet(world, visit)
    assert "data-lot" not in page
    assert "lot_why" not in page


def test_cells_of_a_bad_lot_are_not_recorded_without_a_word_and_nothing_typed_is_lost(
    world: World, visit: Visit, suspect: LotFit
) -> None:
    answer = change(world, visit, lot="23-47K", old_v="2.4")
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "Lot 23-47K is suspect: cells of it ended sooner than others." in page
    assert "put these aside and tell the office" in page
    assert 'value="23-47K"' in page
    assert 'value="2.4"' in page
    assert not Entry.objects.exists()


def test_with_a_reason_they_are_recorded_and_the_office_reads_why(world: World, visit: Visit, suspect: LotFit) -> None:
    answer = change(world, visit, lot="23-47K", lot_why="No others in the van; a dead pendant was worse")
    assert answer.status_code == 302
    assert Fitting.objects.open().get(transmitter=world.own_registration.transmitter).lot == "23-47K"
    assert Entry.objects.get().facts["lot_why"] == "No others in the van; a dead pendant was worse"
    assert "tell the office" in world.client("technician").get(answer.url).content.decode()
    office = world.client("office").get(visit.get_absolute_url()).content.decode()
    assert "fitted although we warn of the lot: No others in the van; a dead pendant was worse" in office


def test_good_cells_need_no_reason_and_say_the_same_as_ever(world: World, visit: Visit, suspect: LotFit) -> None:
    assert change(world, visit, lot="24-01A").status_code == 302
    assert "lot_why" not in Entry.objects.get().facts


def test_an_entry_can_be_corrected_to_a_bad_lot_with_a_reason_only(world: World, visit: Visit, suspect: LotFit) -> None:
    change(world, visit)
    url = reverse("maintenance:tech_entry", args=[Entry.objects.get().pk])
    typed = {"key": uuid.uuid4(), "cells": "cr2450", "n_cells": 1, "old_why": "preventive", "lot": "23-47K"}
    assert world.client("technician").post(url, typed).status_code == 422
    assert world.client("technician").post(url, typed | {"lot_why": "read again"}).status_code == 302
    assert Entry.objects.standing().get().facts["lot"] == "23-47K"


def test_the_questions_asked_do_not_grow_with_the_lots(
    world: World, visit: Visit, kind: Any, count_queries: Any
) -> None:
    lot_row(kind, "LOT-0")
    first = count_queries(lambda: sheet(world, visit))
    for n in range(1, 9):
        lot_row(kind, f"LOT-{n}")
    assert count_queries(lambda: sheet(world, visit)) == first


@pytest.fixture
def count_queries() -> Any:
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    def count(deed: Any) -> int:
        with CaptureQueriesContext(connection) as asked:
            deed()
        return len(asked)

    return count


# --- what is loaded -------------------------------------------------------------------------------------------------------


def test_the_packing_list_says_which_lots_stay_behind(world: World, visit: Visit, suspect: LotFit, kind: Any) -> None:
    lot_row(make_kind(kind.fit, 1, battery_type=factories.battery_type("other-cell", iec_code="XR99")), "OTHER-1")
    DueItem.objects.create(
        customer=world.own, site=world.own_site, kind="cells", fitting=world.own_fitting, receiver=world.own_receiver,
        registration=world.own_registration, transmitter=world.own_registration.transmitter,
        duty="life_safety", harm=0, due_on=timezone.localdate() - timedelta(days=1), reason="calendar", model_version="1", as_of=TODAY,
    )  # fmt: skip
    url = reverse("maintenance:tech_packing", args=[visit.round_id])
    page = world.client("technician").get(url).content.decode()
    assert "<b>Lot 23-47K</b>" in page
    assert "OTHER-1" not in page, "cells that nobody loads today"
