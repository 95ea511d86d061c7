"""Words of "why this date": a good sentence for every reason, on both sides of the date, and steps that add up."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from maintenance.rules.due import FLAGS, NO_ESTIMATE, RULES, due_date
from maintenance.rules.due_customer import chance_words, for_customer
from maintenance.rules.due_facts import FittingFacts, facts_table
from maintenance.rules.due_known import GraceKnown, KindKnown, LotKnown, known_figures
from maintenance.rules.due_steps import steps
from maintenance.rules.due_story import REASON_WORDS, Story, headline, notes_left
from tests.maintenance.rules.test_due import DAY, PENDANT, TODAY

LOT = LotKnown("LM-7", n_batteries=40, n_ended=9, n_expected=2.4, factor=0.55, is_suspect=True)
LEARNED = KindKnown(
    is_learned=True, n_ended=42, n_in_service=310, dead_share=0.2, p_dead=0.01, p_call=0.1,
    learned_on=date(2027, 3, 3), model_version="fleet-1",
)  # fmt: skip


def row_of(**over: Any) -> dict[str, float]:
    facts = facts_table(**(PENDANT | over))
    return {name: getattr(facts, name)[0].item() for name in FittingFacts.__slots__}


def story(
    code: str = "risk_limit",
    days: int = 200,
    *,
    known: KindKnown | None = None,
    flags: tuple[str, ...] = (),
    **over: Any,
) -> Story:
    """Story of a pendant that is due in so many days for this reason, whatever the rules would say."""
    due = due_date(facts_table(**(PENDANT | over)), TODAY)
    return Story(
        row=row_of(**over), place="Room 4, pendant", code=code, due_on=TODAY + timedelta(days=days), today=TODAY, flags=flags,
        u=due.u, rate_per_day=due.rate_per_day, reached_on=TODAY + timedelta(days=max(days, 200)), recall="Lot LM-7 leaks",
        kind=known or KindKnown(),
    )  # fmt: skip


REASONS = [
    (
        "risk_limit",
        {},
        "by then about 32 % of its charge is used. About one in a hundred batteries of this kind fails before",
    ),
    (
        "low_battery",
        {"first_low_day": DAY - 3},
        "it reported a low battery on 1 March 2027, and the firm allows 7 days",
    ),
    (
        "calendar_cap",
        {},
        "the firm leaves no battery in life-safety service longer than 5 years, however little it has used",
    ),
    ("unknown_age", {}, "nobody knows when it was fitted. Our records begin on"),
    ("shelf_life", {}, "cells of this type are good for 10 years from the day it was fitted, used or not"),
    (
        "unit_life",
        {"kind": 2, "unit_life_days": 3652},
        "a unit of this kind serves 10 years, counted from the day it was fitted",
    ),
    ("contract_date", {}, "this date is agreed with the customer"),
    ("recall", {}, "it is being recalled (Lot LM-7 leaks) and must be out by then"),
    ("lot_alarm", {}, "cells of its lot have come to their end earlier than others of their kind"),
]


@pytest.mark.parametrize(("code", "over", "text"), REASONS)
def test_every_reason_has_its_sentence_before_its_date(code: str, over: dict[str, Any], text: str) -> None:
    said = headline(story(code, **over))
    assert said.startswith("Change the ")
    assert "by 20 September 2027: " in said
    assert text in said


@pytest.mark.parametrize(("code", "over", "text"), REASONS)
def test_every_reason_has_its_sentence_after_its_date(code: str, over: dict[str, Any], text: str) -> None:
    said = headline(story(code, days=-12, **over))
    assert "is late: it was due on 20 February 2027, 12 days ago. " in said
    tail = re.split(r"\. Our|\(|, ", text.removeprefix("by then about 32 % of its charge is used. "))[0]
    assert tail.lower() in said.lower()


@pytest.mark.parametrize(
    ("level", "whose"),
    [
        ("kind", "batteries of this kind"),
        ("cells", "batteries with cells of this type"),
        ("fleet", "batteries of all kinds together"),
    ],
)
def test_deaths_after_reports_are_told_to_office_and_customer_where_they_allow_less_time(
    level: str, whose: str
) -> None:
    known = replace(LEARNED, grace=GraceKnown(1, 2, 12, level))
    one = story("low_battery", known=known, first_low_day=DAY - 3, grace_days=1, policy_grace_days=7)
    seen = f"going by 12 {whose} that could be heard after such a report (2 were found dead), about one in ten is dead within 1 day if nobody comes"
    assert f"The firm allows 7 days after such a report, but {seen}, so we do not wait longer than that." in headline(
        one
    )
    assert seen in for_customer(one, "Lantern House")
    rule = due_date(facts_table(**(PENDANT | {"first_low_day": DAY, "grace_days": 1})), TODAY).why
    assert "and 1 day is allowed after that" in rule
    figures = {f.name: f.value for f in known_figures(known)}
    assert figures["found dead after a report, of those that could be heard"].startswith("2 of 12, ")
    assert figures["about one in ten dead after a report"] == "within 1 day"


def test_every_rule_that_can_decide_has_words() -> None:
    assert {rule.code: rule.name for rule in RULES} | {NO_ESTIMATE: "no estimate"} == REASON_WORDS
    assert {code for code, _, _ in REASONS} >= {rule.code for rule in RULES}


def test_yesterday_is_one_day_ago_and_today_is_not_late() -> None:
    assert "one day ago" in headline(story(days=-1))
    assert headline(story(days=0)).startswith("Change ")


def test_each_kind_of_thing_has_its_own_name() -> None:
    assert "the battery of “Room 4, pendant”" in headline(story())
    standby = replace(story("unit_life"), row=row_of(kind=1, unit_life_days=1461))
    assert headline(standby).startswith("Change the standby battery of “Room 4, pendant”")
    unit = replace(story("unit_life"), row=row_of(kind=2, unit_life_days=3652))
    assert headline(unit).startswith("Change the whole unit “Room 4, pendant”")


def test_without_a_date_it_is_said_what_is_missing() -> None:
    blank = replace(story(NO_ESTIMATE, fitted_day=-1, entered_day=-1), due_on=None)
    assert headline(blank).startswith("No date can be given: it is not known when it was fitted")
    assert steps(blank) == ()
    assert for_customer(blank, "Harbour") == ""


def test_the_sentence_says_what_rests_on_the_catalogue() -> None:
    assert "Going by the catalogue, about one in a hundred" in headline(story(flags=("prior_only",)))
    assert "catalogue" not in headline(story())


def test_reports_that_are_counted_on_are_told_with_the_limit_that_holds() -> None:
    by_death = headline(story(known=LEARNED, planning_probability=0.05))
    assert "about five in a hundred batteries of this kind come to their end before that point" in by_death.lower()
    assert "about one in a hundred dies without warning: the most that the firm allows on life-safety duty" in by_death
    by_calls = headline(story(known=replace(LEARNED, dead_share=0.05), planning_probability=0.1))
    assert "the firm wants no more than ten in a hundred to get that far" in by_calls


@pytest.mark.parametrize(("dead_share", "word"), [(0.2, "Most report"), (0.7, "Some report")])
def test_how_many_report_is_not_overstated(dead_share: float, word: str) -> None:
    known = replace(LEARNED, dead_share=dead_share)
    assert word in headline(story(known=known, planning_probability=0.01 / dead_share))


def test_a_limit_that_cannot_be_reached_is_no_promise() -> None:
    said = headline(story(flags=("limit_not_reachable",)))
    assert "cannot be met by changing still earlier" in said
    assert "allows no more" not in said


def test_a_lot_is_told_with_its_numbers() -> None:
    said = headline(story("lot_alarm", known=replace(LEARNED, lot=LOT)))
    assert (
        "its lot LM-7 has lasted about 55 % as long as others of the kind (9 of 40 ended, where about 2.4 were expected)"
        in said
    )
    half = LotKnown("2025-H2", is_half_year=True)
    assert half.name == "cells without a lot code fitted in the second half of 2025"


def texts(one: Story) -> dict[str, str]:
    return {step.name: step.text for step in steps(one)}


# --- steps ------------------------------------------------------------------------------------------------------------


def test_the_steps_of_cells_tell_use_limit_evidence_and_date() -> None:
    said = texts(story())
    assert list(said) == ["Used so far", "Used per year", "The limit", "What its kind has shown", "The date"]
    assert (
        said["Used so far"] == "About 12 % of its charge, since it was fitted on 28 January 2026, about 13 months ago."
    )
    assert "About 11 % of its charge, the largest part for its check-ins." in said["Used per year"]
    assert "the usual number of its kind is assumed" in said["Used per year"]
    assert "At 32 % of its charge one in a hundred such batteries has come to an end." in said["The limit"]
    assert "Low-battery reports are not counted on yet" in said["The limit"]
    assert said["What its kind has shown"].startswith("No battery of this kind has been followed to its end yet.")
    assert "is left until the limit. At 11 % a year that lasts" in said["The date"]


def test_counts_and_a_learned_draw_are_told() -> None:
    kind = replace(LEARNED, sleep_multiplier=1.3)
    said = texts(story(known=kind, measured_days=300, measured_activations=210))
    assert "Its activations were counted: 210 in 300 days." in said["Used per year"]
    assert "draws about 30 % more between activations than the catalogue says" in said["Used per year"]
    assert "of every 10 that end, 8 are expected to report in time." in said["The limit"]
    assert (
        said["What its kind has shown"]
        == "42 batteries of this kind followed to the end, 310 in service. The limit rests on them."
    )


def test_reports_that_are_counted_on_are_told_as_seen_and_as_reckoned() -> None:
    kind = replace(LEARNED, n_dead=4, n_reported=36)
    said = texts(story(known=kind, planning_probability=0.05))["The limit"]
    assert (
        "of every 10 that ended, about 9 reported in time (36 of 40, this kind); to be careful, 8 are counted on."
        in said
    )
    assert "only about one in a hundred dies without warning" in said
    wide = texts(story(known=replace(kind, is_fleet_wide=True)))["The limit"]
    assert "(36 of 40, all kinds together)" in wide


def test_a_draw_as_in_the_catalogue_is_not_worth_a_word() -> None:
    assert "than the catalogue says" not in texts(story(known=replace(LEARNED, sleep_multiplier=1.01)))["Used per year"]


def test_few_ends_are_said_to_be_few() -> None:
    said = texts(story(known=replace(LEARNED, n_ended=1), flags=("prior_only",)))
    assert "One battery of this kind followed to the end" in said["What its kind has shown"]
    assert "too few to know more than the catalogue says" in said["What its kind has shown"]


def test_a_kind_without_ends_leans_on_what_other_kinds_have_shown() -> None:
    name = "What its kind has shown"
    assert texts(story())[name].endswith("The limit rests on the catalogue's figures.")
    said = texts(story(known=replace(LEARNED, n_ended=0, n_in_service=12)))[name]
    assert said.startswith("No battery of this kind has been followed to its end yet, with 12 in service.")
    assert said.endswith("and on how other kinds have fared against theirs.")


def test_another_rule_that_decides_is_named_in_the_last_step() -> None:
    said = texts(replace(story("calendar_cap"), reached_on=TODAY + timedelta(days=900)))
    assert said["The date"].endswith("Earlier than that, 20 September 2027 holds: longest time in service.")
    never = texts(replace(story("calendar_cap"), reached_on=None))
    assert "is not reached in this century" in never["The date"]


def test_the_limit_of_a_bad_lot_is_the_one_to_tell() -> None:
    known = replace(LEARNED, lot=LOT)
    ahead = texts(story("lot_alarm", known=known, lot_factor=0.55))["The date"]
    assert ahead.startswith("6 % is left until the limit of its lot. At 11 % a year that lasts")
    assert ahead.endswith("until 20 September 2027.")
    past = texts(story("lot_alarm", days=-12, known=known, lot_factor=0.55))["The date"]
    assert past == "The limit of its lot was reached on 20 February 2027, so that is the date."


def test_the_limit_on_calls_is_told_where_it_holds() -> None:
    said = texts(story(known=replace(LEARNED, dead_share=0.05), planning_probability=0.1))["The limit"]
    assert "The firm lets no more than ten in a hundred get that far." in said
    assert "dies without warning" not in said


def test_a_limit_that_is_passed_is_told_in_the_past() -> None:
    today = replace(story(days=0), reached_on=TODAY)
    assert texts(today)["The date"] == "The limit is reached today, 4 March 2027."
    passed = replace(story(days=-30), reached_on=TODAY - timedelta(days=30))
    assert texts(passed)["The date"] == "The limit was reached on 2 February 2027, so that is the date."


@pytest.mark.parametrize(
    ("kind", "code", "text"),
    [
        (0, "unknown_age", "cannot be worked out"),
        (1, "unit_life", "goes by the calendar, not by use"),
        (2, "unit_life", ""),
    ],
)
def test_what_goes_by_the_calendar_has_no_charge_figures(kind: int, code: str, text: str) -> None:
    over = {"kind": kind, "unit_life_days": 1461, "capacity_mah": math.nan, "fitted_day": -1 if kind == 0 else DAY - 90}
    one = replace(story(code), row=row_of(**over), u=math.nan, rate_per_day=math.nan)
    said = texts(one)
    assert list(said) == ["In service since", "How long", "The date"]
    assert text in said["The date"]
    assert not any("%" in words for words in said.values())


def test_notes_that_the_steps_tell_are_not_told_twice() -> None:
    notes = ("rests on the catalogue", "not counted", "in the future")
    flags = ("prior_only", "fallback_rate", "fitted_later")
    assert notes_left(story(flags=flags), notes) == ("in the future",)
    by_calendar = replace(story(flags=flags), u=math.nan)
    assert notes_left(by_calendar, notes) == notes
    assert notes_left(story(flags=flags), notes[:2]) == notes[:2]
    assert set(flags) <= set(FLAGS.values())


maybe_day = st.one_of(st.just(-1), st.integers(DAY - 9000, DAY + 400))
maybe = st.one_of(st.just(math.nan), st.floats(1e-6, 1e6))


# --- for the customer, and the chance ahead ---------------------------------------------------------------------------


@settings(deadline=None, max_examples=150)
@given(
    fitted=maybe_day, entered=maybe_day, made=maybe_day, low=maybe_day, recall=maybe_day, kind=st.integers(0, 2),
    duty=st.integers(0, 2), capacity=maybe, sleep=maybe, interval=maybe, u_limit=maybe,
    q=st.floats(1e-4, 0.5), dead_share=st.floats(0.01, 1.0), factor=st.floats(0.28, 1.0), counted=st.floats(0, 500),
)  # fmt: skip
def test_whatever_is_known_the_words_are_words(**drawn: Any) -> None:
    over = {
        "fitted_day": drawn["fitted"], "entered_day": drawn["entered"], "made_day": drawn["made"], "kind": drawn["kind"],
        "first_low_day": drawn["low"], "recall_day": drawn["recall"], "duty": drawn["duty"], "sleep_ua": drawn["sleep"],
        "capacity_mah": drawn["capacity"], "interval_s": drawn["interval"], "u_limit": drawn["u_limit"],
        "planning_probability": drawn["q"], "lot_factor": drawn["factor"], "measured_days": drawn["counted"],
        "measured_activations": drawn["counted"] * 3, "unit_life_days": 3652,
    }  # fmt: skip
    due = due_date(facts_table(**(PENDANT | over)), TODAY)
    known = replace(LEARNED, dead_share=drawn["dead_share"], lot=LOT if drawn["factor"] < 1 else None)
    one = Story(
        row=row_of(**over), place="Room 4", code=due.code, due_on=due.due_on, today=TODAY, flags=due.flags, u=due.u,
        rate_per_day=due.rate_per_day, kind=known,
        reached_on=next((o.due_on for o in due.opinions if o.code == "risk_limit"), None),
    )  # fmt: skip
    said = [
        headline(one),
        for_customer(one, "Fellview"),
        *(step.text for step in steps(one)),
        *notes_left(one, due.notes),
    ]
    said.append(chance_words(drawn["q"], one))
    for text in filter(None, said):
        assert text.endswith("."), text
        assert not re.search(r"\bnan\b|\bNone\b|\binf\b|_|  ", text), text
        assert text[0].isupper() or text[0].isdigit()
    assert len(steps(one)) in (0, 3, 5)


# --- figures of the fit -----------------------------------------------------------------------------------------------


def test_what_the_fleet_has_taught_stands_in_the_figures() -> None:
    found = {f.name: (f.value, f.source) for f in known_figures(replace(LEARNED, lot=LOT))}
    assert found["batteries of its kind followed to the end"] == ("42", "model fleet-1, fit of 3 March 2027")
    assert found["ends without a report that are reckoned with"][0] == "20 %"
    assert found["lot LM-7: ended against expected"][0] == "9 against 2.4 of 40"
    assert found["life of its lot against its kind"][0] == "55 %"
    unsure = {f.name: f.value for f in known_figures(replace(LEARNED, dead_share=1.0))}
    assert unsure["low-battery reports"] == "not counted on"


def test_without_a_fit_the_figures_say_so() -> None:
    (only,) = known_figures(KindKnown(model_version="fleet-1"))
    assert only.value == "nothing yet"
    assert "model fleet-1" in only.source
