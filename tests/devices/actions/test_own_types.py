"""The firm's own types: added, changed, retired and taken back; shipped rows and releases leave one another alone."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.core.management import call_command

from company.models import ChangeRow, Job
from company.undo import undo
from devices.actions import catalogue
from devices.actions import own_types as actions
from devices.actions.catalogue import load_catalogue, shipped_rows
from devices.models import BatteryType, ReceiverType, TransmitterType
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db


@pytest.fixture
def by(db: Any) -> Any:
    return factories.make_user("office")


def own_battery(**over: Any) -> BatteryType:
    row = BatteryType.objects.get(code="cr2450")
    row.pk, row.code, row.label, row.origin = None, "", "CR2450 of our supplier", "shipped"
    for name, value in over.items():
        setattr(row, name, value)
    return row


def change(row: Any, by: Any, **over: Any) -> Any:
    for name, value in over.items():
        setattr(row, name, value)
    return actions.change_type(row=row, by=by, at=NOW, reason="measured", is_sure=True)


def test_an_added_type_is_ours_with_a_code_of_its_name_and_one_line_in_the_log(by: Any) -> None:
    row = actions.add_type(row=own_battery(), by=by, at=NOW)
    row.refresh_from_db()
    assert (row.origin, row.code) == ("own", "cr2450-of-our-supplier")
    log = ChangeRow.objects.about("batterytype", row.pk)
    assert [(one.verb, one.after["capacity_mah"]) for one in log] == [("add_type", 620)]


@pytest.mark.parametrize("over", [{"code": "lr6"}, {"label": "CR2450, lithium coin cell, 24 mm"}])
def test_a_code_or_name_that_stands_already_is_refused(by: Any, over: dict[str, str]) -> None:
    with pytest.raises(actions.TypeRefused, match="already"):
        actions.add_type(row=own_battery(**over), by=by, at=NOW)
    assert not BatteryType.objects.filter(origin="own").exists()


@pytest.mark.parametrize("deed", ["change", "retire", "offer"])
def test_a_shipped_type_cannot_be_touched(by: Any, deed: str) -> None:
    row = BatteryType.objects.get(code="lr6")
    row.capacity_mah = 1
    act = {"change": actions.change_type, "retire": actions.retire_type, "offer": actions.offer_type}[deed]
    with pytest.raises(actions.ShippedRow):
        act(row=row, by=by, at=NOW, reason="try")
    assert BatteryType.objects.get(code="lr6").capacity_mah == 2500


def test_a_form_made_before_another_change_is_refused(by: Any) -> None:
    row = actions.add_type(row=own_battery(), by=by, at=NOW)
    stamp = actions.seen(BatteryType.objects.get(pk=row.pk))
    change(row, by, capacity_mah=600)
    row.capacity_mah = 500
    with pytest.raises(actions.TypeChangedSince):
        actions.change_type(row=row, by=by, at=NOW, reason="late", seen_as=stamp, is_sure=True)
    assert BatteryType.objects.get(pk=row.pk).capacity_mah == 600


def test_a_figure_that_dates_rest_on_asks_first_and_then_has_every_date_worked_out_anew(
    by: Any, django_capture_on_commit_callbacks: Any
) -> None:
    row = actions.add_type(row=own_battery(), by=by, at=NOW)
    row.capacity_mah = 500
    with pytest.raises(actions.DatesWouldMove) as asked:
        actions.change_type(row=row, by=by, at=NOW, reason="measured")
    assert asked.value.figures == ["capacity_mah"]
    assert BatteryType.objects.get(pk=row.pk).capacity_mah == 620
    with django_capture_on_commit_callbacks(execute=True):
        change(row, by)
    job = Job.objects.get(key__startswith=f"type:batterytype:{row.pk}:")
    assert job.handler == "maintenance.actions.due.refresh_after_policy"
    assert job.requested_by == by


def test_a_new_name_alone_moves_no_date(by: Any, django_capture_on_commit_callbacks: Any) -> None:
    row = actions.add_type(row=own_battery(), by=by, at=NOW)
    row.label = "CR2450, blister of five"
    with django_capture_on_commit_callbacks(execute=True):
        actions.change_type(row=row, by=by, at=NOW, reason="clearer")
    assert not Job.objects.filter(key__startswith="type:").exists()


def test_dates_do_move_with_the_figure() -> None:
    """The job that a change asks for reads the catalogue anew: half the charge brings the date forward."""
    from maintenance.actions.due import refresh_all, refresh_receivers
    from maintenance.models import DueItem

    receiver = factories.make_receiver()
    kind = factories.transmitter_type(sleep_ua=20.0)
    unit = factories.make_transmitter(receiver.customer, type=kind)
    registration = factories.make_registration(receiver, transmitter=unit)
    cell = factories.battery_type("cell-of-ours")
    fitting = factories.make_fitting(unit, battery_type=cell, fitted_at=NOW - timedelta(days=30))
    refresh_receivers(receiver_ids=[registration.receiver_id], at=NOW)
    before = DueItem.objects.get(fitting=fitting, is_closed=False).due_on
    user = factories.make_user("office")
    change(BatteryType.objects.get(pk=fitting.battery_type_id), user, capacity_mah=200.0)
    refresh_all(today=factories.TODAY, at=NOW)
    assert DueItem.objects.get(fitting=fitting, is_closed=False).due_on < before


def test_a_retired_type_is_offered_for_nothing_new_and_what_bears_it_stays(by: Any) -> None:
    kind = factories.transmitter_type()
    transmitter = factories.make_transmitter(type=kind)
    actions.retire_type(row=kind, by=by, at=NOW, reason="none left in stock")
    assert kind not in TransmitterType.objects.offered()
    transmitter.refresh_from_db()
    assert transmitter.type == kind
    with pytest.raises(actions.TypeRefused):
        actions.retire_type(row=kind, by=by, at=NOW, reason="again")
    actions.offer_type(row=kind, by=by, at=NOW, reason="in stock again")
    assert kind in TransmitterType.objects.offered()


# --- taking back ------------------------------------------------------------------------------------------------------


def last(row: Any) -> ChangeRow:
    return ChangeRow.objects.about(row._meta.model_name, row.pk).first()


def test_an_added_type_is_taken_back_while_nothing_is_of_it(by: Any) -> None:
    row = actions.add_type(row=own_battery(), by=by, at=NOW)
    fitting = factories.make_fitting(factories.make_transmitter(), battery_type=row)
    with pytest.raises(actions.Refused, match="of this type already"):
        undo(change=last(row), by=by, at=NOW)
    fitting.removed_at = NOW
    fitting.save()
    undo(change=last(row), by=by, at=NOW)
    row.refresh_from_db()
    assert row.retired_at == NOW


def test_a_changed_figure_is_put_back_with_its_source_and_moves_the_dates_back(
    by: Any, django_capture_on_commit_callbacks: Any
) -> None:
    row = actions.add_type(row=own_battery(), by=by, at=NOW)
    before = actions.facts(BatteryType.objects.get(pk=row.pk))
    change(row, by, capacity_mah=500.0, sources=row.sources | {"capacity_mah": "measured"})
    with django_capture_on_commit_callbacks(execute=True):
        undo(change=last(row), by=by, at=NOW + timedelta(minutes=1))
    assert actions.facts(BatteryType.objects.get(pk=row.pk)) == before
    assert Job.objects.filter(key__startswith="type:batterytype:").count() == 1


def test_the_cells_of_a_transmitter_type_are_put_back_too(by: Any) -> None:
    kind = factories.transmitter_type()
    was = kind.battery_type
    change(kind, by, battery_type=BatteryType.objects.get(code="cr2032"))
    undo(change=last(kind), by=by, at=NOW)
    kind.refresh_from_db()
    assert kind.battery_type == was


def test_retiring_is_taken_back(by: Any) -> None:
    kind = actions.retire_type(row=factories.receiver_type(), by=by, at=NOW, reason="gone")
    undo(change=last(kind), by=by, at=NOW)
    assert ReceiverType.objects.get(pk=kind.pk).retired_at is None


# --- a new release ----------------------------------------------------------------------------------------------------


def ship(monkeypatch: pytest.MonkeyPatch, **changed: Any) -> None:
    """A release whose LR6 has other figures and that brings a type of the code that we have used."""
    rows = {name: shipped_rows(name) for name in ("battery_type", "transmitter_type", "receiver_type")}
    for row in rows["battery_type"]:
        if row["code"] == "lr6":
            row |= changed
    rows["battery_type"].append(dict(rows["battery_type"][0], code="our-cell", label="shipped cell", capacity_mah=999))
    monkeypatch.setattr(catalogue, "shipped_rows", rows.__getitem__)


def test_a_release_brings_shipped_rows_up_to_date_and_leaves_our_own_alone(
    by: Any, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    clash = actions.add_type(row=own_battery(code="our-cell", capacity_mah=555), by=by, at=NOW)
    other = actions.add_type(row=own_battery(label="another of ours", capacity_mah=444), by=by, at=NOW)
    before = [tuple(row) for row in BatteryType.objects.filter(origin="own").order_by("pk").values_list()]
    ship(monkeypatch, capacity_mah=2345)
    done = load_catalogue(at=NOW + timedelta(days=1))
    assert BatteryType.objects.get(code="lr6").capacity_mah == 2345
    assert [tuple(row) for row in BatteryType.objects.filter(origin="own").order_by("pk").values_list()] == before
    assert (done.n_changed, done.n_new, done.n_own, done.own_codes) == (1, 0, 1, ["our-cell"])
    assert {clash.pk, other.pk} <= set(BatteryType.objects.filter(origin="own").values_list("pk", flat=True))
    call_command("load_catalogue")
    assert "our-cell: yours stays" in capsys.readouterr().out


def test_a_release_retires_no_type_of_ours(by: Any) -> None:
    row = actions.add_type(row=own_battery(), by=by, at=NOW)
    load_catalogue(at=NOW)
    row.refresh_from_db()
    assert row.retired_at is None
