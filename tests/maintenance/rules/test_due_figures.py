"""The working of a due date as words and figures."""

from __future__ import annotations

from typing import Any

import pytest

from maintenance.rules.due import due_date
from maintenance.rules.due_facts import FittingFacts, facts_table
from maintenance.rules.due_figures import figures_of, use_per_year
from maintenance.rules.due_words import odds_words, share_words, span_words
from tests.maintenance.rules.test_due import DAY, PENDANT, TODAY


def row(**over: Any) -> dict[str, float]:
    facts = facts_table(**(PENDANT | over))
    return {name: getattr(facts, name)[0].item() for name in FittingFacts.__slots__}


def table(**over: Any) -> dict[str, tuple[str, str]]:
    facts = facts_table(**(PENDANT | over))
    rate = due_date(facts, TODAY).rate_per_day
    notes = {"capacity_mah": "a notebook", "sleep_ua": "typical, from memory"}
    return {f.name: (f.value, f.source) for f in figures_of(row(**over), notes, rate)}


def test_each_figure_has_its_unit_and_source() -> None:
    figures = table()
    assert figures["rated charge of the set"] == ("620 mAh", "a notebook")
    assert figures["usable share of it"][0] == "75 %"
    assert figures["lost by itself per year at 20 °C"][0] == "1.5 %"
    assert figures["current between events"] == ("2.2 µA", "typical, from memory")
    assert figures["time between check-ins"] == ("60 min", "recorded")
    assert figures["charge used per year at this rate"][1] == "worked out: the sum of the four above"
    assert figures["batteries that may fail before it"] == ("one in a hundred", "the firm's own policy")
    assert all(value and source for value, source in figures.values())


def test_the_time_after_a_report_says_whether_the_firm_or_the_record_set_it() -> None:
    name = "time to change after a low-battery report"
    assert table()[name] == ("7 days", "the firm's own policy")
    assert table(policy_grace_days=7)[name] == ("7 days", "the firm's own policy")
    learnt = table(grace_days=4, policy_grace_days=7)[name]
    assert learnt == ("4 days", "deaths after reports; the firm's policy: 7 days")


def test_a_reader_can_rebuild_the_charge_used_per_year() -> None:
    figures, facts = table(), row()
    usable = facts["capacity_mah"] * facts["usable_share"] * facts["temperature_share"]
    assert figures["usable charge"][0] == f"{usable:.1f} mAh"
    asleep = 100 * facts["sleep_ua"] * 8.766 / usable
    assert figures["used per year between events"][0] == f"{asleep:.1f} %"
    checked_in = 100 * facts["checkin_uas"] / facts["interval_s"] * 8.766 / usable
    assert figures["used per year by check-ins"][0] == f"{checked_in:.1f} %"
    assert figures["used per year by activations"][1].endswith(" a day")
    a_day = float(figures["used per year by activations"][1].split()[-3])
    activated = 100 * a_day * facts["activation_uah"] * 0.36525 / usable
    assert float(figures["used per year by activations"][0].split()[0]) == pytest.approx(activated, abs=0.06)
    assert "of the usable charge" in figures["lost per year by itself"][1]
    parts = ("between events", "by check-ins", "by activations")
    total = sum(float(figures[f"used per year {part}"][0].split()[0]) for part in parts)
    total += float(figures["lost per year by itself"][0].split()[0])
    assert float(figures["charge used per year at this rate"][0].split()[0]) == pytest.approx(total, abs=0.25)


def test_the_charge_used_until_today_has_one_decimal() -> None:
    found = {f.name: f.value for f in figures_of(row(), {}, 0.0003, 0.4567)}
    assert found["charge used until today"] == "45.7 %"


def test_what_is_not_known_is_said() -> None:
    figures = table(fitted_day=-1)
    assert figures["fitted"] == ("not known", "nobody has recorded it")
    assert figures["temperature"][1] == "assumed; not measured here"
    assert figures["activations"] == ("not counted", "the usual number of the kind is assumed")


def test_counts_are_shown_as_counts() -> None:
    assert table(measured_days=300, measured_activations=210)["activations"] == (
        "210 in 300 days",
        "counted from check-ins",
    )


def test_a_small_figure_is_not_rounded_to_nothing() -> None:
    assert table(typical_activations_per_day=0.02)["usual activations per day"][0] == "0.02"


def test_a_standby_battery_shows_no_charge_figures() -> None:
    facts = facts_table(kind=1, fitted_day=DAY - 100, unit_life_days=1461)
    names = {
        f.name for f in figures_of({n: getattr(facts, n)[0].item() for n in FittingFacts.__slots__}, {}, float("nan"))
    }
    assert "life of the unit" in names
    assert "rated charge of the set" not in names


def test_a_learned_draw_stands_in_the_figures_and_in_the_sum() -> None:
    facts = facts_table(**(PENDANT | {"sleep_multiplier": 1.5}))
    rate = due_date(facts, TODAY).rate_per_day
    found = {f.name: f.value for f in figures_of(row(), {}, rate, sleep_multiplier=1.5)}
    assert found["draw between activations, against the catalogue"] == "× 1.50"
    plain = {f.name: f.value for f in figures_of(row(), {}, rate)}
    for name in ("used per year between events", "used per year by check-ins"):
        assert float(found[name].split()[0]) == pytest.approx(1.5 * float(plain[name].split()[0]), abs=0.1)
    assert "draw between activations, against the catalogue" not in plain


def test_a_years_use_is_split_into_parts_that_sum_to_it() -> None:
    facts = facts_table(**PENDANT)
    per_year = due_date(facts, TODAY).rate_per_day * 365.25
    use = use_per_year(row(), per_year)
    assert use.asleep + use.checked_in + use.activated + use.lost == pytest.approx(per_year)
    assert use.activations_per_day == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("n_days", "words"),
    [
        (1, "1 day"), (7, "7 days"), (90, "90 days"), (92, "3 months"), (365.25, "1 year"), (1461, "4 years"),
        (1095, "3 years"), (457, "15 months"), (440, "about 14 months"), (2500, "about 7 years"), (-1, "an unknown time"),
        (float("nan"), "an unknown time"),
    ],
)  # fmt: skip
def test_spans_are_said_as_people_say_them(n_days: float, words: str) -> None:
    assert span_words(n_days) == words


@pytest.mark.parametrize(
    ("q", "words"),
    [
        (0.01, "one in a hundred"), (0.03, "three in a hundred"), (0.15, "15 in a hundred"), (0.005, "five in a thousand"),
        (0.015, "1.5 in a hundred"), (0.02, "two in a hundred"), (0.075, "7.5 in a hundred"), (0.125, "12.5 in a hundred"),
        (0.1234, "12 in a hundred"), (0.0999, "ten in a hundred"), (0.0075, "7.5 in a thousand"), (0.001, "one in a thousand"),
        (0.0001, "fewer than one in a thousand"), (0.0, "an unknown share"), (float("nan"), "an unknown share"),
    ],
)  # fmt: skip
def test_odds_are_counts(q: float, words: str) -> None:
    assert odds_words(q) == words


@pytest.mark.parametrize(
    ("share", "words"),
    [(0.0, "0 %"), (0.004, "under 1 %"), (0.324, "32 %"), (1.2, "120 %"), (1e300, "more than 999 %"),
     (-0.1, "an unknown part"), (float("nan"), "an unknown part")],
)  # fmt: skip
def test_shares_are_whole_per_cents(share: float, words: str) -> None:
    assert share_words(share) == words
