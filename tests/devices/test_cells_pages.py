"""Pages of cells: how the old ones ended is asked when they come out, and can be said anew later."""

from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from devices.models import FittingEnd
from tests.factories import battery_type


@pytest.fixture
def office(world):
    return world.client("office")


def text(response):
    return " ".join(response.content.decode().split())


def change(client, world, **over):
    url = reverse("devices:battery_fit", args=[world.own_registration.transmitter_id])
    data = {
        "battery_type": battery_type().pk, "n_cells": "1", "removed_why": "low_battery", "removed_v": "2.4",
        "reason": "battery changed", "version": "1",
    }  # fmt: skip
    return client.post(url, data | over)


def test_the_form_asks_how_the_old_ones_ended(world, office):
    page = text(office.get(reverse("devices:battery_fit", args=[world.own_registration.transmitter_id])))
    for words in ("How the old ones ended", "Measured under load", "Last known working", "First low-battery signal"):
        assert words in page
    for choice in ("planned change", "low-battery signal", "found dead", "leaked", "wrong cells", "unknown"):
        assert f">{choice}</option>" in page


def test_what_was_said_is_kept_with_the_days_of_the_site(world, office):
    day = timezone.localdate() - timedelta(days=12)
    answer = change(
        office, world, removed_why="dead", removed_v_under_load="on", last_alive_on=day.isoformat(),
        end_note="button stuck",
    )  # fmt: skip
    assert answer.status_code == 302
    end = FittingEnd.objects.get()
    assert (end.why, end.volts, end.is_under_load, end.note, end.by) == (
        "dead",
        2.4,
        True,
        "button stuck",
        world.office,
    )
    assert end.last_alive_at.astimezone(world.own_site.zone).date() == day
    page = text(office.get(reverse("devices:transmitter_detail", args=[world.own_registration.transmitter_id])))
    assert "found dead" in page
    assert "2.40 V under load" in page


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"removed_v": "", "removed_v_under_load": "on"}, "Give the volts that were measured under load"),
        ({"removed_v": "-1"}, "greater than or equal to 0"),
        ({"removed_v": "28"}, "at most about 4.2 V"),
        ({"last_alive_on": "2199-01-01"}, "This day has not come yet."),
        ({"low_seen_on": "1970-01-01"}, "This lies before"),
        ({"last_alive_on": "2020-06-01"}, "before these cells were fitted"),
    ],
)
def test_what_cannot_be_is_refused_in_words(world, office, fields, words):
    answer = change(office, world, **fields)
    assert answer.status_code == 422
    assert words in text(answer)
    assert not FittingEnd.objects.exists()


def test_the_office_says_anew_how_cells_ended_and_the_old_words_stay(world, office):
    change(office, world)
    detail = text(office.get(reverse("devices:transmitter_detail", args=[world.own_registration.transmitter_id])))
    url = reverse("devices:battery_end", args=[world.own_fitting.pk])
    assert f'href="{url}"' in detail
    assert "Correct how they ended" in detail
    page = text(office.get(url))
    assert "Holds now:</b> Low-battery signal, 2.40 V at rest" in page
    seen = str(FittingEnd.objects.get().pk)
    same = {"removed_why": "low_battery", "removed_v": "2.4", "seen_end": seen}
    assert "already" in text(office.post(url, same | {"reason": "typed twice"}))
    wanted = {"removed_why": "dead", "removed_v": "1.7", "removed_v_under_load": "on", "seen_end": seen}
    assert office.post(url, wanted).status_code == 422  # no reason
    assert office.post(url, wanted | {"reason": "technician rang"}).status_code == 302
    page = text(office.get(url))
    assert "Holds now:</b> Found dead, 1.70 V under load" in page
    assert "corrected since:</span> Low-battery signal, 2.40 V at rest" in page
    world.own_fitting.refresh_from_db()
    assert (world.own_fitting.removed_why, world.own_fitting.removed_v) == ("dead", 1.7)


def test_an_untouched_day_stays_the_moment_it_was(world, office):
    change(office, world)
    end = FittingEnd.objects.get()
    moment = timezone.now() - timedelta(days=20, hours=3)
    FittingEnd.objects.filter(pk=end.pk).update(low_seen_at=moment)
    url = reverse("devices:battery_end", args=[world.own_fitting.pk])
    day = moment.astimezone(world.own_site.zone).date().isoformat()
    assert f'value="{day}"' in text(office.get(url))
    data = {"removed_why": "low_battery", "removed_v": "2.5", "low_seen_on": day, "reason": "misread"}
    data["seen_end"] = str(end.pk)
    assert office.post(url, data).status_code == 302
    assert FittingEnd.objects.in_force().get().low_seen_at == moment


def test_only_the_office_corrects_and_only_cells_that_ended(world, office):
    url = reverse("devices:battery_end", args=[world.own_fitting.pk])
    assert office.get(url).status_code == 404
    change(office, world)
    assert office.get(url).status_code == 200
    assert world.client("technician").get(url).status_code == 404
    assert world.client("own_user").get(url).status_code == 404
    assert world.client("other_user").get(url).status_code == 404
    page = text(
        world.client("technician").get(
            reverse("devices:tech_transmitter_detail", args=[world.own_registration.transmitter_id])
        )
    )
    assert "Correct how they ended" not in page


@pytest.mark.parametrize("seen", [{}, {"seen_end": "0"}, {"version": "2"}])
def test_a_correction_made_from_an_older_statement_is_refused(world, office, seen):
    change(office, world)
    first = FittingEnd.objects.get()
    url = reverse("devices:battery_end", args=[world.own_fitting.pk])
    assert f'name="seen_end" value="{first.pk}"' in text(office.get(url))
    data = {"removed_why": "leaked", "removed_v": "2.4", "reason": "white crust"}
    answer = office.post(url, data | seen)
    assert answer.status_code == 422
    assert "Somebody has corrected this since you opened the form" in text(answer)
    assert "Open the form again as things stand now" in text(answer)
    assert FittingEnd.objects.get() == first
    assert office.post(url, data | {"seen_end": str(first.pk)}).status_code == 302
    # A second person still holds the form of the first statement.
    assert office.post(url, data | {"removed_why": "dead", "seen_end": str(first.pk)}).status_code == 422
    assert FittingEnd.objects.count() == 2


@pytest.mark.parametrize("made_on", ["0001-01-01", "1950-06-01", "1999-12-31"])
def test_cells_made_before_due_dates_know_days_are_refused(world, office, made_on):
    answer = change(office, world, made_on=made_on)
    assert answer.status_code == 422
    assert "cannot lie before 2000" in text(answer)
    assert not FittingEnd.objects.exists()


def test_a_planned_change_after_a_typed_signal_is_refused(world, office):
    day = (timezone.localdate() - timedelta(days=3)).isoformat()
    answer = change(office, world, removed_why="preventive", low_seen_on=day)
    assert answer.status_code == 422
    assert "did not come out as planned: choose low-battery signal" in text(answer)
    assert not FittingEnd.objects.exists()
