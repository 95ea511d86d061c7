"""Deaths after low-battery signals shorten the time that is left after the next one: in the night, the pages, the findings."""

from __future__ import annotations

import html
from datetime import date, timedelta
from typing import Any

import pytest
from django.db.models import F
from django.urls import reverse

from company.models import RiskPolicy
from devices.models import Fitting, Receiver
from maintenance.actions import fits
from maintenance.actions.findings import refresh_findings
from maintenance.models import BatteryFit, FindingRecord, StratumFit
from maintenance.querysets.fits import current_fit, fit_in_use
from tests import factories
from tests.conftest import World
from tests.factories import NOW, TODAY
from tests.maintenance.actions.test_fits import ended, in_service, item_of, kind, tonight

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

SIGNAL = TODAY - timedelta(days=1)


def dead_after(days: int, n: int, **over: Any) -> list[Fitting]:
    """Cells that were last heard so many days after their signal, and found dead three days later."""
    made = ended(n, after_days=900, why="dead", **over)
    place = factories.make_receiver(evidence="every")
    for slot, row in enumerate(made, 1):
        assert row.fitted_at is not None
        factories.make_registration(
            place, slot, transmitter=row.transmitter, registered_at=row.fitted_at, removed_at=row.removed_at
        )
    rows = Fitting.objects.filter(pk__in=[row.pk for row in made])
    rows.update(first_low_at=F("last_alive_at") - timedelta(days=days))
    return made


def signalling(receiver: Receiver, number: int = 1, **over: Any) -> Fitting:
    return in_service(receiver, number, first_low_at=NOW - timedelta(days=1), **over)


def allowed(fitting: Fitting) -> tuple[str, timedelta]:
    """Reason of a date, and the time from the signal to the day that the rule of signals names."""
    item = item_of(fitting)
    (said,) = [one["due_on"] for one in item.opinions if one["code"] == "low_battery"]
    return item.reason, date.fromisoformat(said) - SIGNAL


@pytest.fixture
def receiver(db: Any) -> Receiver:
    return factories.make_receiver()


# --- the night --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("n", "days"), [(9, 7), (10, 4)])
def test_ten_deaths_within_days_of_their_signals_bring_the_next_one_forward(
    receiver: Receiver, n: int, days: int
) -> None:
    mine = signalling(receiver)
    dead_after(4, n)
    tonight()
    assert allowed(mine) == ("low_battery", timedelta(days=days))


def test_the_firms_time_stands_where_it_is_shorter(receiver: Receiver) -> None:
    mine = signalling(receiver)
    dead_after(4, 10)
    tonight()
    RiskPolicy.objects.filter(duty="life_safety").update(grace_days=2)
    tonight(TODAY + timedelta(days=1))
    assert allowed(mine) == ("low_battery", timedelta(days=2))


def test_a_kind_goes_by_its_own_deaths_and_one_without_by_those_of_others(receiver: Receiver) -> None:
    other, third = kind("test-other"), kind("test-third")
    cells = [signalling(receiver), signalling(receiver, 2, type=other), signalling(receiver, 3, type=third)]
    cells.append(signalling(receiver, 4, battery_type=None))
    dead_after(6, 12)
    dead_after(2, 12, type=other)
    tonight()
    assert [allowed(one)[1].days for one in cells] == [6, 2, 2, 2]
    levels = dict(StratumFit.objects.values_list("transmitter_type__code", "facts__grace__level"))
    assert levels == {"test-busy": "kind", "test-other": "kind", "test-third": "cells", None: "fleet"}


def test_it_shrinks_the_next_night_and_does_not_flicker(receiver: Receiver) -> None:
    mine = signalling(receiver)
    old = dead_after(4, 10)
    tonight()
    Fitting.objects.filter(pk__in=[row.pk for row in old]).update(first_low_at=F("last_alive_at") - timedelta(days=6))
    tonight(TODAY + timedelta(days=1))
    assert allowed(mine)[1].days == 4, "two days more are not worth another date"
    Fitting.objects.filter(pk__in=[row.pk for row in old]).update(first_low_at=F("last_alive_at") - timedelta(days=3))
    tonight(TODAY + timedelta(days=2))
    assert allowed(mine)[1].days == 3


