"""Cells in and out: one open set a transmitter, why the old came out, and a double click fits once."""

from datetime import timedelta

import pytest

from company.models import ChangeRow
from devices.actions.batteries import NoCellsFitted, NotACellCount, TakesNoCells, fit_battery, remove_battery
from devices.actions.ledger import OutOfOrder, StaleSlotMap
from devices.models import Fitting
from tests.factories import (
    NOW,
    battery_type,
    make_fitting,
    make_registration,
    make_transmitter,
    make_user,
    transmitter_type,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def office():
    return make_user("office")


def test_new_cells_take_the_old_ones_out_with_their_reason(office):
    registration = make_registration()
    old = make_fitting(registration.transmitter)
    new = fit_battery(
        transmitter=registration.transmitter, battery_type=battery_type(), by=office, at=NOW, lot=" 03/2026 ",
        removed_why="low_battery", removed_v=2.4,
    )  # fmt: skip
    old.refresh_from_db()
    assert (old.removed_at, old.removed_why, old.removed_v) == (NOW, "low_battery", 2.4)
    assert (new.fitted_at, new.removed_at, new.lot, new.n_cells) == (NOW, None, "03/2026", 1)
    registration.receiver.refresh_from_db()
    assert registration.receiver.version == 2
    change = ChangeRow.objects.get()
    assert (change.verb, change.before["removed_at"], change.after["lot"]) == ("fit_battery", None, "03/2026")


def test_a_set_has_as_many_cells_as_its_type_unless_said_otherwise(office):
    kind = transmitter_type("test-two", cells_series=2)
    transmitter = make_transmitter(type=kind)
    assert fit_battery(transmitter=transmitter, battery_type=battery_type(), by=office, at=NOW).n_cells == 2
    later = NOW + timedelta(days=1)
    assert fit_battery(transmitter=transmitter, battery_type=None, by=office, at=later, n_cells=1).n_cells == 1


def test_cells_of_unknown_age_have_no_date_but_a_day_of_entry(office):
    fitting = fit_battery(transmitter=make_transmitter(), battery_type=None, by=office, at=NOW, is_age_known=False)
    assert (fitting.fitted_at, fitting.entered_at) == (None, NOW)


def test_one_change_bumps_every_receiver_the_transmitter_is_declared_in(office):
    first = make_registration(is_shared=True)
    second = make_registration(transmitter=first.transmitter, is_shared=True)
    fit_battery(transmitter=first.transmitter, battery_type=battery_type(), by=office, at=NOW)
    for registration in (first, second):
        registration.receiver.refresh_from_db()
        assert registration.receiver.version == 2


@pytest.mark.parametrize("n_cells", [0, -1, 25])
def test_an_impossible_number_of_cells_is_refused(office, n_cells):
    transmitter = make_transmitter()
    old = make_fitting(transmitter)
    with pytest.raises(NotACellCount):
        fit_battery(transmitter=transmitter, battery_type=battery_type(), by=office, at=NOW, n_cells=n_cells)
    old.refresh_from_db()
    assert old.removed_at is None


def test_mains_and_welded_units_take_no_cells(office):
    mains = make_transmitter(type=transmitter_type("test-mains", power="mains", battery_type=None))
    with pytest.raises(TakesNoCells, match="mains"):
        fit_battery(transmitter=mains, battery_type=battery_type(), by=office, at=NOW)
    welded = make_transmitter(type=transmitter_type("test-welded", welded_cell=True))
    make_fitting(welded)
    with pytest.raises(TakesNoCells, match="welded"):
        fit_battery(transmitter=welded, battery_type=battery_type(), by=office, at=NOW)


def test_cells_cannot_be_fitted_before_the_ones_that_are_in_or_were_in(office):
    transmitter = make_transmitter()
    make_fitting(transmitter, fitted_at=NOW)
    with pytest.raises(OutOfOrder):
        fit_battery(transmitter=transmitter, battery_type=battery_type(), by=office, at=NOW)
    remove_battery(transmitter=transmitter, by=office, at=NOW + timedelta(days=2), removed_why="leaked")
    with pytest.raises(OutOfOrder):
        fit_battery(transmitter=transmitter, battery_type=battery_type(), by=office, at=NOW + timedelta(days=1))


def test_a_double_click_fits_once(office):
    registration = make_registration()
    make_fitting(registration.transmitter)
    fit = {
        "transmitter": registration.transmitter, "battery_type": battery_type(), "by": office,
        "receiver": registration.receiver, "seen_version": 1,
    }  # fmt: skip
    fit_battery(at=NOW, **fit)
    with pytest.raises(StaleSlotMap) as refused:
        fit_battery(at=NOW + timedelta(seconds=1), **fit)
    assert [change.verb for change in refused.value.changes] == ["fit_battery"]
    assert Fitting.objects.count() == 2


def test_cells_taken_out_without_new_ones_leave_the_transmitter_empty(office):
    transmitter = make_transmitter()
    make_fitting(transmitter)
    fitting = remove_battery(transmitter=transmitter, by=office, at=NOW, removed_why="leaked")
    assert fitting.removed_why == "leaked"
    with pytest.raises(NoCellsFitted):
        remove_battery(transmitter=transmitter, by=office, at=NOW + timedelta(days=1), removed_why="leaked")
