"""Pages of lots: what a night has learnt of each, where its cells are, and what leads on from there."""

from datetime import timedelta

import pytest
from django.urls import reverse

from maintenance.actions.recalls import RecallPlan, open_recall
from maintenance.models import DueItem, LotFit, Round
from maintenance.rules.recalls import RecallFilter
from tests import factories
from tests.factories import NOW, TODAY
from tests.house.test_query_growth import assert_same_queries
from tests.maintenance.fits_made import make_fit, make_kind
from tests.maintenance.views.test_recalls import asked, text_of

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]
LOTS = "maintenance:lots"


@pytest.fixture
def kind(db):
    return make_kind(make_fit())


def a_lot(kind, code, **over):
    given = {
        "n_batteries": 20, "n_in_service": 12, "observed": 1, "expected": 1.2, "factor": 1.0, "chance_normal": 0.95,
        "is_half_year": False, "is_suspect": False,
    }  # fmt: skip
    return LotFit.objects.create(fit=kind.fit, stratum=kind, code=code, **(given | over))


@pytest.fixture
def bad(kind):
    return a_lot(kind, "24A17", observed=3, expected=0.4, factor=0.52, chance_normal=0.02, is_suspect=True)


def fitted(receiver, slot, lot, *, duty="security", due_in=100, fitted_at=NOW - timedelta(days=300)):
    row = factories.make_registration(receiver, slot, duty=duty)
    cells = factories.make_fitting(row.transmitter, lot=lot, fitted_at=fitted_at, entered_at=NOW)
    DueItem.objects.create(
        customer=row.customer, site=row.site, kind="cells", fitting=cells, receiver=receiver, registration=row,
        transmitter=row.transmitter, duty=duty, harm=("life_safety", "security", "convenience").index(duty),
        due_on=TODAY + timedelta(days=due_in), reason="lot_alarm", model_version="0", as_of=TODAY, opinions=[],
    )  # fmt: skip
    return row


@pytest.fixture
def cells(world):
    return [
        fitted(world.own_receiver, 2, "24A17", due_in=200),
        fitted(world.own_receiver, 3, "24A17", duty="life_safety", due_in=10),
        fitted(world.other_receiver, 2, "24B02; 24a17", due_in=20),
        fitted(world.own_receiver, 4, "24A170"),
    ]


def test_suspect_lots_stand_on_top_with_what_was_seen_expected_and_left(world, kind, bad, cells):
    a_lot(kind, "24B02")
    said = text_of(world.client("office").get(reverse(LOTS), {"sort": "lot"}))
    assert said.index("24A17 suspect") < said.index("24B02 CR2450")
    assert "1 lot ends sooner than its kind." in said
    assert "Lasts about half as long as its kind" in said
    assert "3 2 to 19 times as many 0.4" in said
    assert "2 at 1 site" in said
    assert "1 on life safety" in said


def test_kinds_of_transmitters_are_summed_and_their_worst_word_counts(world, kind, bad):
    other = make_kind(kind.fit, 1, transmitter_type=factories.transmitter_type("door", label="door contact"))
    a_lot(other, "24A17", observed=1, expected=1.6)
    page = world.client("office").get(reverse(LOTS))
    (row,) = page.context["page"].object_list
    assert (row["n_seen"], row["expected_words"], row["suspect"]) == (4, "2", 1)
    said = text_of(world.client("office").get(reverse("maintenance:lot_detail", args=[row["lot_pk"]])))
    assert "Door contact" in said
    assert "1 ended where 1.6 were expected" in said
    assert "too few have ended in door contact to tell. For now due dates in" in said
    assert "those in door contact not yet. A recall covers all of them." in said


def test_a_kind_that_stands_twice_says_which_of_the_two_is_brought_forward(world, kind, bad):
    other = make_kind(kind.fit, 1, transmitter_type=kind.transmitter_type, is_measured=not kind.is_measured)
    a_lot(other, "24A17", observed=9, expected=8.0)
    said = text_of(world.client("office").get(reverse("maintenance:lot_detail", args=[bad.pk])))
    words = ["counted", "assumed"] if kind.is_measured else ["assumed", "counted"]
    label = kind.transmitter_type.label
    assert (
        f"For now due dates in {label} (activations {words[0]}) are brought forward, "
        f"those in {label} (activations {words[1]}) not yet." in said
    )


