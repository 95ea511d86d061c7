"""Whoever puts in cells of a suspect or recalled lot is told so when the form is saved."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.urls import reverse

from devices.models import Fitting
from maintenance.actions.recalls import RecallPlan, open_recall
from maintenance.models import LotFit, Recall
from maintenance.rules.recalls import RecallFilter
from tests import factories
from tests.conftest import World
from tests.factories import NOW, TODAY
from tests.maintenance.fits_made import make_fit, make_kind

pytestmark = pytest.mark.django_db


def fit(world: World, lot: str) -> str:
    transmitter = world.own_registration.transmitter
    assert transmitter is not None
    world.own_receiver.refresh_from_db()
    data = {
        "battery_type": factories.battery_type().pk, "n_cells": "1", "removed_why": "low_battery", "lot": lot,
        "reason": "battery changed", "version": world.own_receiver.version,
    }  # fmt: skip
    url = reverse("devices:battery_fit", args=[transmitter.pk])
    answer = world.client("office").post(url, data, follow=True)
    assert Fitting.objects.open().get(transmitter=transmitter).lot == lot
    return answer.content.decode()


def lot_row(kind: object, code: str, *, is_suspect: bool = True) -> None:
    LotFit.objects.create(fit=kind.fit, stratum=kind, code=code, observed=9, expected=1.0, is_suspect=is_suspect)  # type: ignore[attr-defined]


@pytest.mark.parametrize("noted", ["23-47K", "23-47k", "24-01A; 23-47K"])
def test_a_suspect_lot_is_named(world: World, noted: str) -> None:
    lot_row(make_kind(make_fit()), "23-47K")
    assert "Lot 23-47K is suspect" in fit(world, noted)


def test_good_lots_other_cells_and_former_fits_warn_of_nothing(world: World) -> None:
    now = make_fit()
    lot_row(make_kind(now), "GOOD-1", is_suspect=False)
    lot_row(make_kind(now, 1, battery_type=factories.battery_type("other-cell")), "OTHER-1")
    lot_row(make_kind(make_fit(as_of=TODAY - timedelta(days=1), is_current=False)), "FORMER-1")
    for lot in ("GOOD-1", "OTHER-1", "FORMER-1", ""):
        page = fit(world, lot)
        assert "The cells are recorded." in page
        assert "is suspect" not in page


def test_a_lot_of_an_open_recall_is_named_until_the_recall_is_closed(world: World) -> None:
    row = factories.make_registration(world.own_receiver, 2)
    factories.make_fitting(row.transmitter, lot="24A17")
    plan = RecallPlan("Leaking cells", "They leak.", TODAY + timedelta(days=28), RecallFilter(lots=("24A17",)))
    recall = open_recall(plan=plan, by=world.office, at=NOW, today=TODAY)
    assert "Lot 24A17 is being recalled: Leaking cells" in fit(world, "24A17")
    Recall.objects.filter(pk=recall.pk).update(closed_at=NOW, closed_by=world.office)
    assert "is being recalled" not in fit(world, "24A17")
