"""Loading the shipped catalogue: complete, twice is once, the office's own rows stay."""

from __future__ import annotations

from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.core.management import call_command

from devices.actions import catalogue
from devices.actions.catalogue import CatalogueRefused, load_catalogue, shipped_rows
from devices.models import BatteryType, ReceiverType, TransmitterType
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def everything() -> list[tuple[Any, ...]]:
    return [tuple(row) for model in (BatteryType, TransmitterType, ReceiverType) for row in model.objects.values_list()]


def test_migrating_brings_the_catalogue_in() -> None:
    assert TransmitterType.objects.filter(origin="shipped").count() == len(shipped_rows("transmitter_type"))
    pendant = TransmitterType.objects.get(code="pendant-long")
    assert pendant.battery_type is not None
    assert pendant.battery_type.iec_code == "CR2450"
    assert TransmitterType.objects.get(code="repeater-mains").battery_type is None
    assert "from memory" in pendant.sources["sleep_ua"]


def test_loading_twice_changes_nothing() -> None:
    before = everything()
    done = load_catalogue(at=NOW)
    assert (done.n_new, done.n_changed, done.n_retired) == (0, 0, 0)
    assert everything() == before


def test_a_shipped_row_is_brought_up_to_date_and_keeps_its_key() -> None:
    row = BatteryType.objects.get(code="lr6")
    BatteryType.objects.filter(pk=row.pk).update(capacity_mah=1)
    assert load_catalogue(at=NOW).n_changed == 1
    row.refresh_from_db()
    assert row.capacity_mah == 2500


def test_an_own_row_is_never_touched() -> None:
    BatteryType.objects.filter(code="lr6").update(origin="own", capacity_mah=1234)
    done = load_catalogue(at=NOW)
    assert done.n_own == 1
    assert BatteryType.objects.get(code="lr6").capacity_mah == 1234


def test_a_type_no_longer_shipped_is_retired_and_comes_back_when_shipped_again() -> None:
    row = BatteryType.objects.get(code="lr6")
    row.pk, row.code = None, "no-longer-shipped"
    row.save()
    assert load_catalogue(at=NOW).n_retired == 1
    assert BatteryType.objects.get(code="no-longer-shipped").retired_at == NOW
    assert load_catalogue(at=NOW).n_retired == 0
    BatteryType.objects.filter(code="lr6").update(retired_at=NOW)
    load_catalogue(at=NOW)
    assert BatteryType.objects.get(code="lr6").retired_at is None


def test_the_command_says_what_it_did(capsys: pytest.CaptureFixture[str]) -> None:
    TransmitterType.objects.filter(code="motion").delete()
    call_command("load_catalogue")
    assert "1 new, 0 brought up to date, 0 retired" in capsys.readouterr().out


WRONG = [
    ("battery_type", "self_discharge_per_year", -0.05), ("battery_type", "capacity_mah", 1e300),
    ("battery_type", "share_m20c", 1.2), ("transmitter_type", "sleep_ua", -1.0),
    ("transmitter_type", "checkin_uas", float("inf")), ("transmitter_type", "activation_uah", float("nan")),
    ("transmitter_type", "usable_share", 0.0), ("transmitter_type", "usable_share", 1.01),
]  # fmt: skip


@pytest.mark.parametrize(("table", "name", "value"), WRONG)
def test_a_figure_that_cannot_be_is_refused_by_the_load_and_by_forms(
    table: str, name: str, value: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = everything()
    rows = {one: shipped_rows(one) for one in ("battery_type", "transmitter_type", "receiver_type")}
    # The first is one on cells: a unit on mains may state a share of 0.
    rows[table][0] |= {name: value}
    monkeypatch.setattr(catalogue, "shipped_rows", rows.__getitem__)
    with pytest.raises(CatalogueRefused, match=name):
        load_catalogue(at=NOW)
    assert everything() == before
    row = (BatteryType if table == "battery_type" else TransmitterType).objects.get(code=rows[table][0]["code"])
    setattr(row, name, value)
    with pytest.raises(ValidationError) as refused:
        row.clean()
    assert set(refused.value.message_dict) == {name}


def test_every_shipped_row_passes() -> None:
    for model in (BatteryType, TransmitterType, ReceiverType):
        for row in model.objects.all():
            row.clean()
