"""The one read of check-in days: whose, in which span, in which order, and for whom."""

from __future__ import annotations

from datetime import timedelta

import pytest

from devices.models import CheckInDay
from devices.querysets.days_read import DAY_FIELDS, MASKS, days_of
from tests.factories import NOW, TODAY, make_receiver, make_registration, make_site

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def heard(transmitter, *ago, **over):
    for n in ago:
        CheckInDay.objects.create(
            transmitter_id=transmitter.pk, day=TODAY - timedelta(days=n), customer_id=transmitter.customer_id,
            **({"heard": n, "expected": 24} | over),
        )  # fmt: skip


def read(**which):
    rows = days_of(CheckInDay.objects.all(), since=TODAY - timedelta(days=9), until=TODAY, **which)
    return [(row[0], (TODAY - row[1]).days) for row in rows]


def test_days_come_by_transmitter_then_by_day_and_only_those_of_the_span():
    site = make_site()
    one, two = (make_registration(make_receiver(site)).transmitter for _ in range(2))
    for unit in (two, one):
        heard(unit, 0, 9, 10, 4)
    assert read(transmitters=[two.pk, one.pk]) == [(pk, n) for pk in (one.pk, two.pk) for n in (9, 4, 0)]
    assert read(transmitters=[two.pk]) == [(two.pk, 9), (two.pk, 4), (two.pk, 0)]
    assert read(transmitters=[]) == []


def test_a_receiver_and_a_site_give_the_days_of_all_that_stood_there_in_the_span():
    site = make_site()
    receiver, second = make_receiver(site), make_receiver(site)
    here, moved_on, gone = (make_registration(receiver, n).transmitter for n in (1, 2, 3))
    beside = make_registration(second).transmitter
    elsewhere = make_registration().transmitter
    for unit, days in ((moved_on, 3), (gone, 30)):
        unit.registrations.update(removed_at=NOW - timedelta(days=days))
    later = make_registration(receiver, 4, registered_at=NOW + timedelta(days=1)).transmitter
    for unit in (here, moved_on, gone, beside, elsewhere, later):
        heard(unit, 2)
    assert read(receiver=receiver.pk) == [(here.pk, 2), (moved_on.pk, 2)]
    assert read(site=site.pk) == [(here.pk, 2), (moved_on.pk, 2), (beside.pk, 2)]


def test_who_asks_sees_no_day_of_another_customer(world):
    for row in (world.own_registration, world.other_registration):
        heard(row.transmitter, 1)
    both = [world.own_registration.transmitter_id, world.other_registration.transmitter_id]
    days = CheckInDay.objects.visible_to(world.own_user)
    assert [row[0] for row in days_of(days, since=TODAY - timedelta(days=5), until=TODAY, transmitters=both)] == both[
        :1
    ]
    other = days_of(days, since=TODAY - timedelta(days=5), until=TODAY, site=world.other_site.pk)
    assert list(other) == []


def test_quarter_hours_are_given_when_asked_for():
    unit = make_registration().transmitter
    heard(unit, 1, lowest_margin_db=7, presence=bytes(range(12)))
    span = {"since": TODAY - timedelta(days=5), "until": TODAY, "transmitters": [unit.pk]}
    (row,) = days_of(CheckInDay.objects.all(), **span, fields=("transmitter_id", *MASKS))
    assert (bytes(row[1]), row[2]) == (bytes(range(12)), None)
    (row,) = days_of(CheckInDay.objects.all(), **span)
    assert dict(zip(DAY_FIELDS, row, strict=True))["lowest_margin_db"] == 7


def test_somebody_must_be_named():
    with pytest.raises(TypeError):
        read()
    with pytest.raises(TypeError):
        read(receiver=1, site=1)
