"""Many units that nobody knows are dismissed at once, with one reason, and all of it is taken back with one button."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from company import jobs
from devices.actions.set_aside import dismiss_many_set_aside
from devices.actions.set_aside_later import HANDLER, Asked, key_prefix
from devices.models import IntakeBatch, SetAside
from tests import factories
from tests.conftest import World

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def batch(world: World) -> IntakeBatch:
    return factories.make_gateway(world.own).batches.create(batch_id="b", sha256="0" * 64)


def heard(batch: IntakeBatch, *serials: str, n: int = 2, **over: Any) -> None:
    for serial in serials:
        for _ in range(n):
            fields = {"customer": batch.source.customer, "serial": serial, "kind": "check_in", "at": factories.NOW}
            batch.set_aside.create(**fields | {"event": {}, "why": "Not known."} | over)


def waiting() -> set[str]:
    return set(SetAside.objects.open().values_list("serial", flat=True))


def key_of(serial: str) -> int:
    return SetAside.objects.filter(serial=serial).latest("pk").pk


def dismiss(world: World, **asked: Any) -> str:
    """Both steps, as a person goes them: the page that asks why, and its button; gives what is read afterwards."""
    client, url = world.client("office"), reverse("devices:set_aside_dismiss_many")
    form = client.get(url, asked).context["form"]
    data = {name: form[name].value() for name in form.fields} | {"reason": "the neighbour's"}
    return client.post(url, data, follow=True).content.decode()


def test_those_chosen_are_dismissed_and_come_back_with_one_undo(world: World, batch: IntakeBatch) -> None:
    heard(batch, "ZA-1", "ZA-2", "ZA-3")
    chosen = [key_of("ZA-1"), key_of("ZA-3")]
    asking = world.client("office").get(reverse("devices:set_aside_dismiss_many"), {"unit": chosen}).content.decode()
    assert "Dismiss 2 units" in asking
    assert "ZA-3, ZA-1." in asking
    page = dismiss(world, unit=chosen, what="chosen")
    assert "2 units are dismissed with 4 events." in page
    assert waiting() == {"ZA-2"}
    assert set(SetAside.objects.exclude(dismissed_at=None).values_list("dismissed_why", flat=True)) == {
        "the neighbour's"
    }
    undo = page.partition('class="toast__undo" method="post" action="')[2].partition('"')[0]
    world.client("office").post(undo)
    assert waiting() == {"ZA-1", "ZA-2", "ZA-3"}


def test_every_unit_that_the_filter_shows_is_dismissed_also_of_other_pages(world: World, batch: IntakeBatch) -> None:
    heard(batch, *(f"ZB-{n}" for n in range(18)), "QUAY-1", n=1)
    listed = world.client("office").get(reverse("devices:set_aside_list"), {"q": "zb"}).content.decode()
    assert "Dismiss all 18 found" in listed
    assert "18 units are dismissed" in dismiss(world, what="every", show="open", q="zb")
    assert waiting() == {"QUAY-1"}


def test_what_comes_while_the_reason_is_typed_waits_on(world: World, batch: IntakeBatch) -> None:
    heard(batch, "ZA-1")
    client, url = world.client("office"), reverse("devices:set_aside_dismiss_many")
    form = client.get(url, {"what": "every", "show": "open"}).context["form"]
    data = {name: form[name].value() for name in form.fields} | {"reason": "?"}
    heard(batch, "ZA-1", "ZA-2", n=1)
    assert "1 unit is dismissed with 2 events." in client.post(url, data, follow=True).content.decode()
    assert SetAside.objects.open().count() == 2


def test_a_unit_that_is_being_counted_is_left_and_that_is_said(world: World, batch: IntakeBatch) -> None:
    heard(batch, "ZA-1", "ZA-2")
    asked = Asked("za1", (world.own.pk, None), key_of("ZA-1"), 2, None, None, world.office.pk, timezone.now())
    jobs.enqueue(handler=HANDLER, key=f"{key_prefix('za1')}0", title="Counting", args=asked.as_args(), by=world.office)
    page = dismiss(world, what="every", show="open")
    assert "1 unit is dismissed with 2 events. Left: 1, whose events are being counted." in page
    assert waiting() == {"ZA-1"}
    assert "Their events are being counted." in dismiss(world, what="every", show="open")


def test_nothing_chosen_is_told_and_nothing_happens(world: World, batch: IntakeBatch) -> None:
    heard(batch, "ZA-1")
    url = reverse("devices:set_aside_dismiss_many")
    for asked in ({"what": "chosen"}, {"what": "every", "show": "dismissed"}, {"unit": "x"}):
        page = world.client("office").get(url, asked, follow=True).content.decode()
        assert "Choose at least one unit that still waits." in page
    assert waiting() == {"ZA-1"}


def test_the_work_of_the_program_does_not_grow_with_the_units(world: World, batch: IntakeBatch) -> None:
    def queries(n: int) -> int:
        heard(batch, *(f"{n}-{one}" for one in range(n)), n=1)
        groups = list(SetAside.objects.open().values_list("customer_id", "unit"))
        with CaptureQueriesContext(
            connection,
        ) as asked:
            done = dismiss_many_set_aside(
                units=groups, newest_pk=2**62, by=world.office, at=timezone.now(), reason="?"
            )  # fmt: skip
        assert done.n_units == n
        return len(asked)

    assert queries(3) == queries(60)
