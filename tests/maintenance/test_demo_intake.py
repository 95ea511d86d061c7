"""What the demo firm shows of check-ins is true of itself: every thing set aside can be acted on, and the times fit."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.db import transaction
from django.test import Client
from django.urls import reverse

from company.models import ChangeRow, Job, Upload, User
from devices.models import (
    Fault,
    IntakeBatch,
    IntakeSource,
    ListenerState,
    PanelAccount,
    PanelStranger,
    Registration,
    SetAside,
    Transmitter,
)
from devices.querysets.set_aside import SPARE, alike_on_record, newest_of_units, slot_states
from maintenance.management.demo import load_intake
from maintenance.management.demo.load import Wish, load_firm
from maintenance.management.demo.people import ACCOUNTS

TODAY = date(2026, 11, 25)
SIX = datetime(2026, 11, 25, 6, tzinfo=UTC)


@pytest.fixture(scope="module")
def firm(django_db_setup: Any, django_db_blocker: Any) -> Iterator[Any]:
    """A small firm, loaded once for this module and rolled back after it."""
    with django_db_blocker.unblock(), transaction.atomic():
        yield load_firm(Wish(seed=28, today=TODAY, n_transmitters=400, n_reports=0))
        transaction.set_rollback(True)


@pytest.fixture
def office(firm: Any, db: Any) -> Client:
    client = Client()
    client.force_login(User.objects.get(email=ACCOUNTS[0].email))
    return client


def _waiting() -> list[SetAside]:
    """The newest event of each unit that waits."""
    return list(newest_of_units(SetAside.objects.all(), SetAside.objects.open()).select_related("receiver"))


@pytest.mark.django_db
def test_at_least_five_units_wait_and_each_names_its_receiver_and_customer(firm: Any) -> None:
    assert len(_waiting()) >= 5
    assert not SetAside.objects.open().filter(receiver=None)
    assert not SetAside.objects.open().filter(serial="", slot=None)


@pytest.mark.django_db
def test_every_slot_that_waits_is_there_and_spare(firm: Any) -> None:
    states = slot_states(Registration.objects.open(), _waiting())
    assert len(states) >= 2
    assert set(states.values()) == {SPARE}


@pytest.mark.django_db
def test_serials_that_wait_are_on_no_record_and_one_looks_like_one_that_is(firm: Any) -> None:
    serials = {one.serial for one in _waiting()} - {""}
    assert len(serials) >= 3
    assert not Transmitter.objects.filter(serial__in=serials)
    assert [serial for serial, known in alike_on_record(Transmitter.objects.all(), serials).items() if known]


@pytest.mark.django_db
def test_no_button_of_what_is_set_aside_leads_nowhere(office: Client) -> None:
    page = office.get(reverse("devices:set_aside_list")).content.decode()
    ways = set(re.findall(r'href="(/(?:receivers|set-aside|checkins|check-ins|transmitters)/[^"#]*)"', page))
    assert any("/register/" in way for way in ways)
    assert {way: status for way in ways if (status := office.get(way).status_code) != 200} == {}


@pytest.mark.django_db
def test_every_gateway_has_a_token_and_one_batch_id_was_used_twice(firm: Any) -> None:
    gateways = IntakeSource.objects.filter(kind="api")
    assert gateways.exists()
    for source in gateways:
        assert source.token_sha256
        assert len(source.token_hint) == 4
        assert source.token_made_at is not None
        assert source.last_used_at is not None
        assert source.token_made_at < source.last_used_at
    assert ChangeRow.objects.filter(verb="make_token").count() == gateways.count()
    assert IntakeBatch.objects.filter(n_conflicts__gt=0).count() == 1


@pytest.mark.django_db
def test_the_event_log_came_when_it_was_handed_over(firm: Any) -> None:
    (upload,) = Upload.objects.filter(kind="event_log")
    batches = IntakeBatch.objects.filter(file_name=upload.name)
    assert batches.exists()
    soon = (upload.at, upload.at + timedelta(hours=1))
    assert all(soon[0] <= batch.received_at <= soon[1] for batch in batches)
    jobs = Job.objects.filter(key__contains=str(upload.uuid))
    assert jobs.count() == 3
    assert not jobs.exclude(finished_at__range=soon)
    assert not ChangeRow.objects.filter(verb="take_event_log").exclude(at__range=soon)
    # Nothing of the demo was first heard of after the day that it tells of.
    assert not Fault.objects.filter(recorded_at__date__gt=TODAY)


@pytest.mark.django_db
def test_two_panels_were_heard_by_a_listener_that_was_stopped_since(firm: Any) -> None:
    panels = PanelAccount.objects.filter(closed_at=None)
    assert panels.count() == 2
    listener = ListenerState.objects.get()
    assert listener.stopped_at is not None
    assert listener.counts["frames"] >= sum(panel.n_frames for panel in panels)
    for panel in panels:
        assert panel.last_message_at == SIX
        assert panel.created_at < panel.last_message_at < listener.stopped_at
    newest = IntakeBatch.objects.filter(source__kind="panel").order_by("-received_at")[0]
    assert newest.received_at.date() == TODAY


@pytest.mark.django_db
def test_the_number_that_nobody_knows_has_called_for_days(firm: Any) -> None:
    stranger = PanelStranger.objects.get()
    days = (stranger.last_at - stranger.first_at).days
    assert days >= 7
    assert stranger.n_frames <= 6 * (days + 1)


@pytest.mark.django_db
def test_a_job_that_a_worker_was_quicker_to_take_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    job = Job.objects.create(key="waited-for:1", handler="nowhere", title="Check", state=Job.State.RUNNING)
    monkeypatch.setattr(load_intake.jobs, "run", lambda pk: False)
    monkeypatch.setattr(
        load_intake.time, "sleep",
        lambda seconds: Job.objects.filter(pk=job.pk).update(state=Job.State.DONE, result={"n_events": 3}),
    )  # fmt: skip
    assert load_intake._done("waited-for:") == {"n_events": 3}
