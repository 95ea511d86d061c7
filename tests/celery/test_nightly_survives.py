"""The night's run on a real worker, a real beat and a real Redis: whatever dies, nothing is lost and nothing is doubled.

Each test compares the database with that of an undisturbed run of the same fleet on the same day.
"""

from __future__ import annotations

import contextlib
import re
import sqlite3
from typing import Any

import pytest

from tests.celery.conftest import Process, Stage, business_day, in_a_minute
from tests.celery.fleet import N_RECEIVERS, SLOTS_A_RECEIVER

N_ITEMS = N_RECEIVERS * SLOTS_A_RECEIVER


CHUNK, FIT = "refresh_chunk", "fit_night"


def job(stage: Stage, handler: str = CHUNK) -> tuple[Any, ...]:
    """State, attempts, progress of a job of tonight; a row of nothing before there is one."""
    rows = stage.query(
        "select state, attempts, progress_done, progress_total from company_job "
        f"where handler = 'maintenance.actions.due.{handler}' and key like 'due:{business_day()}:%'"
    )
    return rows[0] if rows else ("", 0, 0, 0)


def is_in_the_middle(stage: Stage, handler: str = CHUNK) -> bool:
    state, _, done, total = job(stage, handler)
    assert state not in ("done", "failed"), "The run was over before anything could be killed: make the fleet larger."
    return state == "running" and 0 < done < total


def is_closed(stage: Stage) -> bool:
    rows = stage.query(f"select state from maintenance_refreshrun where business_day = '{business_day()}'")
    return rows == [("closed",)]


def assert_as_undisturbed(stage: Stage) -> dict[str, Any]:
    """Everything once and right: equal to the same fleet's run in one process that nobody touched."""
    assert stage.model is not None
    after, expected = stage.fleet("state"), stage.model.expected
    assert after["items"] == expected["items"] == N_ITEMS
    assert after["changes"] == expected["changes"] == N_ITEMS
    assert after["digest"] == expected["digest"]
    assert after["runs"] == expected["runs"]
    assert after["fits"] == expected["fits"], "each night learns once, from the same facts"
    assert after["posteriors"] == expected["posteriors"]
    assert {job["state"] for job in after["jobs"]} == {"done"}
    assert [job["key"] for job in after["jobs"]] == [job["key"] for job in expected["jobs"]]
    return after


@pytest.mark.parametrize("victim", ["worker and pool", "worker only", "pool only"])
@pytest.mark.parametrize("handler", [FIT, CHUNK])
def test_kill_9_in_the_middle_of_the_night(stage: Stage, victim: str, handler: str) -> None:
    stage.hold(f"middle maintenance.actions.due.{handler}")
    first = stage.worker()
    stage.ask_for_the_night()
    stage.wait("the job to be in its middle", lambda: is_in_the_middle(stage, handler))
    kill = {
        "worker and pool": Process.kill_all,
        "worker only": Process.kill_parent_only,
        "pool only": Process.kill_child,
    }[victim]
    kill(first)
    state, attempts, done, total = job(stage, handler)
    if victim != "worker only":
        assert (state, attempts) == ("running", 1)
        assert 0 < done < total
        assert not is_closed(stage)
    stage.let_go()
    stage.worker()
    stage.beat()
    stage.wait("the run to be closed", lambda: is_closed(stage))
    after = assert_as_undisturbed(stage)
    if victim != "worker only":
        # An orphaned pool process may finish its job; after the other deaths somebody else must have taken it over.
        ending = ":fit" if handler == FIT else ":0"
        killed = [row for row in after["jobs"] if row["key"] == f"due:{business_day()}{ending}"]
        assert [row["attempts"] >= 2 for row in killed] == [True]


def test_an_emptied_redis_before_anybody_took_the_job(stage: Stage) -> None:
    stage.hold("start")
    first = stage.worker()
    stage.ask_for_the_night()
    stage.wait("the job to be there", lambda: job(stage, FIT)[0] != "")
    first.kill_all()
    stage.client().flushall()
    assert job(stage, FIT)[:2] == ("waiting", 0)
    stage.let_go()
    stage.worker()
    stage.beat()
    stage.wait("the run to be closed", lambda: is_closed(stage))
    assert_as_undisturbed(stage)


def test_redis_emptied_again_and_again_under_worker_and_beat(stage: Stage) -> None:
    stage.hold(f"middle maintenance.actions.due.{CHUNK}")
    stage.worker()
    stage.beat()
    stage.ask_for_the_night()
    stage.wait("the run to be in its middle", lambda: is_in_the_middle(stage))
    stage.client().flushall()
    stage.processes[0].kill_child()
    stage.let_go()
    stage.wait("the run to be closed", lambda: is_closed(stage))
    assert_as_undisturbed(stage)


def test_two_beats_and_two_workers_do_the_night_once(stage: Stage) -> None:
    at = in_a_minute()
    # The hour also decides which business day a start belongs to: just after it, that is today.
    stage.environment["NIGHTLY_AT_UTC"] = at
    for _ in range(2):
        stage.worker(concurrency=2)
        stage.beat()
    stage.wait("the run to be closed", lambda: is_closed(stage), patience_s=240, pause_s=0.2)
    beats = [process for process in stage.processes if process.name.startswith("beat")]
    stage.wait(
        "both beats to have asked", lambda: all("maintenance.tasks.nightly" in process.said() for process in beats)
    )
    assert_as_undisturbed(stage)


def test_asking_for_the_night_again_changes_nothing(stage: Stage) -> None:
    stage.worker(concurrency=2)
    stage.beat()
    for _ in range(3):
        stage.ask_for_the_night()
    stage.wait("the run to be closed", lambda: is_closed(stage))
    before = assert_as_undisturbed(stage)
    stage.ask_for_the_night()
    done = re.compile(r"maintenance\.tasks\.nightly\[[^\]]+\] succeeded")
    stage.wait("the late start to be done", lambda: len(done.findall(stage.processes[0].said())) >= 4)
    assert stage.fleet("state") == before


@pytest.mark.parametrize("stage", ["sqlite"], indirect=True)
def test_a_database_that_is_locked_at_the_hour_does_not_cost_the_night(stage: Stage) -> None:
    worker = stage.worker()
    file = stage.database_url.removeprefix("sqlite:///")
    with contextlib.closing(sqlite3.connect(file, isolation_level=None)) as writer:
        writer.execute("begin immediate")
        stage.ask_for_the_night()
        stage.wait("the start to be put off", lambda: "Retry in" in worker.said())
        writer.execute("rollback")
    stage.wait("the run to be closed", lambda: is_closed(stage))
    assert_as_undisturbed(stage)
