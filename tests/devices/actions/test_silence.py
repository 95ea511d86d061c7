"""Faults that we see ourselves, from the tables to the tables; and that the order of what comes in decides nothing."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any

import pytest
from django.db import transaction
from django.test.utils import CaptureQueriesContext

from devices.actions.fault_events import Signal, record_signals
from devices.actions.faults import acknowledge_faults
from devices.actions.rollups import record_days
from devices.actions.silence import judge_receivers
from devices.models import Away, Fault, IntakeSource, PanelAccount, Receiver, Registration
from devices.querysets.silence import to_judge
from devices.rules.day_merge import DayRow
from devices.rules.presence import mask_of_quarters, quarter_of, second_of
from devices.rules.silence import CAME_AND_WENT
from tests.factories import make_customer, make_manager, make_receiver, make_registration, make_site

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

BEGIN = datetime(2026, 11, 20, 6, tzinfo=UTC)


def at(hours: float) -> datetime:
    return BEGIN + timedelta(hours=hours)


def hear(row: Registration, hours: float) -> None:
    """A check-in, and the watermark with it."""
    moment = at(hours)
    record_days(
        [DayRow(row.transmitter_id or 0, moment.date(), presence=mask_of_quarters([quarter_of(moment)]),
                last_heard_s=second_of(moment), interval_s=3600)]
    )  # fmt: skip
    receiver = Receiver.objects.get(pk=row.receiver_id)
    Receiver.objects.filter(pk=receiver.pk).update(heard_until=max(moment, receiver.heard_until or moment))


def delivered(receiver: Receiver, hours: float) -> None:
    Receiver.objects.filter(pk=receiver.pk).update(heard_until=at(hours))


def four(receiver: Receiver | None = None) -> list[Registration]:
    receiver = receiver or make_receiver(evidence="every")
    return [make_registration(receiver, slot, registered_at=at(-1000)) for slot in (1, 2, 3, 4)]


def standing() -> list[tuple[str, Any, datetime]]:
    rows = Fault.objects.open().order_by("kind", "raised_at", "pk")
    return [(fault.kind, fault.registration.slot if fault.registration else None, fault.raised_at) for fault in rows]


def test_a_silent_transmitter_is_raised_once_and_ends_when_it_is_heard() -> None:
    rows = four()
    for row in rows:
        hear(row, 0)
    for row in rows[1:]:
        hear(row, 4.5)
    judge_receivers(at=at(5))
    judge_receivers(at=at(5))
    assert standing() == [("missing", 1, at(4))]
    (fault,) = Fault.objects.all()
    assert (fault.found_by, fault.recorded_at, fault.transmitter_id) == ("watch", at(5), rows[0].transmitter_id)
    hear(rows[0], 6)
    judge_receivers(at=at(6))
    fault.refresh_from_db()
    assert (fault.cleared_at, fault.cause) == (at(6), "")


def test_a_dead_receiver_raises_one_fault_and_leaves_those_missing_that_stay_so() -> None:
    rows = four()
    for row in rows:
        hear(row, 0)
    delivered(rows[0].receiver, 4.1)
    judge_receivers(at=at(5))
    assert standing() == [("outage", None, at(4))]
    for row in rows[1:]:
        hear(row, 9)
    judge_receivers(at=at(9))
    assert standing() == [("missing", 1, at(4))]
    assert Fault.objects.get(kind="outage").cleared_at == at(9)


def test_only_receivers_with_news_are_looked_at() -> None:
    rows = four()
    for row in rows:
        hear(row, 0)
    assert to_judge(at(1)) == [rows[0].receiver_id]
    assert judge_receivers(at=at(1)).n_receivers == 1
    assert to_judge(at(50)) == []
    make_receiver(evidence="visits"), make_receiver(evidence="exceptions", heard_until=at(0))
    assert to_judge(at(50)) == []


def test_a_receiver_that_was_taken_down_is_not_looked_at() -> None:
    rows = four()
    delivered(rows[0].receiver, 500)
    Receiver.objects.update(removed_at=at(400))
    assert judge_receivers(receiver_ids=[rows[0].receiver_id], at=at(500)).n_receivers == 0


def test_away_and_not_supervised_raise_nothing() -> None:
    rows = four()
    Registration.objects.filter(pk=rows[0].pk).update(supervision="off", window_s=None)
    Away.objects.create(
        registration=rows[1], customer=rows[1].customer, site=rows[1].site, from_on=at(0).date(), reason="repair",
        agreed_with="matron",
    )  # fmt: skip
    hear(rows[2], 20)
    hear(rows[3], 20)
    judge_receivers(at=at(20))
    assert standing() == []


def test_changed_settings_do_not_wake_the_dead() -> None:
    rows = four()
    hear(rows[0], 0)
    for row in rows[1:]:
        hear(row, 30)
    Registration.objects.filter(pk=rows[0].pk).update(removed_at=at(29))
    make_registration(rows[0].receiver, 1, transmitter=rows[0].transmitter, registered_at=at(29), replaces=rows[0])
    judge_receivers(at=at(30))
    assert standing() == [("missing", 1, at(4))]


def test_a_missing_that_the_receiver_takes_back_is_not_raised_again_for_the_same_silence() -> None:
    rows = four()
    for row in rows:
        hear(row, 0)
    for row in rows[1:]:
        hear(row, 5)
    judge_receivers(at=at(5))
    back = Signal(
        kind="missing_restored", at=at(5.5), customer_id=rows[0].customer_id, site_id=rows[0].site_id,
        receiver_id=rows[0].receiver_id, registration_id=rows[0].pk, transmitter_id=rows[0].transmitter_id,
    )  # fmt: skip
    record_signals(signals=[back], source="gateway", at=at(5.6))
    for row in rows[1:]:
        hear(row, 9)
    judge_receivers(at=at(9))
    assert standing() == []
    for row in rows[1:]:
        hear(row, 9.6)
    judge_receivers(at=at(9.6))
    assert standing() == [("missing", 1, at(9.5))]


def test_a_source_that_falls_silent_is_a_lost_link_at_every_receiver_that_it_feeds() -> None:
    source = IntakeSource.objects.create(
        name="gateway", customer=make_customer(), late_after_s=900, last_used_at=at(0), kind="api"
    )
    mine = [make_receiver(evidence=kind, fed_by=source, heard_until=at(0)) for kind in ("every", "exceptions")]
    make_receiver(evidence="every", heard_until=at(0))
    judge_receivers(at=at(0.2))
    assert standing() == []
    judge_receivers(at=at(1))
    assert {fault.receiver_id for fault in Fault.objects.open()} == {row.pk for row in mine}
    assert standing() == [("link_lost", None, at(0.25))] * 2
    IntakeSource.objects.update(last_used_at=at(1.1))
    judge_receivers(at=at(1.2))
    assert standing() == []
    assert {fault.cleared_at for fault in Fault.objects.all()} == {at(1.1)}


def _lost_back_lost_again(is_acknowledged: bool) -> list[Fault]:
    """A link lost at 0:05, back at 1:00, lost again at 1:05."""
    source = IntakeSource.objects.create(
        name="gateway", customer=make_customer(), late_after_s=300, last_used_at=at(0), kind="api"
    )
    make_receiver(evidence="every", fed_by=source, heard_until=at(0))
    judge_receivers(at=at(0.5))
    if is_acknowledged:
        fault = Fault.objects.get()
        acknowledge_faults(faults=[fault.pk], note="ringing them", by=make_manager(), at=at(0.6))
    for sign, now in ((1, 1.01), (1, 1.5)):
        IntakeSource.objects.update(last_used_at=at(sign))
        judge_receivers(at=at(now))
    return list(Fault.objects.order_by("raised_at"))


def test_what_comes_again_after_somebody_acknowledged_it_is_a_fault_that_nobody_has_seen() -> None:
    first, again = _lost_back_lost_again(is_acknowledged=True)
    assert (first.acknowledged_note, first.cleared_at) == ("ringing them", at(1))
    assert (again.raised_at, again.cleared_at) == (at(1) + timedelta(minutes=5), None)
    assert (again.acknowledged_at, again.acknowledged_note, again.recorded_at) == (None, "", at(1.5))


def test_a_link_that_comes_and_goes_unseen_is_one_fault_that_says_so() -> None:
    (only,) = _lost_back_lost_again(is_acknowledged=False)
    assert (only.raised_at, only.cleared_at) == (at(0) + timedelta(minutes=5), None)
    assert only.cause == CAME_AND_WENT


def test_an_outage_that_comes_again_is_another_one_and_each_lasts_as_long_as_the_receiver_was_deaf() -> None:
    rows = four()
    for hours in (0, 9, 18):
        for row in rows:
            hear(row, hours)
        delivered(rows[0].receiver, hours)
        judge_receivers(at=at(hours))
        delivered(rows[0].receiver, hours + 5)
        judge_receivers(at=at(hours + 5))
    told = list(Fault.objects.filter(kind="outage").order_by("raised_at").values_list("raised_at", "cleared_at"))
    assert [end for _, end in told] == [at(9), at(18), None]
    assert all(begin >= at(hours) + timedelta(hours=2) for (begin, _), hours in zip(told, (0, 9, 18), strict=True))


def test_a_panel_speaks_for_the_only_receiver_at_its_site() -> None:
    site = make_site()
    receiver = make_receiver(site, evidence="exceptions")
    source = IntakeSource.objects.create(name="panels", kind="panel")
    PanelAccount.objects.create(
        customer=site.customer, site=site, source=source, number="1234", supervised_s=3600, last_message_at=at(0)
    )
    judge_receivers(at=at(2))
    assert standing() == [("link_lost", None, at(1))]
    make_receiver(site, evidence="exceptions")
    judge_receivers(at=at(2))
    assert Fault.objects.get(receiver=receiver).cleared_at is not None


def test_an_old_link_test_counts_only_where_a_source_brings_the_tests() -> None:
    source = IntakeSource.objects.create(name="centre", kind="file")
    fed = make_receiver(evidence="exceptions", fed_by=source, link_tested_at=at(0))
    make_receiver(evidence="exceptions", link_tested_at=at(0))
    judge_receivers(at=at(26))
    assert [(fault.receiver_id, fault.raised_at) for fault in Fault.objects.open()] == [(fed.pk, at(25))]


def test_the_number_of_queries_does_not_grow_with_receivers(django_assert_max_num_queries: Any) -> None:
    for _ in range(2):
        for row in four():
            hear(row, 0)
            delivered(row.receiver, 8)
    with django_assert_max_num_queries(40) as few:
        judge_receivers(at=at(9))
    for _ in range(6):
        for row in four():
            hear(row, 0)
            delivered(row.receiver, 8)
    with django_assert_max_num_queries(40) as many:
        judge_receivers(at=at(10))
    assert len(many) <= len(few) + 1
    assert isinstance(few, CaptureQueriesContext)


# --- order ------------------------------------------------------------------------------------------------------------


def _story(rng: Random, rows: list[Registration]) -> list[Callable[[], Any]]:
    """What happened in a day and a half: check-ins with silences, and what transmitters and the receiver reported."""
    silent_from = {row.pk: rng.choice([2, 6, 15, 40]) for row in rows}
    said: list[Callable[[], Any]] = []
    for row in rows:
        for hour in range(0, 36, 2):
            is_back = rng.random() < 0.02
            if hour < silent_from[row.pk] or is_back:
                said.append(lambda row=row, hour=hour: hear(row, hour + row.slot / 100))
    for n in range(6):
        row = rng.choice(rows)
        kind = rng.choice(
            ["tamper", "tamper_restored", "low_battery", "battery_restored", "missing", "missing_restored"]
        )
        signal = Signal(
            kind=kind, at=at(n * 5 + row.slot / 10), customer_id=row.customer_id, site_id=row.site_id,
            receiver_id=row.receiver_id, registration_id=row.pk, transmitter_id=row.transmitter_id,
        )  # fmt: skip
        said.append(lambda signal=signal: record_signals(signals=[signal], source="gateway", at=at(40)))
    return said


def _told_in_order(said: list[Callable[[], Any]], rng: Random, receiver: Receiver) -> list[tuple[str, Any, Any]]:
    """What stands after everything came in that order, with looks between, and one last look."""
    with transaction.atomic():
        for one in said:
            one()
            if rng.random() < 0.2:
                judge_receivers(at=at(40))
        delivered(receiver, 36)
        judge_receivers(at=at(40))
        # When an outage began is kept as it was first seen; everything else follows from what came in.
        found = [(kind, slot, None if kind == "outage" else raised) for kind, slot, raised in standing()]
        transaction.set_rollback(True)
    return found


@pytest.mark.parametrize("seed", range(8))
def test_any_order_of_what_comes_in_and_of_looks_leaves_the_same_faults_standing(seed: int) -> None:
    rng = Random(seed)
    rows = four()
    said = _story(rng, rows)
    wanted = _told_in_order(said, rng, rows[0].receiver)
    for _ in range(4):
        rng.shuffle(said)
        assert _told_in_order(said, rng, rows[0].receiver) == wanted


def test_a_receiver_that_its_source_forgets_while_it_delivers_of_others_has_lost_its_link() -> None:
    customer = make_customer()
    gateway = IntakeSource.objects.create(name="Gateway", customer=customer)
    here, there = (make_receiver(make_site(customer), evidence="every", fed_by=gateway) for _ in range(2))
    rows = [make_registration(one, 1, registered_at=at(-1000)) for one in (here, there)]
    for row in rows:
        hear(row, 0)

    def says(row: Registration, hours: float) -> None:
        hear(row, hours)
        IntakeSource.objects.filter(pk=gateway.pk).update(watermark_at=at(hours), last_used_at=at(hours))
        judge_receivers(at=at(hours))

    says(rows[0], 3.9)
    assert standing() == []
    says(rows[0], 4.5)
    (fault,) = Fault.objects.open()
    assert (fault.kind, fault.receiver, fault.raised_at) == ("link_lost", there, at(4))
    says(rows[0], 5)
    assert Fault.objects.count() == 1
    says(rows[1], 5.5)
    assert standing() == []
    fault.refresh_from_db()
    assert (fault.cleared_at, fault.cause) == (at(5.5), "")


def test_a_receiver_whose_source_is_silent_altogether_is_behind_nobody() -> None:
    gateway = IntakeSource.objects.create(
        name="Gateway", customer=make_customer(), watermark_at=at(0), last_used_at=at(0)
    )
    receiver = make_receiver(make_site(gateway.customer), evidence="every", fed_by=gateway)
    hear(make_registration(receiver, 1, registered_at=at(-1000)), 0)
    judge_receivers(at=at(50))
    assert standing() == []
