"""Lengths: exact units, what was typed comes back as typed, and one firm's unit on every page."""

from __future__ import annotations

from datetime import date
from fractions import Fraction
from types import SimpleNamespace

import pytest
from django import forms
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st

from company import cells
from company.forms.lengths import LengthField, begin
from company.lengths import (
    M_PER_FT,
    M_PER_MI,
    WrongLength,
    distance_words,
    has_length_unit,
    length_words,
    price_per_mi,
    read_length_m,
    typed_length,
)
from company.manner import Manner, written_as
from company.models import ChangeRow, Firm
from company.sheets import WrongCell
from company.templatetags import lengths as filters
from tests.conftest import World

TODAY = date(2026, 3, 4)


def test_foot_and_mile_are_those_of_1959() -> None:
    # A mile is 5280 feet, a foot 12 inches of 25.4 mm.
    assert Fraction(str(M_PER_FT)) == 12 * Fraction("0.0254")
    assert Fraction(str(M_PER_MI)) == 5280 * Fraction(str(M_PER_FT))


@pytest.mark.parametrize(
    ("typed", "unit", "metres"),
    [
        ("80", "m", 80), ("80", "ft", 24.384), ("160 ft", "m", 48.768), ("50 m", "ft", 50), ("50m", "m", 50),
        ("12,5", "m", 12.5), ("12.5 Metres", "ft", 12.5), ("10'", "m", 3.048), ("1 foot", "m", 0.3048),
        ("0,125", "m", 0.125), (" 3 feet ", "m", 0.9144), ("0", "ft", 0), ("1 ft.", "m", 0.3048), ("-4", "m", -4),
    ],
)  # fmt: skip
def test_a_length_is_read_in_its_unit_or_the_one_given(typed: str, unit: str, metres: float) -> None:
    assert read_length_m(typed, unit) == metres


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("far", "no length"), ("", "no length"), ("5 yd", "“yd” is no unit"), ("1,200", "thousands"),
        ("5 6", "no length"), ("1e3", "no length"), ("5 ft 6 in", "no length"), ("nan", "no length"), ("1.2.3", "no length"),
    ],
)  # fmt: skip
def test_what_is_no_length_is_refused_with_what_to_write(typed: str, says: str) -> None:
    with pytest.raises(WrongLength, match=says):
        read_length_m(typed)


@given(
    figure=st.decimals(min_value=0, max_value=30000, places=4, allow_nan=False, allow_infinity=False),
    unit=st.sampled_from(["m", "ft"]),
)
def test_a_typed_figure_comes_back_as_typed(figure: object, unit: str) -> None:
    typed = f"{figure:f}".rstrip("0").rstrip(".")  # type: ignore[str-format]
    assert typed_length(read_length_m(typed or "0", unit), unit) == (typed or "0")


def test_lengths_and_distances_are_said_in_the_unit_asked_for() -> None:
    assert (length_words(48.768, "ft"), length_words(48.768, "m"), length_words(85.0)) == ("160 ft", "48.8 m", "85 m")
    assert (distance_words(12.0), distance_words(16.09344, "ft")) == ("12.0 km", "10.0 mi")
    assert price_per_mi(0.6) == pytest.approx(0.9656064)
    with written_as(Manner(units="ft")):
        assert (filters.length_said(48.768), filters.distance_said(16.09344)) == ("160 ft", "10.0 mi")
        assert (filters.per_mile(0.6), filters.length_said(None), filters.distance_said(None)) == ("0.97", "", "")
    assert (filters.length_said(48.768), filters.per_mile(0.6)) == ("48.8 m", "")


@pytest.mark.parametrize(
    ("cell", "metres"), [(18, 18), ("18", 18), ("18 m", 18), ("160 ft", 48.768), ("18 metres", 18), ("12,5 m", 12.5)]
)
def test_a_workbook_takes_metres_and_feet_with_their_unit(cell: object, metres: float) -> None:
    assert cells.length_m(0, 2000)(cell, TODAY) == metres  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("cell", "says"),
    [("7000 ft", "outside 0 to 2000 m"), (-3, "outside"), ("5 yd", "no number"), ("1,200 ft", "thousands")],
)
def test_a_workbook_refuses_lengths_out_of_bounds_and_other_units(cell: object, says: str) -> None:
    with pytest.raises(WrongCell, match=says):
        cells.length_m(0, 2000)(cell, TODAY)  # type: ignore[arg-type]


