"""Reports of faults: kept as they come, and in whatever order they come, the same faults."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import permutations
from typing import Any

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from hypothesis import given, settings
from hypothesis import strategies as st

from devices.actions.batteries import fit_battery
from devices.actions.fault_events import Signal, record_signals
from devices.actions.fault_life import settle_life_cycle
from devices.actions.faults import acknowledge_faults, clear_latched_faults, latch_faults_again
from devices.actions.fitting_corrections import take_back_fitting
from devices.models import Fault, FaultReport, Registration
from maintenance.models import FaultNotice, NoticedFault, NoticeRule
from tests.factories import NOW, make_fitting, make_manager, make_receiver, make_registration, receiver_type

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

BEGIN = NOW - timedelta(days=7)
OF_RECEIVER = {"transmitter_id": None, "registration_id": None}
RAISED = {"trouble": "trouble", "low_battery": "low_battery", "tamper": "tamper", "missing": "missing"}
RESTORED = {
    "trouble": "trouble_restored", "low_battery": "battery_restored", "tamper": "tamper_restored",
    "missing": "missing_restored",
}  # fmt: skip


def hour(hours: float) -> datetime:
    return BEGIN + timedelta(hours=hours)


@pytest.fixture
def slot() -> Registration:
    return make_registration(make_receiver(type=receiver_type(latched_faults=["tamper"])))


def say(slot: Registration, kind: str, hours: float, **over: Any) -> Signal:
    facts: dict[str, Any] = {
        "customer_id": slot.customer_id, "site_id": slot.site_id, "receiver_id": slot.receiver_id,
        "registration_id": slot.pk, "transmitter_id": slot.transmitter_id,
    }  # fmt: skip
    return Signal(kind=kind, at=hour(hours), **(facts | over))


def record(*signals: Signal) -> list[Fault]:
    return record_signals(signals=signals, source="gateway", at=NOW)


def faults() -> list[tuple[Any, ...]]:
    names = (
        "receiver",
        "transmitter",
        "registration",
        "kind",
        "raised_at",
        "cleared_at",
        "is_latched",
        "latch_cleared_at",
    )
    return sorted(Fault.objects.values_list(*names, "cause"), key=str)


def spans() -> list[tuple[datetime, datetime | None]]:
    return list(Fault.objects.order_by("raised_at").values_list("raised_at", "cleared_at"))


# --- in any order -----------------------------------------------------------------------------------------------------


def test_a_series_sent_shuffled_gives_the_faults_that_it_tells_of_in_order(slot: Registration) -> None:
    story = [
        say(slot, "trouble", 1), say(slot, "trouble_restored", 2), say(slot, "trouble", 4),
        say(slot, "trouble_restored", 8), say(slot, "trouble_restored", 15),
    ]  # fmt: skip
    for order in permutations(story):
        with transaction.atomic():
            for signal in order:
                record(signal)
            assert spans() == [(hour(1), hour(2)), (hour(4), hour(8))]
            transaction.set_rollback(True)


ONE = st.tuples(
    st.sampled_from(["trouble", "low_battery", "tamper", "missing"]), st.integers(0, 12), st.booleans(), st.booleans()
)


@settings(max_examples=12, deadline=None)
@given(st.data())
def test_any_order_and_any_cut_into_batches_give_the_same_faults(data: st.DataObject) -> None:
    told = data.draw(st.lists(ONE, min_size=1, max_size=9), label="reports")
    shuffled = data.draw(st.permutations(told), label="order")
    cuts = sorted(data.draw(st.sets(st.integers(1, 8)), label="cuts"))
    fitted = data.draw(st.none() | st.integers(0, 12), label="cells fitted at")
    cleared = data.draw(st.none() | st.integers(0, 12), label="receiver cleared at")
    with transaction.atomic():
        receiver = make_receiver(type=receiver_type(latched_faults=["tamper"]))
        rows = [make_registration(receiver, slot) for slot in (1, 2)]
        if fitted is not None:
            make_fitting(rows[0].transmitter, fitted_at=hour(fitted))  # type: ignore[arg-type]
        if cleared is not None:
            clear_latched_faults(receiver=receiver, cause="", by=make_manager(), at=hour(cleared))

        def of(reports: list[tuple[str, int, bool, bool]]) -> list[Signal]:
            return [
                say(rows[second], (RAISED if is_raised else RESTORED)[kind], hours, note=f"{kind} at {hours}")
                for kind, hours, is_raised, second in reports
            ]

        found = []
        for batches in (
            [[one] for one in sorted(told, key=lambda one: (one[1], not one[2]))],
            [shuffled[begin:end] for begin, end in zip([0, *cuts], [*cuts, None], strict=True)],
            [told],
        ):
            with transaction.atomic():
                for batch in batches:
                    record(*of(batch))
                settle_life_cycle(at=NOW)
                once = faults()
                assert record(*of(told)) == []
                assert faults() == once
                assert FaultReport.objects.count() == len(set(told))
                found.append(once)
                transaction.set_rollback(True)
        transaction.set_rollback(True)
    assert found[0] == found[1] == found[2]


def test_each_part_of_a_split_fault_bears_the_word_that_it_began_with(slot: Registration) -> None:
    for signal in (say(slot, "trouble", 1, note="first"), say(slot, "trouble", 6, note="second")):
        record(signal)
    record(say(slot, "trouble_restored", 3))
    assert list(Fault.objects.order_by("raised_at").values_list("cause", flat=True)) == ["first", "second"]


def test_an_earlier_report_brings_its_word_also_to_a_fault_that_a_change_of_cells_has_ended(slot: Registration) -> None:
    make_fitting(slot.transmitter, fitted_at=hour(12))  # type: ignore[arg-type]
    record(say(slot, "low_battery", 10, note="second"))
    record(say(slot, "low_battery", 1, note="first"))
    fault = Fault.objects.get()
    assert (fault.raised_at, fault.cleared_at, fault.cause) == (hour(1), hour(12), "first · cells changed")


def test_reports_after_a_change_of_cells_count_also_when_the_change_is_entered_last(slot: Registration) -> None:
    make_fitting(slot.transmitter)  # type: ignore[arg-type]
    record(say(slot, "low_battery", 2), say(slot, "low_battery", 7), say(slot, "low_battery", 9))
    fit_battery(transmitter=slot.transmitter, battery_type=None, by=make_manager(), at=hour(4))  # type: ignore[arg-type]
    settle_life_cycle(at=NOW)
    assert spans() == [(hour(2), hour(4)), (hour(7), None)]
    assert Fault.objects.get(cleared_at__isnull=False).cause == "cells changed"


def test_a_change_of_cells_that_was_known_before_the_signal_can_still_be_taken_back(slot: Registration) -> None:
    make_fitting(slot.transmitter)  # type: ignore[arg-type]
    office = make_manager()
    new = fit_battery(transmitter=slot.transmitter, battery_type=None, by=office, at=hour(4))  # type: ignore[arg-type]
    record(say(slot, "low_battery", 2), say(slot, "battery_restored", 6))
    assert spans() == [(hour(2), hour(4))]
    take_back_fitting(fitting=new, by=office, at=NOW, reason="never happened")
    settle_life_cycle(at=NOW)
    assert spans() == [(hour(2), hour(6))]
    assert Fault.objects.get().cause == ""


# --- what people have put to a fault ------------------------------------------------------------------------------------


def acknowledge(fault: Fault) -> None:
    acknowledge_faults(faults=[fault.pk], note="ringing the site", by=make_manager(), at=NOW)


def notice(fault: Fault) -> NoticedFault:
    rule = NoticeRule.objects.create(duty="life_safety", recipients="office@example.org")
    mail = FaultNotice.objects.create(rule=rule, send_at=NOW)
    return NoticedFault.objects.create(notice=mail, rule=rule, fault=fault, customer_id=fault.customer_id)


@pytest.mark.parametrize(
    ("late", "span"),
    [
        (("trouble", 1), (1, None)),
        (("trouble_restored", 6), (3, 6)),
        (("trouble_restored", 4), (5, None)),
    ],
)
def test_an_acknowledged_fault_stays_itself_when_a_late_report_moves_it(
    slot: Registration, late: tuple[str, int], span: tuple[int, int | None]
) -> None:
    record(say(slot, "trouble", 3), say(slot, "trouble", 5))
    fault = Fault.objects.get()
    acknowledge(fault)
    mail = notice(fault)
    record(say(slot, *late))
    fault.refresh_from_db()
    mail.refresh_from_db()
    assert (fault.raised_at, fault.cleared_at) == (hour(span[0]), hour(span[1]) if span[1] else None)
    assert (fault.acknowledged_note, mail.fault_id) == ("ringing the site", fault.pk)


def test_the_part_that_a_late_restore_splits_off_was_seen_too(slot: Registration) -> None:
    record(say(slot, "trouble", 1), say(slot, "trouble", 4))
    acknowledge(Fault.objects.get())
    record(say(slot, "trouble_restored", 2))
    assert spans() == [(hour(1), hour(2)), (hour(4), None)]
    assert {fault.acknowledged_note for fault in Fault.objects.all()} == {"ringing the site"}


def test_a_part_that_began_after_somebody_acknowledged_is_another_fault_that_nobody_has_seen(
    slot: Registration,
) -> None:
    record(say(slot, "trouble", 1), say(slot, "trouble", 4))
    fault = Fault.objects.get()
    acknowledge_faults(faults=[fault.pk], note="ringing the site", by=make_manager(), at=hour(2))
    record(say(slot, "trouble_restored", 3))
    assert spans() == [(hour(1), hour(3)), (hour(4), None)]
    seen, unseen = Fault.objects.order_by("raised_at")
    assert (seen.pk, seen.acknowledged_note) == (fault.pk, "ringing the site")
    assert (unseen.acknowledged_at, unseen.recorded_at) == (None, NOW)


def test_a_word_that_somebody_found_out_is_not_overwritten(slot: Registration) -> None:
    record(say(slot, "trouble", 3, note="line 2"))
    Fault.objects.update(cause="door was held open")
    record(say(slot, "trouble", 1, note="line 1"))
    assert Fault.objects.get().cause == "door was held open"


def test_a_clearing_that_was_taken_back_does_not_come_again_with_a_late_report(slot: Registration) -> None:
    record(say(slot, "tamper", 2), say(slot, "tamper_restored", 3))
    office, fault = make_manager(), Fault.objects.get()
    clear_latched_faults(receiver=slot.receiver, cause="work", by=office, at=hour(4))
    latch_faults_again(receiver=slot.receiver, faults=[fault.pk], by=office, at=hour(5), reason="slip")
    record(say(slot, "tamper", 1))
    fault.refresh_from_db()
    assert (fault.raised_at, fault.latch_cleared_at) == (hour(1), None)


# --- came and went ------------------------------------------------------------------------------------------------------


def test_trouble_that_came_and_went_in_one_second_is_kept_but_is_no_fault(slot: Registration) -> None:
    record(say(slot, "trouble", 1), say(slot, "trouble_restored", 1))
    assert spans() == []
    assert FaultReport.objects.count() == 2
    record(say(slot, "trouble", 0))
    assert spans() == [(hour(0), hour(1))]


@pytest.mark.parametrize("kind", ["low_battery", "tamper"])
def test_a_low_battery_or_tamper_that_came_and_went_is_one(slot: Registration, kind: str) -> None:
    record(say(slot, kind, 1), say(slot, RESTORED[kind], 1))
    assert spans() == [(hour(1), hour(1))]


def test_what_the_receiver_latches_is_a_fault_however_short() -> None:
    row = make_registration(make_receiver(type=receiver_type(latched_faults=["trouble"])))
    record(say(row, "trouble", 1), say(row, "trouble_restored", 1))
    assert [fault.is_latched for fault in Fault.objects.all()] == [True]


def test_a_fault_that_a_late_restore_brings_to_nothing_goes_unless_somebody_has_seen_it(slot: Registration) -> None:
    for note in ("", "seen", "told"):
        Fault.objects.all().delete()
        FaultReport.objects.all().delete()
        record(say(slot, "trouble", 3))
        fault = Fault.objects.get()
        if note == "seen":
            acknowledge(fault)
        if note == "told":
            notice(fault)
        record(say(slot, "trouble_restored", 3))
        assert spans() == ([(hour(3), hour(3))] if note else [])
        assert record(say(slot, "trouble_restored", 3)) == []
        NoticedFault.objects.all().delete()


# --- what it costs ------------------------------------------------------------------------------------------------------


def test_the_number_of_queries_does_not_depend_on_the_number_of_signals() -> None:
    def n_of(rows: list[Registration], kinds: tuple[str, ...] = ("trouble", "tamper")) -> int:
        with CaptureQueriesContext(connection) as queries:
            record(*(say(row, kind, n) for n, row in enumerate(rows) for kind in kinds))
        return len([one for one in queries if "SAVEPOINT" not in one["sql"]])

    receivers = [make_receiver() for _ in range(3)]
    few = [make_registration(receivers[0], slot) for slot in (1, 2)]
    many = [make_registration(receiver, slot) for receiver in receivers for slot in range(3, 8)]
    for row in (*few, *many):
        make_fitting(row.transmitter)  # type: ignore[arg-type]
    assert n_of(few) == n_of(many) == 6
    assert n_of(many) == 2
    assert n_of(few, ("low_battery",)) == n_of(many, ("low_battery",))


def test_what_is_known_already_is_not_written_again(slot: Registration) -> None:
    story = [say(slot, "low_battery", 1), say(slot, "low_battery", 2), say(slot, "battery_restored", 3)]
    record(*story)
    with CaptureQueriesContext(connection) as queries:
        assert record(*story) == []
    assert not [one["sql"] for one in queries if one["sql"].split()[0] in ("INSERT", "UPDATE", "DELETE")]


def test_the_database_refuses_the_same_report_twice(slot: Registration) -> None:
    record(say(slot, "power_fault", 1, **OF_RECEIVER), say(slot, "trouble", 1))
    for report in FaultReport.objects.all():
        report.pk = None
        with pytest.raises(Exception, match=r"(?i)unique"), transaction.atomic():
            report.save(force_insert=True)


def test_mains_that_come_back_leave_a_low_standby_battery_standing(slot: Registration) -> None:
    record(
        say(slot, "power_fault", 1, **OF_RECEIVER), say(slot, "standby_low", 2, **OF_RECEIVER),
        say(slot, "power_restored", 3, **OF_RECEIVER),
    )  # fmt: skip
    assert list(Fault.objects.order_by("kind").values_list("kind", "cleared_at")) == [
        ("receiver_power", hour(3)), ("receiver_standby", None),
    ]  # fmt: skip
