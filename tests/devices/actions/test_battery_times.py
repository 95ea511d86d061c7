"""A refusal about cells says times as the clock of their site shows them, as its pages do."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from company.errors import Refused
from devices.actions.batteries import fit_battery, remove_battery
from devices.actions.fitting_ends import End, refuse_impossible
from tests import factories

pytestmark = pytest.mark.django_db
FITTED = datetime(2026, 1, 15, 11, tzinfo=UTC)


@pytest.fixture
def far():
    """A unit at a site thirteen hours ahead, whose cells were fitted at midnight there."""
    site = factories.make_site(time_zone="Pacific/Auckland")
    row = factories.make_registration(factories.make_receiver(site), registered_at=FITTED - timedelta(days=9))
    factories.make_fitting(row.transmitter, fitted_at=FITTED)
    return row.transmitter


def test_when_the_cells_in_it_were_fitted(far):
    with pytest.raises(Refused, match=r"16 January 2026, 00:00; give a later time"):
        fit_battery(
            transmitter=far, battery_type=factories.battery_type(), by=factories.make_user("office"),
            at=FITTED - timedelta(hours=1),
        )  # fmt: skip


def test_until_when_other_cells_were_in_it(far):
    office = factories.make_user("office")
    remove_battery(transmitter=far, by=office, at=FITTED + timedelta(days=2), removed_why="leaked")
    with pytest.raises(Refused, match=r"until 18 January 2026, 00:00; give a later time"):
        fit_battery(transmitter=far, battery_type=factories.battery_type(), by=office, at=FITTED + timedelta(days=1))


def test_when_the_cells_came_out_that_a_signal_was_told_of_later(far):
    fitting = far.fittings.get()
    out = FITTED + timedelta(days=2)
    end = End("low_battery", low_seen_at=out + timedelta(hours=1))
    with pytest.raises(Refused, match=r"came out on 17 January 2026, 00:00"):
        refuse_impossible(fitting, end, removed_at=out - timedelta(days=1), at=out + timedelta(days=1))