def test_a_lot_in_one_kind_has_nothing_to_explain(world, bad):
    page = world.client("office").get(reverse("maintenance:lot_detail", args=[bad.pk]))
    assert "can behave differently" not in text_of(page)


def test_lots_are_narrowed_sorted_and_said_to_be_none(world, kind, bad):
    a_lot(kind, "2025-H2", is_half_year=True)
    client = world.client("office")
    assert "fitted July to December 2025" in text_of(client.get(reverse(LOTS)))
    assert "fitted July" not in text_of(client.get(reverse(LOTS), {"show": "suspect"}))
    assert "24A17" not in text_of(client.get(reverse(LOTS), {"q": "H2"})).replace("lot-q", "")
    assert "No lot is like that" in text_of(client.get(reverse(LOTS), {"cells": "999999"}))
    gone = a_lot(kind, "19A01", n_in_service=0)
    assert gone.code not in text_of(client.get(reverse(LOTS)))
    assert gone.code in text_of(client.get(reverse(LOTS), {"show": "all"}))
    assert gone.code in text_of(client.get(reverse(LOTS), {"q": "19A"}))
    assert "24A17" in text_of(client.get(reverse(LOTS), {"cells": kind.battery_type_id}))
    for sort in ("lot", "-life", "seen", "expected", "service", "cells", "chance", "x", "-"):
        page = client.get(reverse(LOTS), {"sort": sort, "page": "9", "show": "y", "cells": "z"})
        assert page.status_code == 200
        assert next(iter(page.context["page"]))["code"] == "24A17"


def test_a_lot_too_young_to_say_anything_is_found_and_can_be_recalled(world, kind, bad, cells):
    client = world.client("office")
    page = client.get(reverse(LOTS), {"q": "24a170"})
    assert "1 set of lot 24a170 is on record" in text_of(page)
    assert f"{reverse('maintenance:recall_new')}?lots=24a170" in page.content.decode()


def test_before_the_first_fit_the_page_says_what_will_fill_it(world):
    assert "Nothing has been learnt yet" in text_of(world.client("office").get(reverse(LOTS)))


def test_only_the_fit_in_use_is_shown_and_an_old_link_leads_to_it(world, kind, bad):
    old_kind = make_kind(make_fit(is_current=False, as_of=TODAY - timedelta(days=9)))
    old = a_lot(old_kind, "24A17", observed=2, is_suspect=True)
    gone = a_lot(old_kind, "19Z99", observed=2, is_suspect=True)
    client = world.client("office")
    assert "19Z99" not in text_of(client.get(reverse(LOTS)))
    assert client.get(reverse("maintenance:lot_detail", args=[old.pk])).url == reverse(
        "maintenance:lot_detail", args=[bad.pk]
    )
    assert client.get(reverse("maintenance:lot_detail", args=[gone.pk])).status_code == 200


def test_a_lot_says_how_sure_we_are_and_where_its_cells_are_by_harm(world, bad, cells):
    spare = factories.make_transmitter(world.own)
    factories.make_fitting(spare, lot="24A17")
    out = factories.make_transmitter(world.own)
    factories.make_fitting(out, lot="24A17", removed_at=NOW - timedelta(days=3), removed_why="low_battery")
    page = world.client("office").get(reverse("maintenance:lot_detail", args=[bad.pk]))
    said = text_of(page)
    assert "3 ended where 0.4 were expected; the chance that it is an ordinary lot is about 2 in 100." in said
    assert "4 in service, 3 of them in slots at 2 sites, 1 on life safety · 1 has come out" in said.replace(" ,", ",")
    serials = [fitting.transmitter.serial for fitting in page.context["page"]]
    assert serials == [
        cells[1].transmitter.serial,
        cells[2].transmitter.serial,
        cells[0].transmitter.serial,
        spare.serial,
    ]
    assert "mixed: 24B02; 24a17" in said
    assert "In no slot" in said
    assert f"{out.serial} 1 Aug" not in said
    assert "low-battery signal" in said


