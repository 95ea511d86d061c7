"""Silence where one of several ways is lost, and where check-ins come in late."""

from __future__ import annotations

from datetime import datetime
from random import Random

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext

from devices.actions.faults import acknowledge_faults
from devices.actions.silence import judge_receivers
from devices.actions.silence_records import revise_ended
from devices.models import Fault, IntakeSource, PanelAccount, Receiver, Registration
from devices.rules.silence import EVERY_WAY, LATE
from tests.devices.actions.test_silence import at, delivered, four, hear, standing
from tests.factories import make_manager, make_receiver, make_registration

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

# --- several ways -----------------------------------------------------------------------------------------------------


def _by_gateway_and_panel() -> tuple[list[Registration], IntakeSource, PanelAccount]:
    """Four transmitters whose check-ins come by a gateway; a panel at the receiver tests its link every hour."""
    receiver = make_receiver(evidence="every")
    gateway = IntakeSource.objects.create(
        name="Gateway",
        customer=receiver.customer,
        kind="api",
        late_after_s=3600,
        last_used_at=at(0),
        watermark_at=at(0),
    )
    Receiver.objects.filter(pk=receiver.pk).update(fed_by=gateway)
    panel = PanelAccount.objects.create(
        customer=receiver.customer, site=receiver.site, receiver=receiver, number="1234", supervised_s=3600,
        source=IntakeSource.objects.create(name="panels", kind="panel"), last_message_at=at(0),
    )  # fmt: skip
    return four(receiver), gateway, panel


def _delivers(gateway: IntakeSource, rows: list[Registration], hours: float) -> None:
    for row in rows:
        hear(row, hours)
    IntakeSource.objects.filter(pk=gateway.pk).update(last_used_at=at(hours), watermark_at=at(hours))


def test_a_pendant_that_falls_silent_is_missing_while_the_panel_of_its_receiver_is_silent() -> None:
    rows, gateway, _panel = _by_gateway_and_panel()
    _delivers(gateway, rows, 0)
    for hours in (1.9, 3.9, 4.1):
        _delivers(gateway, rows[1:], hours)
        judge_receivers(at=at(hours))
    assert standing() == [("link_lost", None, at(1)), ("missing", 1, at(4))]


def test_while_the_gateway_is_silent_the_panel_makes_nobody_missing_and_that_both_are_is_told_anew() -> None:
    rows, gateway, panel = _by_gateway_and_panel()
    _delivers(gateway, rows, 0)
    PanelAccount.objects.filter(pk=panel.pk).update(last_message_at=at(9))
    judge_receivers(at=at(9.5))
    assert standing() == [("link_lost", None, at(1))]
    acknowledge_faults(faults=[Fault.objects.get().pk], note="the line is cut", by=make_manager(), at=at(9.6))
    judge_receivers(at=at(9.9))
    assert standing() == [("link_lost", None, at(1))]
    judge_receivers(at=at(11))
    assert standing() == [("link_lost", None, at(10))]
    assert Fault.objects.get(raised_at=at(1)).cause == EVERY_WAY
    judge_receivers(at=at(12))
    assert Fault.objects.count() == 2


# --- late -------------------------------------------------------------------------------------------------------------


def _spans(kind: str) -> list[tuple[datetime, datetime | None, str]]:
    rows = Fault.objects.filter(kind=kind).exclude(cause=LATE).order_by("raised_at")
    return list(rows.values_list("raised_at", "cleared_at", "cause"))


def _first_alone_silent(until: float) -> list[Registration]:
    rows = four()
    for row in rows:
        hear(row, 0)
    for row in rows[1:]:
        hear(row, until)
    judge_receivers(at=at(until))
    return rows


def test_a_catch_up_delivery_ends_a_silence_and_an_outage_with_their_first_check_ins() -> None:
    rows = four()
    for row in rows:
        hear(row, 0)
    delivered(rows[0].receiver, 5)
    judge_receivers(at=at(5))
    for hours in (6, 7, 8, 9):
        for row in rows[1:] if hours < 9 else rows:
            hear(row, hours)
    judge_receivers(at=at(9.1))
    assert _spans("outage") == [(at(4), at(6), "")]
    assert _spans("missing") == [(at(4), at(9), "")]
    Fault.objects.all().delete()
    rows = _first_alone_silent(5)
    for hours in (6, 7, 8):
        for row in rows:
            hear(row, hours)
    judge_receivers(at=at(8.1))
    assert _spans("missing") == [(at(4), at(6), "")]