def test_learning_it_again_writes_nothing_and_it_reads_back_as_it_was_made(receiver: Receiver) -> None:
    dead_after(4, 12)
    fit = fits.refresh_fit(at=NOW, as_of=TODAY)
    assert fits.refresh_fit(at=NOW, as_of=TODAY) == fit
    assert BatteryFit.objects.count() == 1
    kept = fit_in_use()
    number = kept.number_of(kind().pk, factories.battery_type().pk, False)
    found = [float(getattr(kept.grace, name)[number]) for name in ("days", "n_dead", "n", "level")]
    assert found == [4, 12, 12, 0]
    assert kept.grace_of(kind().pk, factories.battery_type().pk) == 4
    assert kept.grace_of(None, None) == 4


def test_a_fit_from_before_it_was_learnt_leaves_the_firms_time(receiver: Receiver) -> None:
    mine = signalling(receiver)
    fit = fits.refresh_fit(at=NOW, as_of=TODAY)
    for row in fit.strata.all():
        del row.facts["grace"]
        row.save(update_fields=["facts"])
    BatteryFit.objects.filter(pk=fit.pk).update(facts=fit.facts | {"token": "another"})
    kept = current_fit()
    assert kept is not None
    assert kept.grace_of(kind().pk, mine.battery_type_id) == float("inf")


# --- what is told -----------------------------------------------------------------------------------------------------


def text_of(page: str) -> str:
    return " ".join(html.unescape(page).split())


def test_the_date_says_what_was_seen_so_that_it_can_be_repeated(world: World) -> None:
    mine = signalling(world.own_receiver, 5)
    dead_after(4, 12)
    tonight()
    page = text_of(world.client("office").get(item_of(mine).get_absolute_url()).content.decode())
    seen = (
        "going by 12 batteries of this kind that could be heard after such a report (12 were found dead), about one in ten is dead within 4 days "
        "if nobody comes"
    )
    assert f"The firm allows 7 days after such a report, but {seen}, so we do not wait longer than that." in page
    assert f"From then on it may fail at any time: {seen}. So we change it soon." in page
    assert "deaths after reports; the firm's policy: 7 days" in page
    mine_of = StratumFit.objects.get(transmitter_type__code="test-busy", is_measured=False)
    page = text_of(world.client("office").get(reverse("maintenance:kind_detail", args=[mine_of.pk])).content.decode())
    seen = seen.replace("such a report", "a low-battery signal")
    seen = seen.replace("going", "Going")
    assert f"{seen}. After one such cells are changed within 4 days" in page


def test_a_kind_without_deaths_says_that_the_firms_time_holds(world: World) -> None:
    fits.refresh_fit(at=NOW, as_of=TODAY)
    mine = StratumFit.objects.get(transmitter_type=world.own_registration.transmitter.type)
    page = text_of(world.client("office").get(reverse("maintenance:kind_detail", args=[mine.pk])).content.decode())
    assert "the firm's own time to change holds" in page


@pytest.mark.parametrize(("days_ago", "is_found"), [(4, False), (5, True)])
def test_the_finding_of_a_signal_that_nobody_answered_comes_as_soon_as_the_date(
    receiver: Receiver, days_ago: int, is_found: bool
) -> None:
    mine = in_service(receiver, first_low_at=NOW - timedelta(days=days_ago))
    dead_after(4, 12)
    tonight()
    refresh_findings(receivers=[receiver.pk], at=NOW)
    found = FindingRecord.objects.open().filter(code="low_battery_ignored")
    assert found.exists() == is_found
    assert (item_of(mine).due_on < TODAY) == is_found
    assert [row.why for row in found] == [
        "About one in ten of such cells has been dead within 4 days of the signal: they may fail at any time."
    ] * is_found
