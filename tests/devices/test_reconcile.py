"""`manage.py reconcile`: nothing where all is well; a planted difference is found, told in words, and mended."""

import io
from datetime import timedelta

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from devices.actions import reconcile, rollups
from devices.actions.rollups import DayRow, record_days
from devices.models import FittingTotals
from tests.factories import TODAY, make_customer

pytestmark = pytest.mark.django_db


def run(*words):
    out = io.StringIO()
    try:
        call_command("reconcile", *words, stdout=out)
    except CommandError as error:
        return out.getvalue(), error.returncode, str(error)
    return out.getvalue(), 0, ""


@pytest.fixture
def counted(world):
    for row in (world.own_registration, world.other_registration):
        record_days([DayRow(row.transmitter_id, TODAY - timedelta(days=n), 24, 24, 1) for n in range(30)])
    return world


def test_nothing_is_found_where_all_is_well(counted):
    said, code, _ = run()
    assert code == 0
    assert said == "2 transmitters checked: 0 differences found, 0 rows of another customer.\n"


def test_a_planted_difference_is_told_and_mended_only_on_request(counted):
    serial = counted.own_registration.transmitter.serial
    mine = FittingTotals.objects.filter(fitting=counted.own_fitting)
    mine.update(checkins=700, activations=31)
    said, code, why = run()
    assert code == 1
    assert "--write" in why
    assert f"{serial}, cells {counted.own_fitting.pk}, period from" in said
    assert "check-ins 700, by the days 720" in said
    assert "activations 31, by the days 30" in said
    assert mine.get().checkins == 700
    said, code, _ = run("--write")
    assert (code, mine.get().checkins, mine.get().activations) == (0, 720, 30)
    assert "1 differences found and mended" in said
    assert run()[1] == 0


def test_a_missing_and_a_needless_row_are_differences(counted):
    lost = FittingTotals.objects.get(fitting=counted.own_fitting)
    FittingTotals.objects.create(
        customer=counted.other, fitting=counted.other_fitting, from_on=TODAY - timedelta(days=9), checkins=3
    )
    first = lost.from_on
    lost.delete()
    said, code, _ = run()
    assert code == 1
    assert "check-ins no row, by the days 720" in said
    assert "check-ins 3, by the days no row" in said
    run("--write")
    assert FittingTotals.objects.get(fitting=counted.own_fitting).from_on == first
    assert FittingTotals.objects.count() == 2
    assert run()[1] == 0


def test_one_transmitter_or_one_site_is_checked_alone(counted, monkeypatch):
    monkeypatch.setattr(reconcile, "CHUNK", 1)
    monkeypatch.setattr(rollups, "CHUNK", 1)
    FittingTotals.objects.filter(fitting=counted.other_fitting).update(checkins=1)
    assert run("--transmitter", counted.own_registration.transmitter.serial)[1] == 0
    assert run("--site", counted.own_site.code)[1] == 0
    assert run("--site", counted.other_site.code)[1] == 1
    assert run("--transmitter", counted.other_registration.transmitter.serial)[1] == 1
    assert run()[0].count("check-ins 1, by the days 720") == 1
    assert "Check the serial" in run("--transmitter", "no such")[2]


def test_a_row_that_names_another_customer_is_found(counted):
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute(
                "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'devices_fittingtotals'"
            )
            for (name,) in cursor.fetchall():
                cursor.execute(f'DROP TRIGGER "{name}"')
        else:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
            cursor.execute('ALTER TABLE devices_fittingtotals DROP CONSTRAINT "tk_devices_fittingtotals_fitting_id"')
        cursor.execute(
            "UPDATE devices_fittingtotals SET customer_id = %s WHERE fitting_id = %s",
            [make_customer().pk, counted.own_fitting.pk],
        )
    said, code, why = run("--write")
    assert code == 1
    assert "devices_fittingtotals: 1 rows name another customer than their devices_fitting (fitting_id)" in said
    assert "by hand" in why


@pytest.mark.parametrize(
    ("days", "sum_c", "said"),
    [
        (5000, 100_000.0, "temperature on 5000 days, but the period has"),
        (10, 1e308, "mean temperature 1e+307 °C"),
        (10, -601.0, "mean temperature -60.1 °C"),
        (0, 3.5, "a sum of 3.5 °C on no days"),
    ],
)
def test_a_temperature_that_cannot_be_is_shown_and_never_mended(counted, days, sum_c, said):
    mine = FittingTotals.objects.filter(fitting=counted.own_fitting)
    mine.update(temperature_days=days, temperature_sum_c=sum_c)
    for words in ((), ("--write",)):
        shown, code, why = run(*words)
        assert code == 1
        assert f"{counted.own_registration.transmitter.serial}, cells {counted.own_fitting.pk}, period from" in shown
        assert said in shown
        assert "1 periods with a temperature that cannot be" in shown
        assert "by hand" in why
        assert "--write" not in why
    assert (mine.get().temperature_days, mine.get().temperature_sum_c) == (days, sum_c)


@pytest.mark.parametrize(("days", "sum_c"), [(1, -60.0), (10, 900.0), (10, 0.0)])
def test_a_temperature_that_can_be_is_left_alone(counted, days, sum_c):
    FittingTotals.objects.filter(fitting=counted.own_fitting).update(temperature_days=days, temperature_sum_c=sum_c)
    assert run()[1] == 0


def test_the_help_says_that_temperature_is_not_checked(capsys):
    with pytest.raises(SystemExit):
        run("--help")
    assert "Temperature is in the totals only" in " ".join(capsys.readouterr().out.split())
