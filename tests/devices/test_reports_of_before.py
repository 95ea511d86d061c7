"""The step from turns kept among the faults to reports in a table of their own, and back: nothing is lost."""

from __future__ import annotations

from datetime import datetime, timedelta
from importlib import import_module
from typing import Any

import pytest
from django.apps import apps

from devices.actions.fault_events import Signal, record_signals
from devices.models import Fault, FaultReport, Registration
from tests.factories import NOW, make_receiver, make_registration

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

step = import_module("devices.migrations.0011_reports_of_before")


def hour(hours: float) -> datetime:
    return NOW - timedelta(days=7) + timedelta(hours=hours)


@pytest.fixture
def slot() -> Registration:
    return make_registration(make_receiver())


def fault(slot: Registration, begin: int, end: int | None, cause: str = "", **over: Any) -> Fault:
    facts: dict[str, Any] = {
        "customer_id": slot.customer_id, "site_id": slot.site_id, "receiver_id": slot.receiver_id, "kind": "trouble",
        "registration": slot, "transmitter_id": slot.transmitter_id, "raised_at": hour(begin), "source": "gateway",
        "cleared_at": hour(end) if end is not None else None, "cause": cause, "recorded_at": hour(30),
    }  # fmt: skip
    return Fault.objects.create(**(facts | over))


def reports() -> set[tuple[str, datetime, bool]]:
    return set(FaultReport.objects.values_list("kind", "at", "is_raised"))


def test_turns_become_reports_and_late_signals_still_find_them(slot: Registration) -> None:
    kept = [
        fault(slot, 1, 15), fault(slot, 20, 22, "wet · cells changed"), fault(slot, 23, None, kind="tamper"),
        fault(slot, 2, 3, kind="missing", found_by="watch"), fault(slot, 5, 6, "hall", kind="receiver_power",
        registration=None, transmitter_id=None),
    ]  # fmt: skip
    turns = [
        fault(slot, 4, 4, step.AGAIN, registration=None), fault(slot, 17, 17, step.OVER, registration=None),
        fault(slot, 24, 24, step.AGAIN, kind="tamper"), fault(slot, 9, 9, step.OVER, kind="missing"),
    ]  # fmt: skip
    step.keep_reports(apps, None)
    assert set(Fault.objects.all()) == set(kept)
    assert reports() == {
        ("trouble", hour(1), True), ("trouble", hour(15), False), ("trouble", hour(20), True), ("trouble", hour(4), True),
        ("trouble", hour(17), False), ("tamper", hour(23), True), ("tamper", hour(24), True), ("missing", hour(9), False),
        ("receiver_power", hour(5), True), ("receiver_power", hour(6), False),
    }  # fmt: skip
    assert set(FaultReport.objects.values_list("source", "received_at")) == {("gateway", hour(30))}
    late = Signal(
        "trouble_restored", hour(2), slot.customer_id, slot.site_id, slot.receiver_id, slot.pk, slot.transmitter_id
    )
    record_signals(signals=[late], source="gateway", at=NOW)
    spans = Fault.objects.filter(kind="trouble").order_by("raised_at").values_list("raised_at", "cleared_at")
    assert list(spans) == [(hour(1), hour(2)), (hour(4), hour(15)), (hour(20), hour(22))]
    assert len(turns) == 4


def test_back_again_the_turns_stand_among_the_faults(slot: Registration) -> None:
    fault(slot, 1, 15)
    for begin, cause in ((4, step.AGAIN), (17, step.OVER)):
        fault(slot, begin, begin, cause)
    before = sorted(Fault.objects.values_list("raised_at", "cleared_at", "cause", "source", "recorded_at"))
    step.keep_reports(apps, None)
    step.keep_turns(apps, None)
    assert sorted(Fault.objects.values_list("raised_at", "cleared_at", "cause", "source", "recorded_at")) == before


def test_twice_is_once(slot: Registration) -> None:
    fault(slot, 1, 15), fault(slot, 4, 4, step.AGAIN)
    step.keep_reports(apps, None)
    once = reports()
    step.keep_reports(apps, None)
    assert (reports(), FaultReport.objects.count()) == (once, 3)
