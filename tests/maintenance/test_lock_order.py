"""A visit is locked before any receiver, a round before its visits: who works on site and who plans never wait crosswise."""

import uuid
from dataclasses import replace
from datetime import timedelta

import pytest

from devices.actions.plans import plan_change
from devices.actions.plans_wish import Wish
from devices.actions.slot_settings import settings_of
from maintenance.actions.entries import Saying, record_entry
from maintenance.actions.plans import do_on_visit
from maintenance.actions.stops import remove_stop
from maintenance.actions.visits import Signing, finish_visit
from tests.factories import NOW, make_registration, make_round, make_user, make_visit
from tests.tools.crossing import crossings, needs_postgresql

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("at_now"), needs_postgresql]
LATER = NOW + timedelta(hours=1)


@pytest.fixture
def technician():
    return make_user("technician")


def test_a_plan_done_on_a_visit_and_cells_recorded_there_by_a_colleague(technician):
    row = make_registration(registered_at=NOW - timedelta(days=10))
    visit = make_visit(row.site, state="open", arrived_at=NOW)
    plan = plan_change(
        receiver=row.receiver, slot=row.slot, wish=Wish("change", replace(settings_of(row), window_s=3600)), by=technician,
        at=NOW, reason="agreed",
    )  # fmt: skip
    cells = Saying("battery", {"cells": "cr2450"}, row.receiver, row)

    def record():
        record_entry(visit=visit, saying=cells, key=uuid.uuid4(), by=technician, at=LATER)

    assert crossings(lambda: do_on_visit(visit=visit, plan=plan, by=technician, at=LATER), record) == []


def test_a_visit_finished_while_the_office_takes_another_stop_out_of_the_round(technician):
    round = make_round(technician)
    here, there = make_visit(round=round, state="open", arrived_at=NOW), make_visit(round=round)
    facts = {"signing": Signing(refused_why="nobody there"), "not_done": [], "by": technician, "at": LATER}

    def take_out():
        remove_stop(visit=there, seen_version=round.version, by=technician, at=LATER)

    assert crossings(lambda: finish_visit(visit=here, **facts), take_out) == []
