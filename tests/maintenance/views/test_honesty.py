"""Pages "Are we honest?" and "Kinds": they say what the rows say, and no more."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from company.actions import ensure_policies
from company.models import Job
from maintenance.actions.backtest import key_of
from maintenance.models import LotFit
from tests import factories
from tests.conftest import World
from tests.factories import NOW, TODAY
from tests.house.test_query_growth import assert_same_queries
from tests.maintenance.fits_made import half_year, make_fit, make_kind

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _clock() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        ensure_policies()
        yield


def text_of(client: Client, url: str, **query: Any) -> str:
    response = client.get(url, query)
    assert response.status_code == 200
    return response.content.decode()


HONEST, KINDS = "/due/honest/", "/due/kinds/"


def test_before_the_first_fit_both_pages_say_that_nothing_has_been_learnt(world: World) -> None:
    office = world.client("office")
    for url in (HONEST, KINDS):
        page = text_of(office, url)
        assert "Nothing has been learnt yet" in page
        assert "catalogue alone" in page


def test_before_the_first_test_the_page_says_what_it_needs(world: World) -> None:
    make_kind(make_fit())
    page = text_of(world.client("office"), HONEST)
    assert "Nothing has been tested yet" in page
    assert "Test now, with the facts up to" in page
    assert "Test now" not in text_of(world.client("technician"), HONEST)


def test_the_page_begins_with_one_plain_sentence_over_the_last_two_years(world: World) -> None:
    kind = make_kind(make_fit())
    half_year(kind, date(TODAY.year - 4, 1, 1), 50.0, 3)
    half_year(kind, date(TODAY.year - 1, 1, 1), 20.6, 18)
    half_year(kind, date(TODAY.year - 1, 7, 1), 20.4, 20, duty="security")
    page = text_of(world.client("office"), HONEST)
    assert (
        f"Since 1 January {TODAY.year - 1} we expected 41 batteries to run low or die before they were changed; 38 did. "
        "That is within what chance explains."
    ) in page
    # The half-year of four years ago stands in the table, as far off as it was.
    assert f"January to June {TODAY.year - 4}" in page
    assert "fewer than expected" in page


def test_too_few_ends_are_not_judged(world: World) -> None:
    half_year(make_kind(make_fit()), date(TODAY.year - 1, 1, 1), 1.3, 2)
    page = text_of(world.client("office"), HONEST)
    assert "too few to judge our dates by" in page
    assert "within what chance explains" not in page


def test_far_too_many_ends_are_named_as_such(world: World) -> None:
    half_year(make_kind(make_fit()), date(TODAY.year - 1, 1, 1), 20.0, 60)
    page = text_of(world.client("office"), HONEST)
    assert "more than chance explains: cells have been ending earlier than our dates assume" in page
    assert "more than expected" in page


def test_a_kind_in_alarm_says_what_to_do(world: World) -> None:
    fit = make_fit()
    half_year(make_kind(fit, z=5.2, in_alarm=True), date(TODAY.year - 1, 1, 1), 20.0, 20)
    page = text_of(world.client("office"), HONEST)
    assert "Kinds whose dates should not be believed" in page
    assert "look for a bad lot" in page


def test_the_deaths_are_held_against_the_firms_limit_with_their_range(world: World) -> None:
    kind = make_kind(make_fit())
    half_year(kind, date(TODAY.year - 1, 1, 1), 30.0, 30, n_found_dead=12)
    page = text_of(world.client("office"), HONEST)
    # 12 of 30 ended + 20 changed by plan = 24 %; exact range by the published table of Clopper and Pearson: 13.1 to 38.2 %.
    assert "24 %" in page
    assert "13 % to 38 %" in page
    assert "above the limit" in page


def test_lots_are_listed_with_the_worst_first_and_the_healths_figure(world: World) -> None:
    fit = make_fit()
    kind = make_kind(fit)
    half_year(kind, date(TODAY.year - 1, 1, 1), 20.0, 20)
    for n in range(6):
        LotFit.objects.create(fit=fit, stratum=kind, code=f"GOOD-{n}", n_batteries=20, observed=5, expected=5.0)
    LotFit.objects.create(
        fit=fit, stratum=kind, code="BAD-1", n_batteries=20, n_in_service=7, observed=9, expected=1.1, factor=0.5,
        chance_normal=0.001, is_suspect=True,
    )  # fmt: skip
    page = text_of(world.client("office"), HONEST)
    assert page.index("BAD-1") < page.index("GOOD-0")
    assert "suspect" in page
    assert "Over 7 lots the scatter about their kinds is 2.85 (1.0 = chance alone), more than chance explains" in page


def test_the_download_holds_every_row_and_no_formula(world: World) -> None:
    kind = make_kind(make_fit())
    kind.transmitter_type.label = "=1+1"
    kind.transmitter_type.save()
    half_year(kind, date(TODAY.year - 1, 1, 1), 20.5, 20)
    half_year(kind, date(TODAY.year - 1, 7, 1), 3.25, 1, duty="convenience")
    response = world.client("office").get(reverse("maintenance:honesty_csv"))
    rows = list(csv.reader(io.StringIO(response.content.decode("utf-8-sig"))))
    assert response.headers["Content-Type"].startswith("text/csv")
    assert len(rows) == 3
    first = dict(zip(rows[0], rows[1], strict=True))
    assert first["transmitter type"] == "'=1+1"
    assert (first["expected to end"], first["ended"], first["found dead"]) == ("20.5", "20", "1")
    assert rows[2][rows[0].index("duty")] == "convenience"


def test_the_office_may_ask_for_a_test_and_asking_twice_makes_one_job(world: World) -> None:
    fit = make_fit()
    make_kind(fit)
    url = reverse("maintenance:honesty_again")
    for _ in range(2):
        assert world.client("office").post(url).status_code == 302
    assert Job.objects.filter(key=key_of(fit)).count() == 1
    assert "being tested" in text_of(world.client("office"), HONEST)
    assert world.client("technician").post(url).status_code == 404


def test_kinds_are_sorted_searched_and_narrowed(world: World) -> None:
    fit = make_fit()
    first = make_kind(fit, 0)
    other = factories.transmitter_type("other-sensor", label="Other sensor")
    second = make_kind(fit, 1, transmitter_type=other, n_ends=0, n_in_service=3, u_10=0.55, sleep_multiplier=1.0)
    office = world.client("office")
    page = text_of(office, KINDS)
    one, two = (reverse("maintenance:kind_detail", args=[kind.pk]) for kind in (first, second))
    assert page.index(one) < page.index(two)
    assert "78 %" in page
    assert "× 1.4" in page
    assert "catalogue only" in page
    assert text_of(office, KINDS, sort="u10").index(two) < text_of(office, KINDS, sort="u10").index(one)
    assert one not in text_of(office, KINDS, q="other sen")
    assert two not in text_of(office, KINDS, show="ended")
    assert "No kind like that" in text_of(office, KINDS, q="nothing of the sort")


def test_a_kind_is_told_in_a_sentence_with_its_picture_and_limits(world: World) -> None:
    kind = make_kind(make_fit())
    half_year(kind, date(TODAY.year - 1, 1, 1), 3.0, 2)
    page = text_of(world.client("office"), reverse("maintenance:kind_detail", args=[kind.pk]))
    assert "One in ten has ended by 78 % of what the catalogue promises. It rests on 4 that have ended." in page
    assert "draw about 1.4 × the catalogue&#x27;s sleep current" in page
    assert "3 in a hundred" in page
    assert "52 %" in page
    assert '<svg class="lives"' in page
    # 2 in 40,000 days = 109.5 years.
    assert "2 in 110 device-years" in page
    assert "4 ended where today's model makes 4.2 of what they lived: off by 0.0 standard deviations" in page
    assert f"January to June {TODAY.year - 1}" in page
    assert reverse("devices:transmitter_type", args=[kind.transmitter_type_id]) in page
    assert reverse("devices:battery_type", args=[kind.battery_type_id]) in page


def test_no_page_speaks_of_a_mean_or_median_life(world: World) -> None:
    kind = make_kind(make_fit())
    half_year(kind, date(TODAY.year - 1, 1, 1), 3.0, 2)
    for url in (HONEST, KINDS, reverse("maintenance:kind_detail", args=[kind.pk])):
        page = text_of(world.client("office"), url).lower()
        for words in ("mean life", "median", "average life of", "expected life"):
            assert words not in page


def test_where_nothing_has_ended_the_page_says_catalogue(world: World) -> None:
    kind = make_kind(make_fit(), n_ends=0, sleep_multiplier=1.0)
    page = text_of(world.client("office"), reverse("maintenance:kind_detail", args=[kind.pk]))
    assert "None has run low yet, so this is the catalogue&#x27;s word" in page
    assert "has ended by" not in page.split("How soon")[0]


def test_yesterdays_address_of_a_kind_leads_to_todays(world: World) -> None:
    old = make_kind(make_fit(as_of=TODAY - timedelta(days=1), is_current=False), posterior=None)
    new = make_kind(make_fit())
    response = world.client("office").get(reverse("maintenance:kind_detail", args=[old.pk]))
    assert response.status_code == 302
    assert response.headers["Location"] == reverse("maintenance:kind_detail", args=[new.pk])


def test_an_old_kind_that_is_no_more_still_opens_without_its_picture(world: World) -> None:
    old = make_kind(make_fit(as_of=TODAY - timedelta(days=1), is_current=False), posterior=None)
    page = text_of(world.client("office"), reverse("maintenance:kind_detail", args=[old.pk]))
    assert "what the catalogue promises" in page
    assert '<svg class="lives"' not in page


def test_kinds_of_unknown_types_have_a_page_too(world: World) -> None:
    kind = make_kind(make_fit(), transmitter_type=None, battery_type=None, is_measured=False, n_ends=0)
    page = text_of(world.client("office"), reverse("maintenance:kind_detail", args=[kind.pk]))
    assert "Unknown transmitter" in page
    assert np.isfinite(kind.u_10)


def test_a_kind_asks_as_often_with_many_lots_and_half_years(world: World) -> None:
    fit = make_fit()
    kind = make_kind(fit)

    def grow(n: int) -> None:
        for _ in range(n):
            made = fit.lots.count()
            LotFit.objects.create(fit=fit, stratum=kind, code=f"LOT-{made}", observed=6, expected=5.0)
            half_year(kind, date(TODAY.year - 1 - made, 1, 1), 3.0, 2)

    assert_same_queries(world.client("office"), reverse("maintenance:kind_detail", args=[kind.pk]), grow)


def test_a_technician_reads_the_pages_without_links_to_the_offices(world: World) -> None:
    fit = make_fit()
    kind = make_kind(fit)
    half_year(kind, date(TODAY.year - 1, 1, 1), 5.0, 4)
    lot = LotFit.objects.create(fit=fit, stratum=kind, code="LOT-1", observed=6, expected=5.0)
    for url in (HONEST, reverse("maintenance:kind_detail", args=[kind.pk])):
        mine, offices = (text_of(world.client(who), url) for who in ("technician", "office"))
        for address in (reverse("maintenance:lots"), reverse("maintenance:lot_detail", args=[lot.pk])):
            assert f'href="{address}"' in offices
            assert f'href="{address}"' not in mine
        assert "LOT-1" in mine
