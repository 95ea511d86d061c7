"""Lists of who delivers, sources and panels, in the order that is asked for: by name, last word, or how they stand."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from tests import factories
from tests.conftest import World
from tests.devices.panels import make_account
from tests.factories import NOW

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def listed(world: World, name: str, **asked: str) -> Any:
    return world.client("office").get(reverse(f"devices:{name}"), asked).context["page"].object_list


@pytest.fixture
def sources(world: World) -> None:
    """One of each state; hours since its last batch, hours that it may be silent."""
    for name, hours, may, is_active in (
        ("Quay", 3, 2, True), ("Abbey", None, 2, True), ("Mill", 30, None, True), ("Forge", 1, None, True),
        ("Chapel", 3, 4, True), ("Barn", 1, 1, False),
    ):  # fmt: skip
        late_after_s = may * 3600 if may else None
        source = factories.make_gateway(world.own, name=name, late_after_s=late_after_s, is_active=is_active)
        if hours:
            source.last_used_at = NOW - timedelta(hours=hours)
            source.save()
            source.batches.create(batch_id="b", sha256="0" * 64, received_at=source.last_used_at)


@pytest.mark.usefixtures("sources")
@pytest.mark.parametrize(
    ("sort", "names"),
    [
        ("", "Abbey Chapel Forge Mill Quay Barn"),
        ("name", "Abbey Barn Chapel Forge Mill Quay"),
        ("-name", "Quay Mill Forge Chapel Barn Abbey"),
        ("state", "Quay Abbey Mill Chapel Forge Barn"),
        ("last", "Abbey Mill Chapel Quay Barn Forge"),
        ("token_sha256", "Abbey Chapel Forge Mill Quay Barn"),
    ],
)
def test_sources_stand_as_asked(world: World, sort: str, names: str) -> None:
    assert [row.name for row in listed(world, "source_list", sort=sort)] == names.split()


@pytest.mark.usefixtures("sources")
def test_the_order_of_states_is_that_of_the_words_beside_the_names(world: World) -> None:
    states = [row.state for row in listed(world, "source_list", sort="state")]
    assert states == ["late", "never", "quiet", "fresh", "fresh", "retired"]


def test_panels_stand_as_asked_and_those_whose_link_is_lost_first(world: World) -> None:
    for number, hours, may in (("A1", 1, 2), ("B2", 3, None), ("C3", None, 2), ("D4", 3, 2)):
        last = NOW - timedelta(hours=hours) if hours else None
        site = factories.make_site(world.own, name=f"House {'DCBA'[int(number[1]) - 1]}")
        receiver = factories.make_receiver(site)
        make_account(receiver, number=number, last_message_at=last, supervised_s=may * 3600 if may else None)
    for sort, numbers in {
        "": "D4 C3 B2 A1", "number": "A1 B2 C3 D4", "state": "D4 C3 B2 A1", "-last": "A1 B2 D4 C3",
    }.items():  # fmt: skip
        assert [row.number for row in listed(world, "panel_list", sort=sort)] == numbers.split(), sort
    assert [row.state for row in listed(world, "panel_list", sort="state")] == ["late", "never", "quiet", "fresh"]


def test_the_order_is_chosen_by_keyboard_and_phone_too_and_outlives_a_filter(world: World) -> None:
    factories.make_gateway(world.own, name="Quay")
    factories.make_gateway(world.own, name="Quay 2")
    page = world.client("office").get(reverse("devices:source_list"), {"sort": "-last", "q": "quay"}).content.decode()
    assert '<option value="-last" selected>' in page
    assert 'aria-sort="descending"' in page
    assert "?sort=state&amp;q=quay" in page
