"""Large and small batches, plain and odd rows: whichever way is taken, the ledger comes out the same."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection, transaction
from django.db.models.functions import Sign

from devices.actions import bulk_days, rollup_sql
from devices.actions.intake import take_batch
from devices.actions.intake_placing import _Placer
from devices.actions.rollups import differences
from devices.models import CheckInDay, FittingTotals, SetAside
from devices.rules.events import Event
from tests.factories import (
    NOW,
    TODAY,
    make_gateway,
    make_registration,
    make_transmitter,
    make_unit,
)

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]
KINDS = ("check_in", "activation", "restore", "low_battery", "check_in", "tamper")


@pytest.fixture
def units(receiver):
    return [make_unit(receiver, slot) for slot in (1, 2, 3, 4)]


def rows_of(units):
    """Events of two days in no order, some twice."""
    midnight = datetime(TODAY.year, TODAY.month, TODAY.day, tzinfo=UTC) - timedelta(days=1)
    return [
        Event(
            n, KINDS[n % 6], midnight + timedelta(minutes=n * 611 % 1900), units[n % 4].serial, margin_db=n % 17 + 0.4
        )
        for n in range(90)
    ]


@transaction.atomic
def taken(receiver, units):
    """What two batches make of the days and totals of some units, and the answers; as if they had never come."""
    source = make_gateway(receiver.customer)
    answers = [
        take_batch(source=source, batch_id=f"b{part}", sha256="a" * 64, events=rows_of(units)[part::2], at=NOW).answer
        for part in (0, 1)
    ]
    names = [one.name for one in CheckInDay._meta.concrete_fields]
    # Each run has a source of its own.
    names[names.index("acts_source")] = Sign("acts_source")
    days = [
        [bytes(value) if isinstance(value, bytes | memoryview) else value for value in row]
        for row in CheckInDay.objects.order_by("transmitter_id", "day").values_list(*names)
    ]
    totals = list(FittingTotals.objects.order_by("fitting_id").values_list("days_measured", "checkins", "activations"))
    assert differences(transmitter_ids=[unit.pk for unit in units]) == []
    transaction.set_rollback(True)
    return answers, days, totals


def test_days_written_in_bulk_are_those_written_row_by_row(receiver, units, monkeypatch):
    answers, days, totals = taken(receiver, units)
    assert len(days) == 8
    assert sum(row[2] for row in totals) == 15
    monkeypatch.setattr(bulk_days, "is_worth_while", lambda n_days: n_days > 0)
    assert taken(receiver, units) == (answers, days, totals)


def test_the_short_way_of_plain_rows_leads_where_the_long_one_does(receiver, units, monkeypatch):
    answers, days, totals = taken(receiver, units)
    monkeypatch.setattr(_Placer, "_all_but_plain", lambda self, events, placed: events)
    assert taken(receiver, units) == (answers, days, totals)


@pytest.mark.parametrize(
    ("on_record", "sent"),
    [
        ('SK"7\\1,{2}', 'SK"7\\1,{2}'), ("SK-00417", "sk 00417"), ("SK-00417", "SK\u201300417"),
        ("SK\u201300417", "SK-00417"), ("ΑΣ-12", "ας12"), ("NULL", "NULL"), ("SK-9", "SK9"),
    ],
)  # fmt: skip
def test_a_serial_is_found_however_it_is_spelt(receiver, on_record, sent):
    unit = make_transmitter(receiver.customer, serial=on_record)
    make_registration(receiver, 9, transmitter=unit)
    source = make_gateway(receiver.customer)
    events = [Event(1, "check_in", NOW, sent), Event(2, "check_in", NOW, 'no "such" \\ one')]
    answer = take_batch(source=source, batch_id="b", sha256="a" * 64, events=events, at=NOW).answer
    assert (answer["taken"], [one["row"] for one in answer["set_aside"]]) == (1, [2])
    assert CheckInDay.objects.get().transmitter_id == unit.pk
    assert SetAside.objects.get().serial == 'no "such" \\ one'


@pytest.mark.skipif("connection.vendor != 'postgresql'", reason="arrays are of PostgreSQL")
@pytest.mark.parametrize(
    ("kind", "values"),
    [
        ("int", [3, -1, 2]), ("int", [7, 7, 7]), ("int", [1, None, 3]), ("int", [None, None]), ("int", [5]), ("int", []),
        ("bytea", [b"\x00\\\"", b"ab", b""]), ("bytea", [b"\x01", None]), ("bytea", [b"\x5c"] * 3),
        ("date", [date(2026, 2, 28), date(2028, 2, 29)]), ("date", [date(2026, 2, 28)] * 2),
    ],
)  # fmt: skip
def test_arrays_reach_the_database_as_they_are(kind, values):
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT unnest(%s::{kind}[])", [rollup_sql._array(values)])
        assert [bytes(row[0]) if isinstance(row[0], memoryview) else row[0] for row in cursor.fetchall()] == values
