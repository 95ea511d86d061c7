"""Words and codes of event logs: what each is taken to mean before a person looks."""

from __future__ import annotations

import pytest

from devices.rules.event_words import IGNORE, guess_kind, is_told_by_code, take_apart


@pytest.mark.parametrize(
    ("cell", "kind"),
    [
        ("E384", "low_battery"), ("1384", "low_battery"), ("384", "low_battery"), ("6384", "low_battery"), ("384E", "low_battery"),
        ("R384", "battery_restored"), ("3384", "battery_restored"), ("384R", "battery_restored"), ("r384", "battery_restored"),
        ("3384 00 005", "battery_restored"), ("18 1384 01 015", "low_battery"), ("E384 - RF low battery", "low_battery"),
        ("1381", "missing"), ("E383", "tamper"), ("E144", "tamper"), ("E380", "trouble"), ("E344", "interference"),
        ("R344", "interference_over"), ("E341", "receiver_tamper"), ("E333", "receiver_fault"), ("E301", "power_fault"),
        ("E302", "standby_low"), ("R302", "standby_restored"), ("Standby battery restored", "standby_restored"),
        ("Receiver battery low", "standby_low"), ("Panel battery ok", "standby_restored"), ("AC power restored", "power_restored"),
        ("R301", "power_restored"), ("E602", "link_test"), ("E101", "activation"), ("R101", "restore"), ("E130", "activation"),
        ("XT", "low_battery"), ("XR", "battery_restored"), ("NXT005", "low_battery"), ("TA", "tamper"), ("QA", "activation"),
        ("E401", IGNORE), ("E570", IGNORE), ("E607", IGNORE), ("6130", IGNORE), ("E999", None), ("ZZ", None),
        ("Low battery", "low_battery"), ("LOW BATT", "low_battery"), ("lowbat", "low_battery"), ("Battery low", "low_battery"),
        ("Transmitter low battery restored", "battery_restored"), ("Battery OK", "battery_restored"),
        ("Supervision loss", "missing"), ("Sensor missing", "missing"), ("Check-in missed", "missing"),
        ("Supervision restored", "missing_restored"), ("Tamper", "tamper"), ("Tamper closed", "tamper_restored"),
        ("check-in", "check_in"), ("Heartbeat", "check_in"), ("Supervisory signal", "check_in"), ("RF jamming", "interference"),
        ("AC fail", "power_fault"), ("Mains restored", "power_restored"), ("System battery low", "standby_low"),
        ("Receiver tamper", "receiver_tamper"), ("Panic alarm", "activation"), ("Help call", "activation"),
        ("Alarm restored", "restore"), ("Zone trouble", "trouble"), ("Periodic test", "link_test"),
        ("Unregistered transmitter heard", "unregistered"), ("low_battery", "low_battery"), ("Check In", "check_in"),
        ("Opened by user", None), ("Guard tour 7", None), ("", None), ("2026", None),
    ],
)  # fmt: skip
def test_a_code_or_word_is_taken_for(cell: str, kind: str | None) -> None:
    assert guess_kind(cell) == kind


@pytest.mark.parametrize(
    ("cell", "state", "kind"),
    [
        ("384", "Restore", "battery_restored"), ("384", "R", "battery_restored"), ("384", "New", "low_battery"),
        ("Low battery", "Cleared", "battery_restored"), ("Low battery", "Active", "low_battery"), ("Tamper", "Closed", "tamper_restored"),
        ("130", "3", "restore"), ("E384", "Restore", "low_battery"),
    ],
)  # fmt: skip
def test_a_column_of_states_decides_where_the_code_does_not(cell: str, state: str, kind: str) -> None:
    assert guess_kind(cell, state) == kind


@pytest.mark.parametrize(
    ("cell", "key", "zone"),
    [
        ("1384 00 005", "1384", 5), ("E384-01-C012", "e384", 12), ("NXT005", "xt", 5), ("Low Battery - Zone 12", "low battery", 12),
        ("Low battery (zone #7)", "low battery", 7), ("Low  Battery", "low battery", None), ("E384", "e384", None),
        ("Zone 4", "zone 4", 4),
    ],
)  # fmt: skip
def test_the_zone_is_taken_out_of_a_word_so_that_it_is_asked_for_once(cell: str, key: str, zone: int | None) -> None:
    word = take_apart(cell)
    assert (word.key, word.zone) == (key, zone)


@pytest.mark.parametrize(
    ("cell", "kind"),
    [
        ("Smoke trouble", "trouble"), ("Smoke sensor fault", "trouble"), ("Fire trouble", "trouble"), ("Alarm fault", "trouble"),
        ("TOTAL BATTERY FAILURE SMOKE HEAD", "low_battery"), ("Battery exhausted smoke head", "low_battery"),
        ("Missed check-in", "missing"), ("No heartbeat", "missing"), ("AC off", "power_fault"),
        ("Smoke detector alarm", "activation"), ("Pendant pressed", "activation"), ("Door open", "activation"), ("Door closed", "restore"),
    ],
)  # fmt: skip
def test_a_fault_word_wins_over_the_word_of_an_alarm(cell: str, kind: str) -> None:
    assert guess_kind(cell) == kind


@pytest.mark.parametrize(
    "cell",
    [
        "Smoke detector not responding", "Dirty smoke head", "Bypass smoke", "Pendant battery", "No alarm", "Call cancelled",
        "Alarm test", "Closing", "Opening", "Open", "False alarm", "Alarm silenced", "Alarm acknowledged", "Call back", "Call keyholder",
        "Low battery test", "Sensor not missing", "Link test failed", "Smoke detector", "Panic button", "Battery not low", "Power on",
        "Smoke alarm service", "Fire door open",
    ],
)  # fmt: skip
def test_what_is_unsure_is_left_open(cell: str) -> None:
    assert guess_kind(cell) is None


@pytest.mark.parametrize(
    ("cell", "state", "kind"),
    [
        ("Smoke", "Test", None), ("Smoke", "Trouble", "trouble"), ("Fire", "Trouble restored", "trouble_restored"),
        ("Smoke detector", "Alarm", "activation"), ("Smoke", "Restored", "restore"), ("Low battery", "Bypassed", None),
    ],
)  # fmt: skip
def test_a_state_of_fault_or_test_makes_no_alarm(cell: str, state: str, kind: str | None) -> None:
    assert guess_kind(cell, state) == kind


@pytest.mark.parametrize(
    ("cell", "state", "is_told"),
    [
        ("E384", "", True), ("1384 00 005", "", True), ("R101", "", True), ("E384 - low battery", "", True), ("check-in", "", True),
        ("LOW_BATTERY", "", True), ("low_battery", "over", False), ("384", "", False), ("E131", "", False), ("E401", "", False), ("TA", "", False),
        ("Low batt", "", False), ("Smoke", "", False), ("", "", False),
    ],
)  # fmt: skip
def test_only_a_published_code_with_its_mark_or_one_of_ours_needs_no_guess(
    cell: str, state: str, is_told: bool
) -> None:
    assert is_told_by_code(cell, state) is is_told


def test_every_guess_is_a_kind_that_there_is() -> None:
    from devices.rules.dc09_events import DC03, DC05
    from devices.rules.events import EventKind

    guesses = {guess_kind(f"{mark}{code}") for code in DC05 for mark in ("E", "R", "1", "3", "6", "")}
    guesses |= {guess_kind(code) for code in DC03}
    assert guesses <= {*EventKind, IGNORE}