def test_a_known_unit_is_told_from_other_words() -> None:
    told = [has_length_unit(text) for text in ("160 ft", "5'", "18 metres", "18", "18 V", "ft", "unknown")]
    assert told == [True, True, True, False, False, False, False]


class Cable(forms.Form):
    cable_m = LengthField(label="Cable", required=False)


def cable_form(typed: str | None, kept_m: float | None) -> Cable:
    form = Cable({"cable_m": typed} if typed is not None else None)
    begin(form, "cable_m", kept_m)
    return form


def test_an_untouched_box_keeps_the_very_length_that_was_kept() -> None:
    with written_as(Manner(units="ft")):
        shown = cable_form(None, 50.0).initial["cable_m"]
        assert shown == "164.042"
        form = cable_form(shown, 50.0)
        assert form.is_valid()
        # 164.042 ft would be 50.0000016 m.
        assert form.cleaned_data["cable_m"] == 50.0
        assert form.fields["cable_m"].label == "Cable [ft]"


@pytest.mark.parametrize(("typed", "metres"), [("", None), ("160", 48.768), ("50 m", 50.0)])
def test_a_box_takes_the_firms_unit_and_others_by_name(typed: str, metres: float | None) -> None:
    with written_as(Manner(units="ft")):
        form = cable_form(typed, None)
        assert form.is_valid()
        assert form.cleaned_data["cable_m"] == metres


def test_a_box_refuses_what_is_no_length_beside_the_box() -> None:
    assert "is no unit of length" in str(cable_form("5 yd", None).errors["cable_m"])
    assert "30 characters" in str(cable_form("5" * 31, None).errors["cable_m"])


def edit(world: World, typed: str) -> tuple[int, str]:
    receiver = world.own_registration.receiver
    receiver.refresh_from_db()
    answer = world.client("office").post(
        reverse("devices:receiver_edit", args=[receiver.pk]),
        {
            "label": receiver.label, "n_slots": receiver.n_slots, "evidence": receiver.evidence, "cable_m": typed,
            "type": receiver.type_id or "", "reason": "measured", "version": receiver.version,
        },
    )  # fmt: skip
    receiver.refresh_from_db()
    return answer.status_code, str(receiver.cable_m)


def test_a_cable_typed_in_feet_is_kept_in_metres_and_shown_in_feet(world: World) -> None:
    Firm.objects.update(units="ft")
    receiver = world.own_registration.receiver
    assert edit(world, "160") == (302, "48.768")
    page = world.client("office").get(reverse("devices:receiver_edit", args=[receiver.pk])).content.decode()
    assert 'value="160"' in page
    assert "Cable length, one way [ft]" in page
    assert edit(world, "5 yd") == (422, "48.768")
    assert edit(world, "-2") == (422, "48.768")
    assert "160 ft" in world.client("office").get(reverse("devices:slot_map", args=[receiver.pk])).content.decode()
    Firm.objects.update(units="m")
    assert "48.8 m" in world.client("office").get(reverse("devices:slot_map", args=[receiver.pk])).content.decode()
    assert ChangeRow.objects.filter(verb="edit_receiver").count() == 1


def test_a_firm_that_counts_in_miles_reads_what_a_mile_costs(world: World) -> None:
    url = reverse("company:settings_home")
    assert "a mile" not in world.client("manager").get(url).content.decode()
    Firm.objects.update(units="ft", cost_per_km="0.60")
    assert "0.97" in world.client("manager").get(url).content.decode()


def test_the_paper_says_the_cable_in_the_firms_unit() -> None:
    from maintenance.reports.slot_map import supply_words

    receiver = SimpleNamespace(supply_v=12.0, fed_from="the panel", cable_m=48.768, cable_gauge="")
    assert supply_words(receiver) == "12 V from the panel, 48.8 m of cable"  # type: ignore[arg-type]
    assert supply_words(receiver, "ft") == "12 V from the panel, 160 ft of cable"  # type: ignore[arg-type]
