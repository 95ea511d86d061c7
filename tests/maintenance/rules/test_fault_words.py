"""Which fault is worse, and what is said about it; a rule for mails as a sentence."""

from __future__ import annotations

from datetime import time, timedelta

import pytest

from maintenance.rules.fault_words import KINDS, in_order, meaning, portal_words, rank, source_words, span_words
from maintenance.rules.notice_hours import Hours
from maintenance.rules.notice_words import OFFERS, days_words, length_words, rule_words


def test_dead_life_safety_and_a_deaf_receiver_come_before_everything():
    mixed = [
        ("missing", "convenience"), ("tamper", "life_safety"), ("receiver_power", "receiver"), ("missing", "security"),
        ("low_battery", "life_safety"), ("missing", "life_safety"), ("outage", "receiver"),
    ]  # fmt: skip
    assert in_order(mixed) == [
        ("outage", "receiver"), ("missing", "life_safety"), ("low_battery", "life_safety"), ("tamper", "life_safety"),
        ("receiver_power", "receiver"), ("missing", "security"), ("missing", "convenience"),
    ]  # fmt: skip


@pytest.mark.parametrize("kind", ["outage", "receiver_power", "link_lost", "receiver_fault"])
def test_a_receiver_on_which_life_safety_hangs_weighs_as_the_worst_of_its_slots(kind):
    assert rank(kind, "receiver", hangs=True) == rank("low_battery", "life_safety") == 0
    assert rank("receiver_tamper", "receiver", hangs=True) == rank("tamper", "life_safety") == 1
    assert kind == "outage" or rank(kind, "receiver") > rank("tamper", "life_safety")


def test_an_unknown_duty_is_the_least_and_no_error():
    assert rank("missing", "") >= rank("missing", "convenience")


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_says_what_it_means_and_what_to_do(kind):
    told = meaning(kind, "security")
    assert told.what.endswith(".")
    assert told.do.endswith(".")


def test_where_a_help_call_is_silent_the_person_comes_before_the_device():
    assert meaning("missing", "life_safety", "pendant").do.startswith("See to the person first")
    assert not meaning("missing", "security", "pendant").do.startswith("See to the person")
    assert meaning("missing", "life_safety", "smoke").do.startswith("Tell the person in charge")


@pytest.mark.parametrize(
    ("span", "words"),
    [
        (timedelta(seconds=-5), "under a minute"), (timedelta(seconds=59), "under a minute"),
        (timedelta(minutes=1), "1 min"), (timedelta(minutes=119), "119 min"), (timedelta(hours=2), "2 h"),
        (timedelta(hours=47, minutes=59), "47 h"), (timedelta(days=2), "2 d"),
    ],
)  # fmt: skip
def test_a_length_of_time_is_said_in_its_own_unit(span, words):
    assert span_words(span) == words


def test_a_rule_is_one_sentence():
    words = rule_words(
        Hours(), duty="Life safety", customer="", n_recipients=2, group_s=60, again_s=1800
    )  # fmt: skip
    assert words == (
        "Life safety, at any hour, to 2 addresses, gathered for 1 minute, reminded after 30 minutes, then ever less often"
    )
    night = Hours("4", time(22), time(6))
    words = rule_words(night, duty="Security", customer="Harbour Trust", n_recipients=1, group_s=0, again_s=None)
    assert words == (
        "Security of Harbour Trust, Friday from 22:00 to 06:00 the next day, to 1 address, each at once, never reminded"
    )


@pytest.mark.parametrize(
    ("days", "words"),
    [
        ("01234", "Monday to Friday"), ("0123456", "every day"), ("56", "Saturday and Sunday"), ("", "on no day"),
        ("024", "Monday, Wednesday and Friday"), ("6", "Sunday"),
    ],
)  # fmt: skip
def test_days_are_said_short(days, words):
    assert days_words(days) == words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(30, "30 seconds"), (60, "1 minute"), (5400, "90 minutes"), (14400, "4 hours"), (86400, "1 day")],
)
def test_lengths_are_said_in_the_largest_whole_unit(seconds, words):
    assert length_words(seconds) == words


def test_what_may_cost_a_life_is_offered_at_any_hour():
    assert {offer.duty for offer in OFFERS if offer.hours.is_always} == {"life_safety", "receiver"}


@pytest.mark.parametrize(
    ("has_standby", "lasts", "do"),
    [
        (True, "only until it is empty", "before the standby battery is empty"),
        (False, "has no standby battery", "at once"),
        (None, "not on record", "at once"),
    ],
)
def test_a_failed_supply_promises_hours_only_where_a_standby_battery_is_known(has_standby, lasts, do):
    told = meaning("receiver_power", "receiver", has_standby=has_standby)
    assert lasts in told.what
    assert do in told.do
    if not has_standby:
        assert "hours" not in told.what
        assert "standby" not in told.do


@pytest.mark.parametrize("kind", KINDS)
def test_the_customer_is_told_of_every_kind_what_can_be_done_there(kind):
    assert portal_words(kind).endswith(".")


def test_a_name_that_was_cut_says_so():
    assert source_words("gateway 7") == "gateway 7"
    assert source_words("played gateway 2026-11-25 10:48 of the w") == "played gateway 2026-11-25 10:48 of the w…"
