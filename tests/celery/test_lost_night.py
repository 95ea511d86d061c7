"""Redis is emptied after beat has asked for the night and before anybody has begun it: it is done all the same."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from tests.celery.conftest import Stage, business_day
from tests.celery.test_nightly_survives import assert_as_undisturbed, is_closed


def is_begun(stage: Stage) -> bool:
    return bool(stage.query(f"select state from maintenance_refreshrun where business_day = '{business_day()}'"))


@pytest.mark.parametrize("stage", ["sqlite"], indirect=True)
def test_the_word_of_the_night_is_lost_and_the_night_is_not(stage: Stage) -> None:
    # Nobody starts a night that the next is close to, so its hour must not be long past; the day stays the same.
    stage.environment["NIGHTLY_AT_UTC"] = f"{datetime.now(UTC):%H}:00"
    stage.ask_for_the_night()
    stage.client().flushall()
    stage.worker()
    assert not is_begun(stage), "nobody has heard of it"
    stage.beat()
    stage.wait(f"the run of {business_day()} to be closed", lambda: is_closed(stage))
    assert_as_undisturbed(stage)
