"""An import, and one that is taken back, while a batch of the same transmitters comes: each waits for the other, none is lost."""

import threading
import time
from datetime import timedelta

import pytest
from django.db import connections
from django.utils import timezone

from company.bulk import Statement
from company.models import Upload
from devices.actions.import_undo import prepare_taking_back, take_back_import
from devices.actions.imports import apply_import, change_mark, prepare_import
from devices.actions.intake import take_batch
from devices.actions.intake_memory import memory
from devices.models import CheckInDay, Fitting
from devices.rules.events import Event
from devices.rules.import_records import FittingWrite, Plan
from tests.factories import make_gateway, make_manager, make_receiver, make_unit

pytestmark = pytest.mark.django_db(transaction=True)
RUN = Statement.run


class Scene:
    """Two transmitters with cells in one receiver, a gateway, and an import that dates their cells anew, later key first."""

    def __init__(self):
        memory.clear()
        self.now = timezone.now().replace(microsecond=0)
        receiver = make_receiver()
        self.units = [make_unit(receiver, slot) for slot in (1, 2)]
        self.source = make_gateway(receiver.customer)
        self.by = make_manager()
        self.upload = Upload.objects.create(name="book.xlsx", by=self.by, content=b"x")
        self.n = 0
        self.wrote_one = threading.Event()
        self.failed = []
        self.batch()
        self.batch()

    def batch(self):
        self.n += 1
        at = self.now - timedelta(hours=9 - self.n)
        events = [Event(n, "check_in", at, unit.serial) for n, unit in enumerate(self.units, 1)]
        take_batch(source=self.source, batch_id=str(self.n), sha256="a" * 64, events=events, at=self.now)

    def dated_anew(self):
        """What applies an import."""
        day = (self.now - timedelta(days=300)).date()
        writes = [
            FittingWrite(unit.serial, Fitting.objects.get(transmitter=unit).pk, {"fitted_on": day})
            for unit in reversed(self.units)
        ]
        plan, mark = Plan(fittings=writes), change_mark()
        book = prepare_import(plan=plan, by=self.by, at=self.now, reason="book.xlsx", batch=self.upload.uuid)
        return lambda: apply_import(book=book, plan=plan, mark=mark, finish=lambda told: None)

    def taken_back(self):
        """What takes it back."""
        at, mark = timezone.now(), change_mark()
        prepared = prepare_taking_back(upload=self.upload, by=self.by, at=at)
        return lambda: take_back_import(
            prepared=prepared, upload=self.upload, mark=mark, by=self.by, at=at, finish=lambda told: None
        )

    def in_thread(self, work):
        def run():
            try:
                work()
            except Exception as error:
                self.failed.append(error)
            finally:
                connections.close_all()

        thread = threading.Thread(target=run)
        thread.start()
        return thread

    def both(self, work, monkeypatch):
        """Do the work, pausing between its rows, and let a batch come meanwhile; gives what failed."""

        def slow(statement):
            if statement.sql.startswith('UPDATE "devices_fitting"') and len(statement.rows) > 1:
                RUN(Statement(statement.sql, statement.rows[:1]))
                self.wrote_one.set()
                time.sleep(0.7)
                RUN(Statement(statement.sql, statement.rows[1:]))
            else:
                RUN(statement)

        monkeypatch.setattr(Statement, "run", slow)
        working = self.in_thread(work)
        assert self.wrote_one.wait(20)
        batch = self.in_thread(self.batch)
        working.join(30)
        batch.join(30)
        monkeypatch.setattr(Statement, "run", RUN)
        return self.failed


def test_an_import_and_a_batch_wait_for_each_other(monkeypatch):
    scene = Scene()
    assert scene.both(scene.dated_anew(), monkeypatch) == []
    assert set(CheckInDay.objects.values_list("heard", flat=True)) <= {1, 2, 3}
    assert sum(CheckInDay.objects.values_list("heard", flat=True)) == 6


def test_taking_one_back_and_a_batch_wait_for_each_other(monkeypatch):
    scene = Scene()
    scene.dated_anew()()
    assert scene.both(scene.taken_back(), monkeypatch) == []
    assert sum(CheckInDay.objects.values_list("heard", flat=True)) == 6
