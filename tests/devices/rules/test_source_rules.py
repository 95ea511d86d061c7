"""How a source stands, and which serials look like one another."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from devices.rules.serial_alike import halves, is_alike
from devices.rules.source_state import state_of

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("silent", "late_after_s", "is_active", "state"),
    [
        (None, 3600, True, "never"),
        (timedelta(seconds=3600), 3600, True, "fresh"),
        (timedelta(seconds=3601), 3600, True, "late"),
        (timedelta(hours=23), None, True, "fresh"),
        (timedelta(days=30), None, True, "quiet"),
        (timedelta(seconds=1), 3600, False, "retired"),
    ],
)
def test_a_source_stands_as_its_last_batch_says(
    silent: timedelta | None, late_after_s: int | None, is_active: bool, state: str
) -> None:
    last = None if silent is None else NOW - silent
    assert state_of(last_at=last, late_after_s=late_after_s, is_active=is_active, now=NOW) == state


@pytest.mark.parametrize("other", ["4F-10273", "4f10273", "4F-10373", "4F-1027", "4F-102733", "4F-12073", "F-10273"])
def test_one_slip_of_the_hand_is_seen(other: str) -> None:
    assert is_alike("4F-10273", other)
    assert is_alike(other, "4F-10273")


@pytest.mark.parametrize("other", ["4F-10372", "4F-20283", "5F-1027", "4F-1027333", "9Z"])
def test_two_slips_are_another_unit(other: str) -> None:
    assert not is_alike("4F-10273", other)


def test_short_serials_are_alike_by_chance() -> None:
    assert not is_alike("12", "13")


@given(
    st.text("0123456789ABCDEF", min_size=6, max_size=14), st.integers(0, 13), st.sampled_from("0A"), st.integers(0, 3)
)
def test_one_half_survives_every_slip(serial: str, place: int, sign: str, how: int) -> None:
    """Or the database would not find what looks alike."""
    n = place % (len(serial) - 1)
    swapped = serial[:n] + serial[n + 1] + serial[n] + serial[n + 2 :]
    slips = [serial[:n] + sign + serial[n + 1 :], serial[:n] + serial[n + 1 :], serial[:n] + sign + serial[n:], swapped]
    first, last = halves(serial)
    assert slips[how].startswith(first) or slips[how].endswith(last)
