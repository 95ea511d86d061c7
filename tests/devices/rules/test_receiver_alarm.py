"""What the top of a receiver's page says of its faults: each kind as a sentence of its own."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from devices.models import Fault
from devices.rules.receiver_alarm import alarms_of
from devices.rules.supervision import StandingFault

TODAY = date(2026, 11, 25)
OF_RECEIVER = (
    "outage", "link_lost", "receiver_power", "receiver_standby", "receiver_fault", "receiver_tamper", "interference",
)  # fmt: skip


def said(code: str) -> str:
    fault = StandingFault(
        str(Fault.Kind(code).label), "", TODAY, code=code, since_at=datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
    )
    (alarm,) = alarms_of([fault], [], TODAY)
    return alarm.words


@pytest.mark.parametrize("code", OF_RECEIVER)
def test_every_fault_of_a_receiver_is_said_as_what_is_wrong_with_it(code: str) -> None:
    words = said(code)
    assert not words.startswith("Fault of this receiver")
    assert "since" in words


def test_a_standby_battery_is_low_or_missing_and_not_just_named() -> None:
    assert said("receiver_standby").startswith("The receiver says that its standby battery is low or missing, since")


def test_a_kind_without_a_sentence_is_named() -> None:
    assert said("trouble").startswith("Fault of this receiver: sensor trouble, since")
