"""Whatever changes where a transmitter stands, its cells or its serial draws its stamp anew, by whatever way it comes."""

from datetime import timedelta

import pytest
from django.db import connection, transaction

from devices.models import Fitting, FittingTotals, Registration, Transmitter
from devices.unit_stamps import ensure_stamps
from tests.factories import (
    NOW,
    TODAY,
    make_customer,
    make_fitting,
    make_receiver,
    make_registration,
    make_site,
    make_transmitter,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def row():
    return make_registration(make_receiver(), 1)


@pytest.fixture
def unit(row):
    return row.transmitter


@pytest.fixture
def cells(unit):
    return make_fitting(unit)


@pytest.fixture
def period(cells):
    return FittingTotals.objects.create(fitting=cells, customer=cells.customer, from_on=TODAY, interval_s=3600)


def stamp(unit):
    return Transmitter.objects.values_list("stamp", flat=True).get(pk=unit.pk)


def in_sql(statement, *values):
    with connection.cursor() as cursor:
        cursor.execute(statement, values)


CHANGES = {
    "taken out of its slot": lambda u, r, c, p: Registration.objects.filter(pk=r.pk).update(removed_at=NOW),
    "another slot": lambda u, r, c, p: Registration.objects.filter(pk=r.pk).update(slot=9),
    "another interval": lambda u, r, c, p: Registration.objects.filter(pk=r.pk).update(interval_s=900),
    "another day": lambda u, r, c, p: Registration.objects.filter(pk=r.pk).update(registered_at=NOW),
    "another receiver": lambda u, r, c, p: Registration.objects.filter(pk=r.pk).update(receiver=make_receiver(r.site)),
    "another site": lambda u, r, c, p: Registration.objects.filter(pk=r.pk).update(site=make_site(r.customer)),
    "by SQL": lambda u, r, c, p: in_sql("UPDATE devices_registration SET slot = 8 WHERE id = %s", r.pk),
    "given to another unit": lambda u, r, c, p: Registration.objects.filter(pk=r.pk).update(
        transmitter=make_transmitter(r.customer)
    ),
    "a further slot": lambda u, r, c, p: make_registration(r.receiver, 2, transmitter=u, is_shared=True),
    "further slots in bulk": lambda u, r, c, p: Registration.objects.bulk_create(
        [
            Registration(
                receiver=r.receiver, site=r.site, customer=r.customer, slot=n, transmitter=u, input_number=n, label="x",
                duty="security", registered_at=NOW,
            )
            for n in (2, 3)
        ]
    ),
    "never registered": lambda u, r, c, p: Registration.objects.filter(pk=r.pk).delete(),
    "cells out": lambda u, r, c, p: Fitting.objects.filter(pk=c.pk).update(removed_at=NOW, removed_why="low"),
    "cells of another day": lambda u, r, c, p: Fitting.objects.filter(pk=c.pk).update(fitted_at=NOW),
    "cells entered on another day": lambda u, r, c, p: Fitting.objects.filter(pk=c.pk).update(entered_at=NOW),
    "cells of another unit": lambda u, r, c, p: Fitting.objects.filter(pk=c.pk).update(
        transmitter=make_transmitter(r.customer)
    ),
    "no period": lambda u, r, c, p: FittingTotals.objects.filter(pk=p.pk).delete(),
    "a further period": lambda u, r, c, p: FittingTotals.objects.create(
        fitting=c, customer=c.customer, from_on=TODAY + timedelta(days=1)
    ),
    "a period of another day": lambda u, r, c, p: FittingTotals.objects.filter(pk=p.pk).update(
        from_on=TODAY - timedelta(days=1)
    ),
    "another serial": lambda u, r, c, p: Transmitter.objects.filter(pk=u.pk).update(serial="ANOTHER"),
    "retired": lambda u, r, c, p: Transmitter.objects.filter(pk=u.pk).update(retired_at=NOW),
    "another serial, saved": lambda u, r, c, p: Transmitter(**{**kept(u), "serial": "SAVED"}).save(),
}  # fmt: skip


def kept(unit):
    return {field.attname: getattr(unit, field.attname) for field in Transmitter._meta.concrete_fields}


@pytest.mark.parametrize("change", CHANGES)
def test_every_change_that_intake_goes_by_draws_another(unit, row, cells, period, change):
    before = stamp(unit)
    CHANGES[change](unit, row, cells, period)
    assert stamp(unit) != before


def test_another_customer_draws_another(row):
    loose = make_transmitter(row.customer)
    before = stamp(loose)
    Transmitter.objects.filter(pk=loose.pk).update(customer=make_customer())
    assert stamp(loose) != before


def test_the_unit_that_comes_and_the_one_that_goes_both_change(row, unit):
    other = make_transmitter(row.customer)
    before = stamp(unit), stamp(other)
    Registration.objects.filter(pk=row.pk).update(transmitter=other)
    assert stamp(unit) != before[0]
    assert stamp(other) != before[1]


def test_what_every_batch_writes_changes_none(unit, row, cells, period):
    before = stamp(unit)
    FittingTotals.objects.filter(pk=period.pk).update(days_measured=3, checkins=7, activations=1)
    Registration.objects.filter(pk=row.pk).update(label="Other words", note="said")
    Fitting.objects.filter(pk=cells.pk).update(note="said")
    Transmitter.objects.filter(pk=unit.pk).update(note="said")
    assert stamp(unit) == before


def test_saving_a_row_that_was_read_before_brings_no_former_stamp_back(unit, row):
    read_before = Transmitter.objects.get(pk=unit.pk)
    Registration.objects.filter(pk=row.pk).update(slot=5)
    now = stamp(unit)
    assert now != read_before.stamp
    read_before.note = "said"
    read_before.save()
    assert stamp(unit) == now


def test_no_number_that_somebody_writes_is_taken_as_it_stands(unit):
    before = stamp(unit)
    Transmitter.objects.filter(pk=unit.pk).update(stamp=7)
    assert stamp(unit) not in (before, 7)
    # As a fixture is loaded.
    Transmitter(**kept(unit) | {"stamp": before}).save_base(raw=True)
    assert stamp(unit) not in (before, 7)


def test_a_stamp_that_was_taken_back_stands_for_nothing_else_later(unit, row):
    def changed_to(slot):
        with transaction.atomic():
            Registration.objects.filter(pk=row.pk).update(slot=slot)
            found = stamp(unit)
            transaction.set_rollback(True)
        return found

    before = stamp(unit)
    assert len({before, changed_to(5), changed_to(6)}) == 3
    assert stamp(unit) == before


def test_new_units_have_stamps_of_their_own():
    made = [make_transmitter(), *Transmitter.objects.bulk_create([Transmitter(customer=make_customer(), serial="B-1")])]
    assert len({stamp(one) for one in made} - {0}) == 2


def test_a_trigger_that_is_missing_is_made_again_and_all_stamps_are_drawn(unit, row):
    before = stamp(unit)
    ensure_stamps()
    assert stamp(unit) == before
    name = "stamp_place" + (" ON devices_registration" if connection.vendor == "postgresql" else "")
    in_sql(f"DROP TRIGGER {name}")
    Registration.objects.filter(pk=row.pk).update(slot=5)
    assert stamp(unit) == before
    ensure_stamps()
    redrawn = stamp(unit)
    assert redrawn != before
    Registration.objects.filter(pk=row.pk).update(slot=6)
    assert stamp(unit) != redrawn


@pytest.mark.skipif("connection.vendor != 'postgresql'", reason="SQLite compares the whole text of each trigger")
def test_a_trigger_that_is_off_or_made_by_other_columns_is_made_again(unit, row, monkeypatch):
    in_sql("SET CONSTRAINTS ALL IMMEDIATE")
    in_sql("ALTER TABLE devices_registration DISABLE TRIGGER stamp_place")
    ensure_stamps()
    before = stamp(unit)
    Registration.objects.filter(pk=row.pk).update(slot=6)
    assert stamp(unit) != before
    monkeypatch.setattr("devices.unit_stamps.OF_UNIT", ("customer_id", "serial", "retired_at", "note"))
    ensure_stamps()
    before = stamp(unit)
    Transmitter.objects.filter(pk=unit.pk).update(note="said")
    assert stamp(unit) != before