def test_what_comes_in_late_about_a_silence_that_is_over_is_told_by_the_night() -> None:
    rows = _first_alone_silent(10)
    for row in rows:
        hear(row, 11)
    judge_receivers(at=at(11))
    assert _spans("missing") == [(at(4), at(11), "")]
    hear(rows[0], 5)
    assert [fault.cleared_at for fault in revise_ended(at=at(20))] == [at(5), at(11)]
    assert _spans("missing") == [(at(4), at(5), ""), (at(9), at(11), "")]
    assert revise_ended(at=at(20)) == []
    for hours in (1, 3, 7, 9):
        hear(rows[0], hours)
    revise_ended(at=at(21))
    assert _spans("missing") == []
    assert Fault.objects.filter(cause=LATE).count() == 2


def test_an_outage_is_left_as_it_was_where_the_slots_have_changed_since() -> None:
    rows = four()
    for row in rows:
        hear(row, 0)
    delivered(rows[0].receiver, 5)
    judge_receivers(at=at(5))
    for row in rows:
        hear(row, 9)
    judge_receivers(at=at(9))
    Registration.objects.filter(pk__in=[row.pk for row in rows[:2]]).update(removed_at=at(10))
    for row in rows[2:]:
        for hours in range(1, 9):
            hear(row, hours)
    assert revise_ended(at=at(20)) == []
    Registration.objects.update(removed_at=None)
    for row in rows[:2]:
        for hours in range(1, 9):
            hear(row, hours)
    revise_ended(at=at(20))
    assert Fault.objects.get(kind="outage").cause == LATE


def test_an_outage_from_before_the_quarter_hours_that_are_kept_is_left_as_it_was() -> None:
    receiver = make_receiver(evidence="every")
    for slot in (1, 2, 3):
        hear(make_registration(receiver, slot, registered_at=at(slot * 100 - 5000)), 0)
    outage = Fault.objects.create(
        customer=receiver.customer, site=receiver.site, receiver=receiver, kind="outage", found_by="watch",
        raised_at=at(-80 * 24), cleared_at=at(0), recorded_at=at(-80 * 24),
    )  # fmt: skip
    assert revise_ended(at=at(1)) == []
    # Where they are all kept, no check-in before it means that it cannot have begun then.
    Fault.objects.filter(pk=outage.pk).update(raised_at=at(-5))
    assert revise_ended(at=at(1)) != []


def test_where_nothing_ends_the_look_reads_no_days_for_the_record() -> None:
    rows = _first_alone_silent(5)
    for row in rows[1:]:
        hear(row, 6)
    with CaptureQueriesContext(connection) as asked:
        judge_receivers(at=at(6))
    assert not [one for one in asked.captured_queries if "presence" in one["sql"]]


@pytest.mark.parametrize("seed", range(4))
def test_any_order_of_check_ins_leaves_the_same_record_of_silences_that_are_over(seed: int) -> None:
    rng = Random(seed)
    rows = four()
    # Hours lie far from it: within a quarter hour of a window nobody can tell.
    Registration.objects.update(window_s=16200)
    for row in rows:
        hear(row, 0)
    for row in rows[1:]:
        hear(row, 47.9)
    judge_receivers(at=at(47.9))
    hours = sorted(rng.sample(range(1, 47), 9))
    told = []
    for _ in range(3):
        rng.shuffle(hours)
        with transaction.atomic():
            for hour in hours:
                hear(rows[0], hour)
                if rng.random() < 0.3:
                    judge_receivers(at=at(48))
            hear(rows[0], 48)
            judge_receivers(at=at(48))
            revise_ended(at=at(48))
            told.append(_spans("missing"))
            transaction.set_rollback(True)
    assert told[0] == told[1] == told[2]
