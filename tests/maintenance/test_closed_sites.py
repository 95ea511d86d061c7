"""A site that is closed asks for nothing any more, at once: what was found, due or wrong there leaves lists, counts and mails."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from company.models import ChangeRow
from company.undo import undo
from devices.models import Fault, ReceiverType
from maintenance.actions.due import refresh_all, refresh_receivers
from maintenance.actions.findings import refresh_findings
from maintenance.actions.notices import send_due
from maintenance.models import DueItem, FaultNotice, FindingRecord, NoticedFault
from maintenance.querysets import faults as read
from sites.actions import close_site, reopen_site
from sites.models import Site
from tests import factories
from tests.conftest import World
from tests.factories import NOW, TODAY
from tests.maintenance.actions.noticing import HOUR, MINUTE, make_fault, make_rule, note

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

Kept = Callable[..., Any]


@pytest.fixture
def kept(django_capture_on_commit_callbacks: Any) -> Kept:
    """Do something and keep it, so that whoever listens hears of it."""

    def do(deed: Callable[..., Any], **facts: Any) -> Any:
        with django_capture_on_commit_callbacks(execute=True):
            return deed(by=factories.make_user("office"), at=NOW, **facts)

    return do


@pytest.fixture
def site(world: World) -> Site:
    """A site at which something is found and something is due."""
    refresh_receivers(receiver_ids=[world.own_receiver.pk], at=NOW)
    refresh_findings(receivers=[world.own_receiver], at=NOW)
    assert found(world.own_site)
    assert due(world.own_site)
    return world.own_site


def found(site: Site) -> set[str]:
    return set(FindingRecord.objects.open().filter(site=site).values_list("key", flat=True))


def due(site: Site) -> set[int]:
    return set(DueItem.objects.open().filter(site=site).values_list("pk", flat=True))


def test_what_is_found_and_due_leaves_with_the_closing_and_comes_back_with_the_opening(site: Site, kept: Kept) -> None:
    was_found, was_due = found(site), due(site)
    kept(close_site, site=site, reason="moved out")
    assert (found(site), due(site)) == (set(), set())
    kept(reopen_site, site=site, reason="moved in")
    assert found(site) == was_found
    assert due(site) == was_due, "the same rows, with their history"


def test_taking_the_closing_back_brings_everything_back_too(world: World, site: Site, kept: Kept) -> None:
    was = found(site), due(site)
    kept(close_site, site=site, reason="a slip")
    closing = ChangeRow.objects.get(verb="close_site")
    kept(undo, change=closing, reason="a slip")
    assert (found(site), due(site)) == was


def test_what_concerns_the_site_as_a_whole_leaves_though_its_last_receiver_is_down(
    world: World, site: Site, kept: Kept
) -> None:
    FindingRecord.objects.create(
        customer=site.customer, site=site, key=f"s{site.pk}:left_on_test", code="left_on_test", what="x", where="x",
        why="x", do="x", found_at=NOW, harm=0,
    )  # fmt: skip
    world.own_receiver.removed_at = NOW
    world.own_receiver.save(update_fields=["removed_at"])
    kept(close_site, site=site, reason="moved out")
    assert found(site) == set()


def test_the_night_leaves_closed_sites_alone_as_well(world: World, site: Site) -> None:
    others = due(world.other_site)
    Site.objects.filter(pk=site.pk).update(closed_at=NOW)
    refresh_all(today=TODAY, at=NOW)
    assert due(site) == set()
    assert due(world.other_site) >= others
    assert due(world.other_site), "of what is looked after nothing goes missing"


def test_a_standby_battery_of_a_closed_site_is_not_due(world: World, site: Site, kept: Kept) -> None:
    ReceiverType.objects.filter(pk=world.own_receiver.type_id).update(has_standby_battery=True, standby_life_years=4)
    refresh_receivers(receiver_ids=[world.own_receiver.pk], at=NOW)
    assert DueItem.objects.open().filter(site=site, kind="standby").exists()
    kept(close_site, site=site, reason="moved out")
    assert not DueItem.objects.open().filter(site=site).exists()


def test_a_transmitter_that_also_stands_at_another_site_stays_due_there(world: World, site: Site, kept: Kept) -> None:
    elsewhere = factories.make_receiver(factories.make_site(world.own))
    factories.make_registration(elsewhere, 1, transmitter=world.own_registration.transmitter, is_shared=True)
    kept(close_site, site=site, reason="moved out")
    (item,) = DueItem.objects.open().filter(transmitter=world.own_registration.transmitter, kind="cells")
    assert item.site == elsewhere.site


def test_pages_stop_counting_it(world: World, site: Site, kept: Kept) -> None:
    office = Client()
    office.force_login(world.office)
    make_fault(world.own_registration)
    kept(close_site, site=site, reason="moved out")
    for name in ("finding_list", "due_list", "fault_list"):
        assert site.name not in office.get(reverse(f"maintenance:{name}")).content.decode(), name
    assert read.counted(Fault.objects.all())["n"] == 0
    assert read.by_kind_now(Fault.objects.all()) == []
    assert read.newest(Fault.objects.all(), 5) == []


def test_a_fault_that_stands_at_a_closed_site_is_back_once_it_is_opened(world: World, site: Site, kept: Kept) -> None:
    fault = make_fault(world.own_registration)
    kept(close_site, site=site, reason="moved out")
    choice = read.FaultChoice(site=str(site.pk))
    assert not read.narrowed(Fault.objects.all(), choice, NOW)
    kept(reopen_site, site=site, reason="moved in")
    assert list(read.narrowed(Fault.objects.all(), choice, NOW)) == [fault]
    assert read.counted(Fault.objects.all())["n"] == 1


def test_what_ended_there_can_still_be_looked_up(world: World, site: Site, kept: Kept) -> None:
    fault = make_fault(world.own_registration, at=NOW - HOUR, cleared_at=NOW)
    kept(close_site, site=site, reason="moved out")
    assert list(read.narrowed(Fault.objects.all(), read.FaultChoice(state="ended"), NOW)) == [fault]


def test_nobody_is_told_of_a_fault_at_a_closed_site(world: World, site: Site, kept: Kept, mailoutbox: Any) -> None:
    make_rule(again_s=3600)
    kept(close_site, site=site, reason="moved out")
    fault = make_fault(world.own_registration)
    assert note(fault) == 0
    assert send_due(at=NOW + HOUR) == 0
    assert not FaultNotice.objects.exists(), "nor does the sweep find it"


def test_a_mail_that_waits_when_the_site_is_closed_does_not_go(
    world: World, site: Site, kept: Kept, mailoutbox: Any
) -> None:
    make_rule()
    note(make_fault(world.own_registration))
    kept(close_site, site=site, reason="moved out")
    send_due(at=NOW + HOUR)
    assert mailoutbox == []
    assert FaultNotice.objects.get().error == "The site was closed before it was sent."


def test_no_reminder_goes_for_a_site_that_was_closed_after_the_first_mail(
    world: World, site: Site, kept: Kept, mailoutbox: Any
) -> None:
    make_rule(again_s=1800)
    note(make_fault(world.own_registration))
    send_due(at=NOW + 10 * MINUTE)
    assert len(mailoutbox) == 1
    kept(close_site, site=site, reason="moved out")
    for hours in (1, 2, 5):
        send_due(at=NOW + hours * HOUR)
    assert len(mailoutbox) == 1


def test_once_it_is_opened_people_are_told_of_what_was_raised_meanwhile(
    world: World, site: Site, kept: Kept, mailoutbox: Any
) -> None:
    make_rule()
    kept(close_site, site=site, reason="moved out")
    fault = make_fault(world.own_registration, at=NOW - 50 * HOUR)
    kept(reopen_site, site=site, reason="moved in")
    assert NoticedFault.objects.get().fault == fault
    send_due(at=NOW + HOUR)
    assert len(mailoutbox) == 1
