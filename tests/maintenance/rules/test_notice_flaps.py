"""How long a mail about a receiver that falls deaf again is held back."""

from datetime import UTC, datetime, timedelta

from maintenance.rules.notice_flaps import held_until, times_since

AT = datetime(2026, 11, 25, 22, tzinfo=UTC)


def ago(minutes: float) -> datetime:
    return AT - timedelta(minutes=minutes)


def test_each_mail_of_a_night_waits_twice_as_long_as_the_one_before_up_to_an_hour() -> None:
    assert held_until([], AT) == AT
    assert held_until([ago(5)], AT) == ago(5) + timedelta(minutes=15)
    assert held_until([ago(25), ago(5)], AT) == ago(5) + timedelta(minutes=30)
    assert held_until([ago(5 + n) for n in range(9)], AT) == ago(5) + timedelta(hours=1)


def test_what_was_told_long_enough_ago_holds_nothing() -> None:
    assert held_until([ago(16)], AT) == AT
    assert held_until([ago(12 * 60)], AT) == AT


def test_times_are_counted_over_a_night_up_to_the_one_that_is_told() -> None:
    raised = [ago(13 * 60), ago(90), ago(30), AT, AT + timedelta(hours=1)]
    assert times_since(raised, AT) == (3, ago(90))
    assert times_since([], AT) == (1, AT)
