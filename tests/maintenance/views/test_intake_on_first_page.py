"""The first page says what came in and waits, when something last came at all, and that no listener runs."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from company.templatetags.days import daytime
from devices.models import IntakeBatch, IntakeSource, ListenerState, PanelStranger, SetAside
from devices.rules.events import Event
from tests.conftest import World
from tests.devices.intake.test_take_batch import make_source, send
from tests.devices.panels import make_account
from tests.factories import NOW

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

HOUR = timedelta(hours=1)


def plain(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", page).split())


def home(world: World) -> str:
    return " ".join(world.client("office").get(reverse("maintenance:office_home")).content.decode().split())


def now_part(world: World, **asked: str) -> Any:
    return world.client("office").get(reverse("maintenance:now_panel"), asked, headers={"HX-Request": "true"})


def gateway(world: World, *, last: timedelta | None = None, **over: Any) -> IntakeSource:
    begun = {"created_at": NOW - 100 * HOUR, "token_sha256": "a" * 64}
    source = make_source(world.own, **begun | over)
    if last is not None:
        IntakeBatch.objects.create(source=source, batch_id="b", sha256="0" * 64, received_at=NOW - last)
    return source


# --- what waits -------------------------------------------------------------------------------------------------------


def test_units_that_nobody_could_place_wait_for_the_office_as_the_list_counts_them(world: World) -> None:
    source = make_source(world.own)
    assert "could not be placed" not in home(world)
    for n, serial in enumerate(("AD-77001", "ad 77001", "NOBODY-9", "GONE-4711")):
        send(source, Event(1, "check_in", NOW, serial), batch=f"b{n}")
    SetAside.objects.filter(serial="GONE-4711").update(dismissed_at=NOW)
    send(source, Event(1, "check_in", NOW, "GONE-4711"), batch="again")
    found = re.search(r'<b>2</b><div><a href="([^"]+)">units heard that could not be placed', home(world))
    assert found
    assert world.client("office").get(found[1]).context["page"].paginator.count == 2


def test_numbers_of_panels_that_nobody_knows_wait_for_the_office(world: World) -> None:
    for number, dismissed_at in (("AB12", None), ("CD34", NOW)):
        PanelStranger.objects.create(number=number, first_at=NOW, last_at=NOW, dismissed_at=dismissed_at)
    found = re.search(r'<b>1</b><div><a href="([^"#]+)#([^"]+)">panel number that nobody knows', home(world))
    assert found
    page = world.client("office").get(found[1]).content.decode()
    assert f'id="{found[2]}"' in page
    assert "AB12" in page


# --- when something last came -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("last", "late_after_s", "is_told"),
    [
        (timedelta(minutes=119), None, False),
        (timedelta(minutes=121), None, True),
        (timedelta(minutes=20), 900, True),
        (timedelta(hours=20), 86_400, False),
        (timedelta(hours=25), 86_400, True),
    ],
)
def test_the_last_delivery_is_told_once_it_is_older_than_any_source_may_be_silent(
    world: World, last: timedelta, late_after_s: int | None, is_told: bool
) -> None:
    gateway(world, last=last, late_after_s=late_after_s)
    assert ("Last delivery from a gateway or a panel" in plain(home(world))) == is_told


def test_a_gateway_that_never_delivered_is_told_after_a_while_and_one_without_a_token_is_not(world: World) -> None:
    source = gateway(world, created_at=NOW - HOUR)
    assert "Nothing has come" not in plain(home(world))
    IntakeSource.objects.filter(pk=source.pk).update(created_at=NOW - 3 * HOUR)
    assert "Nothing has come from any gateway or panel yet." in plain(home(world))
    IntakeSource.objects.filter(pk=source.pk).update(token_sha256="")
    assert "Nothing has come" not in plain(home(world))


def test_a_gateway_without_a_limit_is_not_waited_for_as_long_as_a_panel_that_tests_daily(world: World) -> None:
    listener(beat_s=2)
    make_account(world.own_receiver, last_message_at=NOW - 5 * HOUR, supervised_s=25 * 3600)
    assert "Last delivery" not in plain(home(world))
    gateway(world, last=4 * HOUR)
    assert "Last delivery" in plain(home(world))


def test_a_file_uploaded_by_hand_is_no_delivery_and_is_not_waited_for(world: World) -> None:
    gateway(world, last=5 * HOUR)
    uploaded = make_source(world.own, kind="file", created_at=NOW - 100 * HOUR)
    IntakeBatch.objects.create(source=uploaded, batch_id="f", sha256="0" * 64, received_at=NOW)
    assert f"Last delivery from a gateway or a panel: {daytime(NOW - 5 * HOUR)}" in plain(home(world))
    IntakeSource.objects.filter(kind="api").update(is_active=False, retired_at=NOW)
    assert "Last delivery" not in plain(home(world))


def test_the_panel_that_asks_for_itself_tells_it_as_soon_as_it_is_so(world: World) -> None:
    source = gateway(world, last=HOUR)
    seen = now_part(world).context["now"]["seen"]
    assert now_part(world, seen=seen).status_code == 204
    IntakeBatch.objects.filter(source=source).update(received_at=NOW - 3 * HOUR)
    assert "Last delivery from a gateway or a panel" in now_part(world, seen=seen).content.decode()


# --- the listener -----------------------------------------------------------------------------------------------------


def listener(*, beat_s: int, stopped: bool = False) -> None:
    ListenerState.objects.create(
        bind=f"127.0.0.1:{9000 + beat_s}", started_at=NOW - HOUR, beat_at=NOW - timedelta(seconds=beat_s),
        stopped_at=NOW if stopped else None,
    )  # fmt: skip


def test_panels_on_record_without_a_listener_are_a_warning_and_with_one_they_are_none(world: World) -> None:
    assert "No listener runs" not in home(world), "Without a panel none is needed."
    make_account(world.own_receiver, last_message_at=NOW)
    listener(beat_s=5, stopped=True)
    listener(beat_s=60)
    page = plain(home(world))
    assert "No listener runs, so nothing of 1 panel reaches us." in page
    assert "It last ran" in page
    listener(beat_s=2)
    assert "No listener runs" not in home(world)


def test_a_message_of_a_panel_is_a_delivery(world: World) -> None:
    listener(beat_s=2)
    make_account(world.own_receiver, last_message_at=NOW - timedelta(minutes=50), supervised_s=3600)
    gateway(world, last=5 * HOUR)
    assert "Last delivery" not in plain(home(world))


def test_a_new_panel_is_proposed_to_report_as_often_as_a_new_gateway(world: World) -> None:
    client = world.client("office")
    panel = client.get(reverse("devices:panel_new")).context["form"]
    source = client.get(reverse("devices:source_new") + "?kind=api").context["form"]
    assert panel["every_min"].value() == source["late_after_h"].value() * 60 == 120
