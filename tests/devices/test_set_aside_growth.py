"""The pages of what is set aside stay usable with thousands of events: work grows with them, not with their square."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.urls import reverse

from devices.models import IntakeBatch, SetAside
from devices.querysets.radio_records import strangers
from tests.conftest import World
from tests.devices.intake.test_take_batch import make_source
from tests.factories import NOW

pytestmark = [
    pytest.mark.django_db,
    pytest.mark.usefixtures("at_now"),
    pytest.mark.skipif("connection.vendor != 'sqlite'", reason="SQLite alone counts the steps of its machine."),
]

STEPS = 100
FEW, MORE = 400, 1600


def steps_of(look: Callable[[], Any]) -> int:
    """Steps of the database's machine while something is looked at, to the hundred."""
    n = 0

    def count() -> int:
        nonlocal n
        n += 1
        return 0

    connection.ensure_connection()
    connection.connection.set_progress_handler(count, STEPS)
    try:
        look()
    finally:
        connection.connection.set_progress_handler(None, STEPS)
    return n


def fill(batch: IntakeBatch, n: int, name: Callable[[int], str], receiver: Any = None, **over: Any) -> None:
    rows = [
        SetAside(
            batch=batch, customer=receiver.customer if receiver else None, receiver=receiver, serial=name(i),
            unit=name(i).casefold(), kind="check_in", at=NOW - timedelta(minutes=i), event={}, why="Not known.", **over,
        )
        for i in range(n)
    ]  # fmt: skip
    SetAside.objects.bulk_create(rows)


def gone(n: int) -> str:
    return f"gone{n % 50}"


@pytest.mark.parametrize("name", [lambda n: "one", lambda n: f"unit{n}", gone], ids=["one unit", "many", "dismissed"])
@pytest.mark.parametrize("what", ["list", "again", "strangers", "detail"])
def test_four_times_the_events_are_about_four_times_the_work(world: World, name: Any, what: str) -> None:
    batch = make_source(world.own).batches.create(batch_id="b", sha256="0" * 64, received_at=NOW)
    client = world.client("office")

    def look() -> None:
        if what == "strangers":
            strangers({world.own_receiver.pk: world.own_site.zone}, NOW)
            return
        newest = SetAside.objects.order_by("-pk")[0].pk
        address = (
            reverse("devices:set_aside_detail", args=[newest])
            if what == "detail"
            else reverse("devices:set_aside_list")
        )
        assert client.get(address, {"show": "again"} if what == "again" else {}).status_code == 200

    def grow(n: int) -> None:
        fill(batch, n, gone, world.own_receiver, dismissed_at=NOW)
        fill(batch, n, name, world.own_receiver)

    grow(FEW)
    look()
    few = steps_of(look)
    grow(MORE - FEW)
    more = steps_of(look)
    assert more < 6 * few + 50, f"{few} and {more} hundred steps for {FEW} and {MORE} events"
