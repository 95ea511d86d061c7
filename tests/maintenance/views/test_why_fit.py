"""The page of one date where the fleet has taught something: ends, bad lots, kinds never seen."""

from __future__ import annotations

from datetime import date

import pytest
from django.test import Client
from django.urls import reverse

from devices.models import Fitting
from maintenance.models import Backtest, BatteryFit, LotFit, StratumFit
from maintenance.querysets.fits import _load as kept_fit
from maintenance.views.why import explain
from tests import factories
from tests.conftest import World
from tests.factories import NOW, TODAY
from tests.maintenance.views.test_why import item_of, make_fit, page_of, raw_page, refresh

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def office(world: World) -> Client:
    refresh(world.own_receiver, world.other_receiver)
    return world.client("office")


def clear_fits() -> None:
    """Read the fit anew: a fit never changes once it is in use, so a process keeps it."""
    kept_fit.cache_clear()


# --- with a fit -------------------------------------------------------------------------------------------------------


def test_a_fit_is_told_with_its_evidence_and_its_day(world: World, office: Client) -> None:
    make_fit(world)
    page = page_of(office, item_of(world.own_fitting))
    assert "30 batteries of this kind followed to the end, 2 in service. The limit rests on them." in page
    assert "of every 10 that ended, about 8 reported in time (25 of 30, this kind)" in page
    assert "Going by the catalogue" not in page
    assert "model fleet-1, fit of 25 November 2026" in page
    assert "5 of 30, this kind" in page


def test_reports_of_the_whole_fleet_stand_in_for_a_kind_with_few_ends(world: World, office: Client) -> None:
    stratum = make_fit(world)
    StratumFit.objects.filter(pk=stratum.pk).update(facts={"n_found_dead": 1, "n_signalled": 2} | {
        key: stratum.facts[key] for key in stratum.facts if key.startswith(("prior", "edge", "mean"))
    })  # fmt: skip
    assert "(25 of 30, all kinds together)" in page_of(office, item_of(world.own_fitting))


def test_a_bad_lot_brings_the_date_forward_and_is_told_with_its_numbers(world: World, office: Client) -> None:
    stratum = make_fit(world)
    Fitting.objects.filter(removed_at=None).update(lot="LM-7")
    lot = LotFit.objects.create(
        fit=stratum.fit, stratum=stratum, code="LM-7", n_batteries=40, observed=9, expected=2.4, factor=0.6,
        is_suspect=True,
    )  # fmt: skip
    clear_fits()
    refresh(world.own_receiver, world.other_receiver)
    item = item_of(world.own_fitting)
    assert item.reason == "lot_alarm"
    page = page_of(office, item)
    assert "its lot LM-7 has lasted about 60 % as long as others of the kind (9 of 40 ended" in page
    assert "9 against 2.4 of 40" in page
    told = office.get(item.get_absolute_url()).context["told"]
    assert (told.lot, told.elsewhere.n, told.elsewhere.n_sites) == (lot, 1, 1)
    raw, links = raw_page(office, item), [reverse(f"maintenance:{name}") for name in ("honesty", "policy")]
    for url in (
        reverse("maintenance:lot_detail", args=[lot.pk]),
        reverse("maintenance:kind_detail", args=[stratum.pk]),
        *links,
    ):
        assert url in raw
        assert office.get(url).status_code == 200
    theirs = raw_page(world.client("technician"), item)
    assert reverse("maintenance:lot_detail", args=[lot.pk]) not in theirs
    assert "1 more of its lot in service at 1 site" in theirs
    limit = next(mark for mark in told.chart.marks if mark.kind == "due")
    assert limit.word.startswith("limit, change by")


def test_cells_without_a_code_are_of_the_lot_of_their_half_year(world: World, office: Client) -> None:
    stratum = make_fit(world)
    Fitting.objects.filter(pk=world.own_fitting.pk).update(fitted_at=NOW.replace(year=2019, month=10), lot="")
    lot, _ = LotFit.objects.get_or_create(fit=stratum.fit, stratum=stratum, code="2019-H2", is_half_year=True)
    told = office.get(item_of(world.own_fitting).get_absolute_url()).context["told"]
    assert told.lot == lot
    assert told.elsewhere.n == 0


def test_a_kind_that_the_fit_has_never_seen_goes_by_the_catalogue(world: World, office: Client) -> None:
    make_fit(world)
    kind = factories.transmitter_type("test-other", label="other pendant")
    unit = factories.make_transmitter(world.own, type=kind)
    factories.make_registration(world.own_receiver, 9, transmitter=unit)
    fitting = factories.make_fitting(unit)
    refresh(world.own_receiver)
    page = page_of(office, item_of(fitting))
    assert "No battery of this kind has been followed to its end yet" in page
    assert "(25 of 30, all kinds together)" in page


# --- who may, and how much is asked -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("n_dead", "is_above"), [(13, True), (3, False)])
def test_a_record_above_the_limit_is_told_as_an_aim(world: World, n_dead: int, is_above: bool) -> None:
    refresh(world.own_receiver)
    make_fit(world)
    item = item_of(world.own_fitting)
    Backtest.objects.create(
        fit=BatteryFit.objects.get(is_current=True), from_on=date(2026, 1, 1), to_on=date(2026, 7, 1), is_measured=True,
        duty=item.duty, happened=40, n_found_dead=n_dead, facts={"n_unspent": 345},
    )  # fmt: skip
    told = explain(item=item, today=TODAY, user=factories.make_manager(email="record@example.org"))
    assert told is not None
    assert ("so far it has been more (13 of 385)" in told.for_customer) is is_above
