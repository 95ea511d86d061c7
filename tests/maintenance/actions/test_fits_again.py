"""Fits made again: after a crash, by hand, from the same facts."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.core.management import call_command
from django.utils import timezone

from company import jobs
from company.models import Job
from devices.models import Receiver
from maintenance.actions import due, fits
from maintenance.models import BatteryFit, DueChange, DueItem, LotFit, RefreshRun, StratumFit
from tests import factories
from tests.factories import NOW, TODAY
from tests.maintenance.actions.test_fits import due_on, ended, in_service, item_of, tonight

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def receiver(db: Any) -> Receiver:
    return factories.make_receiver()


def test_a_fit_that_died_half_written_is_made_again_and_leaves_nothing(
    receiver: Receiver, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    in_service(receiver)
    ended(10, after_days=600, lot="A1")
    run = due.start_nightly(day=TODAY)
    handle = jobs.claim(Job.objects.get(handler__endswith="fit_night").pk)
    assert handle is not None
    monkeypatch.setattr(fits, "_lots", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
    with pytest.raises(KeyboardInterrupt):
        due.fit_night(handle, run_id=run.pk)
    monkeypatch.undo()
    assert BatteryFit.objects.filter(is_current=False).count() == 1, "strata are there, lots are not, nobody uses it"
    assert not Job.objects.filter(handler__endswith="refresh_chunk").exists(), "no chunk before the fit is in use"
    with time_machine.travel(NOW + timedelta(seconds=settings.JOB_LEASE_S + 60), tick=False):
        jobs.run_ready()
        with pytest.raises(jobs.LeaseLost):
            due.fit_night(handle, run_id=run.pk)
    run.refresh_from_db()
    assert run.state == "closed"
    assert BatteryFit.objects.filter(is_current=True).count() == 1
    assert Job.objects.filter(handler__endswith="refresh_chunk").count() == run.n_chunks == 1
    fits_of_run = BatteryFit.objects.filter(run=run)
    assert fits_of_run.filter(is_current=True).count() == 1


def test_a_night_whose_fit_fails_works_with_the_model_before(
    receiver: Receiver, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    fitting = in_service(receiver)
    before = fits.refresh_fit(at=NOW, as_of=TODAY)
    monkeypatch.setattr(fits, "learn", lambda **_: 1 / 0)
    run = due.start_nightly(day=TODAY)
    for n in range(settings.JOB_MAX_ATTEMPTS + 1):
        with time_machine.travel(timezone.now() + timedelta(hours=n), tick=False):
            jobs.run_ready()
    run.refresh_from_db()
    assert run.state == "closed"
    assert item_of(fitting).due_on is not None
    assert list(BatteryFit.objects.filter(is_current=True)) == [before]


def test_a_chunk_reads_for_itself_where_the_fit_was_made_elsewhere(monkeypatch: pytest.MonkeyPatch) -> None:
    cells = [in_service(factories.make_receiver()) for _ in range(3)]
    ended(20, after_days=500)
    tonight(TODAY - timedelta(days=1))
    dates = [due_on(fitting) for fitting in cells]
    DueItem.objects.all().delete()
    monkeypatch.setattr(due, "_go_on", lambda *_: None)
    monkeypatch.setattr(due, "TRANSMITTERS_A_CHUNK", 2)
    tonight()
    assert [due_on(fitting) for fitting in cells] == dates


def test_a_second_night_of_the_same_facts_writes_nothing(receiver: Receiver) -> None:
    ended(20, after_days=800, lot="A1")
    in_service(receiver, lot="A1")
    in_service(receiver, 2, fitted_at=None)
    tonight(TODAY - timedelta(days=1))
    before = list(DueItem.objects.order_by("pk").values())
    run = tonight()
    assert run.n_changed == 0
    assert list(DueItem.objects.order_by("pk").values()) == before
    written = Job.objects.filter(key__startswith=f"due:{TODAY}:", handler__endswith="refresh_chunk").get().result
    assert written == {"items": 2, "moved": 0, "written": 0, "ranked": 0}


def everything_kept() -> dict[str, list[Any]]:
    tables = (BatteryFit, StratumFit, LotFit, DueItem, DueChange, RefreshRun, Job)
    return {model.__name__: list(model._default_manager.order_by("pk").values()) for model in tables}


def test_asked_again_by_hand_nothing_is_written_until_the_record_changes(
    receiver: Receiver, capsys: pytest.CaptureFixture[str]
) -> None:
    ended(20, after_days=800, lot="A1")
    ended(20, after_days=300, lot="B2")
    mine = in_service(receiver, lot="A1")
    in_service(receiver, 2, fitted_at=None)
    tonight()
    before = everything_kept()
    assert before["LotFit"]
    for _ in range(2):
        call_command("refresh_due", "--on", TODAY.isoformat())
        assert "the fit in use stays" in capsys.readouterr().out
        assert everything_kept() == before
    ended(1, after_days=500, type=mine.transmitter.type)
    call_command("refresh_due", "--on", TODAY.isoformat())
    assert "a new fit of the model is in use" in capsys.readouterr().out
    assert BatteryFit.objects.count() == 2
    after = everything_kept()
    call_command("refresh_due", "--on", TODAY.isoformat())
    assert everything_kept() == after


def test_a_fit_whose_figures_were_tampered_with_is_made_again(receiver: Receiver) -> None:
    ended(20, after_days=800)
    first = fits.refresh_fit(at=NOW, as_of=TODAY)
    assert fits.refresh_fit(at=NOW, as_of=TODAY).pk == first.pk
    StratumFit.objects.filter(fit=first, number=0).update(u_1=0.123)
    assert fits.refresh_fit(at=NOW, as_of=TODAY).pk != first.pk


@pytest.mark.parametrize(
    ("a", "b", "same"),
    [(1.0, 1.0 + 1e-12, True), (1.0, 1.0 + 1e-7, False), (None, 1.0, False), ({"a": [1.0]}, {"a": [1]}, True),
     ({"a": 1}, {"b": 1}, False), ([1], [1, 2], False), (True, False, False)],
)  # fmt: skip
def test_figures_are_the_same_to_nine_places(a: Any, b: Any, same: bool) -> None:
    assert fits.same_figures(a, b) is same


def test_the_chance_of_an_end_soon_keeps_pace_though_the_date_stands_still(receiver: Receiver) -> None:
    fitting = in_service(receiver)
    tonight()
    before = item_of(fitting)
    tonight(TODAY + timedelta(days=1))
    assert item_of(fitting).chance_ahead == before.chance_ahead, "one day is no news"
    tonight(TODAY + timedelta(days=40))
    after = item_of(fitting)
    assert (after.chance_ahead or 0) > 1.25 * (before.chance_ahead or 9)
    assert (after.due_on, after.as_of) == (before.due_on, before.as_of)
    written = Job.objects.filter(handler__endswith="refresh_chunk").order_by("-pk")[0].result
    assert written == {"items": 1, "moved": 0, "written": 0, "ranked": 1}