def test_what_is_left_of_a_lot_leads_to_a_recall_with_the_lot_filled_in(world, bad, cells):
    client = world.client("office")
    page = client.get(reverse("maintenance:lot_detail", args=[bad.pk]))
    preview = client.get(page.context["recall_url"])
    assert "3 transmitters at 2 sites; 1 on life safety." in text_of(preview)
    answer = client.post(reverse("maintenance:recall_new"), asked(preview) | {"why": "They end early."})
    assert answer.status_code == 302
    again = text_of(client.get(reverse("maintenance:lot_detail", args=[bad.pk])))
    assert "Cells of this lot are being recalled: Lot 24A17" in again


def test_cells_without_a_lot_go_by_the_half_year_of_their_fitting(world, kind):
    half = a_lot(kind, "2026-H1", is_half_year=True)
    inside = fitted(world.own_receiver, 8, "", fitted_at=NOW.replace(month=6, day=30))
    outside = fitted(world.own_receiver, 9, "", fitted_at=NOW.replace(month=7, day=1))
    client = world.client("office")
    page = client.get(reverse("maintenance:lot_detail", args=[half.pk]))
    assert [fitting.transmitter for fitting in page.context["page"]] == [inside.transmitter]
    said = text_of(client.get(page.context["recall_url"]))
    assert inside.transmitter.serial in said
    assert outside.transmitter.serial not in said
    (row,) = client.get(reverse(LOTS)).context["page"].object_list
    assert (row["n_now"], row["n_sites"]) == (1, 1)


def test_a_round_from_a_lot_takes_its_sites_and_says_that_dates_stay(world, bad, cells):
    client, url = world.client("office"), reverse("maintenance:lot_rounds", args=[bad.pk])
    page = client.get(url)
    assert "keeps" not in text_of(page)
    assert "recall them first" in text_of(page)
    fields = {
        "site": [world.own_site.pk, world.other_site.pk], "technician": world.technician.pk, "day": "2026-11-27",
        "starts": "08:30", "n_a_day": "1", "name": "Lot 24A17", "horizon_weeks": "2",
    }  # fmt: skip
    answer = client.post(url, fields)
    assert answer.url == reverse("maintenance:lot_detail", args=[bad.pk])
    assert [round.day.isoformat() for round in Round.objects.order_by("day")] == ["2026-11-27", "2026-11-30"]
    first = Round.objects.order_by("day").first()
    assert first.visits.get().site == world.own_site, "life safety comes first"


def test_a_suspect_lot_on_life_safety_is_said_until_it_is_recalled(world, bad, cells):
    client, words = world.client("office"), "Suspect lot on life safety: lot 24A17"
    urls = [reverse("maintenance:due_list"), reverse(LOTS)]
    assert all(f"{words}, 1 in service and in no recall" in text_of(client.get(url)).replace(" ,", ",") for url in urls)
    open_recall(
        plan=RecallPlan("Lot 24A17", "They end early.", TODAY + timedelta(days=28), RecallFilter(lots=("24A17",))),
        by=world.office, at=NOW, today=TODAY,
    )  # fmt: skip
    assert all(words not in text_of(client.get(url)) for url in urls)


@pytest.mark.parametrize("who", ["technician", "own_user", "other_user"])
def test_lots_are_the_offices_alone(world, bad, who):
    for url in (
        reverse(LOTS),
        reverse("maintenance:lot_detail", args=[bad.pk]),
        reverse("maintenance:lot_rounds", args=[bad.pk]),
    ):
        assert world.client(who).get(url).status_code == 404


def test_pages_of_lots_ask_as_much_for_3_as_for_23(world, kind, bad):
    def more_lots(n):
        for _ in range(n):
            lot = a_lot(kind, f"LOT-{factories.number()}", observed=3, chance_normal=0.01, is_suspect=True)
            fitted(factories.make_receiver(), 1, lot.code, duty="life_safety")

    def more_cells(n):
        for _ in range(n):
            fitted(factories.make_receiver(), 1, "24A17")

    client = world.client("office")
    assert_same_queries(client, reverse(LOTS), more_lots)
    for name in ("lot_detail", "lot_rounds"):
        assert_same_queries(client, reverse(f"maintenance:{name}", args=[bad.pk]), more_cells)
