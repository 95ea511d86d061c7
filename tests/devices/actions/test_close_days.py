"""Days that are over get a row for every transmitter, so that silence is on record."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from devices.actions.close_days import close_days, to_close
from devices.actions.rollups import differences, record_days
from devices.models import Away, CheckInDay, Receiver, Registration
from devices.rules.day_merge import DayRow
from devices.rules.presence import mask_of_quarters
from tests.factories import NOW, make_fitting, make_receiver, make_registration

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

DAY = date(2026, 11, 20)
EVERY_HOUR = mask_of_quarters(range(0, 96, 4))


@pytest.fixture
def receiver() -> Receiver:
    return make_receiver(evidence="every", heard_until=datetime(2026, 11, 21, 0, 5, tzinfo=UTC), days_closed_until=DAY)


def on_record(registration: Registration) -> list[tuple[date, int, int]]:
    rows = CheckInDay.objects.filter(transmitter_id=registration.transmitter_id).order_by("day")
    return list(rows.values_list("day", "heard", "expected"))


def hear(registration: Registration, day: date, **over: Any) -> None:
    facts: dict[str, Any] = {"presence": EVERY_HOUR, "interval_s": 3600, "last_heard_s": 82800}
    record_days([DayRow(registration.transmitter_id or 0, day, **(facts | over))])


def test_a_transmitter_that_said_nothing_gets_a_row_of_silence(receiver: Receiver) -> None:
    quiet, heard = make_registration(receiver, 1), make_registration(receiver, 2)
    hear(heard, DAY)
    close_days(at=NOW)
    assert on_record(quiet) == [(DAY, 0, 24)]
    assert on_record(heard) == [(DAY, 24, 24)]
    receiver.refresh_from_db()
    assert receiver.days_closed_until == DAY + timedelta(days=1)


def test_a_day_is_closed_only_once_the_watermark_has_passed_its_end(receiver: Receiver) -> None:
    Receiver.objects.update(heard_until=datetime(2026, 11, 20, 23, 59, 59, tzinfo=UTC))
    make_registration(receiver)
    assert to_close() == []
    assert close_days(at=NOW).n_days == 0


def test_closing_again_changes_nothing(receiver: Receiver) -> None:
    quiet = make_registration(receiver)
    close_days(at=NOW)
    Receiver.objects.update(days_closed_until=DAY)
    close_days(at=NOW)
    assert on_record(quiet) == [(DAY, 0, 24)]


def test_weeks_are_caught_up_a_month_at_a_time(receiver: Receiver) -> None:
    Receiver.objects.update(days_closed_until=DAY - timedelta(days=40))
    quiet = make_registration(receiver)
    assert close_days(at=NOW).n_days == 31
    assert close_days(at=NOW).n_days == 10
    assert len(on_record(quiet)) == 41


def test_parts_of_days_count_from_registration_to_removal(receiver: Receiver) -> None:
    noon = datetime(2026, 11, 20, 12, tzinfo=UTC)
    begun = make_registration(receiver, 1, registered_at=noon)
    ended = make_registration(receiver, 2, removed_at=noon)
    later = make_registration(receiver, 3, registered_at=noon + timedelta(days=1))
    close_days(at=NOW)
    assert (on_record(begun), on_record(ended), on_record(later)) == ([(DAY, 0, 12)], [(DAY, 0, 12)], [])


def test_nothing_is_expected_of_one_that_is_away_or_whose_interval_nobody_knows(receiver: Receiver) -> None:
    away, unknown = make_registration(receiver, 1), make_registration(receiver, 2, interval_s=None)
    Away.objects.create(
        registration=away, customer=away.customer, site=away.site, from_on=DAY, reason="repair", agreed_with="matron"
    )
    close_days(at=NOW)
    assert (on_record(away), on_record(unknown)) == ([(DAY, 0, 0)], [(DAY, 0, 0)])


def test_settings_changed_on_a_day_leave_one_row_for_the_whole_of_it(receiver: Receiver) -> None:
    noon = datetime(2026, 11, 20, 12, tzinfo=UTC)
    old = make_registration(receiver, 1, removed_at=noon)
    make_registration(receiver, 1, transmitter=old.transmitter, registered_at=noon)
    close_days(at=NOW)
    assert on_record(old) == [(DAY, 0, 24)]


def test_what_comes_in_late_is_merged_into_the_closed_day(receiver: Receiver) -> None:
    row = make_registration(receiver)
    make_fitting(row.transmitter)  # type: ignore[arg-type]
    close_days(at=NOW)
    hear(row, DAY)
    assert on_record(row) == [(DAY, 24, 24)]
    assert differences(transmitter_ids=[row.transmitter_id or 0]) == []


def test_totals_agree_with_days_of_silence(receiver: Receiver) -> None:
    row = make_registration(receiver)
    make_fitting(row.transmitter)  # type: ignore[arg-type]
    close_days(at=NOW)
    assert differences(transmitter_ids=[row.transmitter_id or 0]) == []


def test_a_receiver_never_closed_begins_with_the_first_day_heard(receiver: Receiver) -> None:
    Receiver.objects.update(days_closed_until=None)
    quiet, heard = make_registration(receiver, 1), make_registration(receiver, 2)
    hear(heard, DAY - timedelta(days=1))
    close_days(at=NOW)
    assert on_record(quiet) == [(DAY - timedelta(days=1), 0, 24), (DAY, 0, 24)]


def test_where_only_exceptions_reach_us_no_day_is_closed(receiver: Receiver) -> None:
    Receiver.objects.update(evidence="exceptions")
    make_registration(receiver)
    assert (to_close(), close_days(at=NOW).n_days) == ([], 0)
