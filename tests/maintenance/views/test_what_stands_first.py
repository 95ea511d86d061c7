"""Pages that show little first: what is folded, told once or warned of where a person looks."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from devices.models import Receiver
from maintenance.models import Visit
from tests import factories
from tests.conftest import World

pytestmark = pytest.mark.django_db


@pytest.fixture
def visit(world: World) -> Visit:
    today = timezone.localdate()
    return factories.make_visit(
        world.own_site, factories.make_round(world.technician, day=today), state="open", arrived_at=timezone.now(),
        planned_on=today,
    )  # fmt: skip


@pytest.mark.parametrize(("measured_v", "is_warned"), [(9.8, True), (11.2, False), (None, False)])
def test_the_sheet_warns_where_the_supply_was_under_what_the_receiver_needs(
    world: World, visit: Visit, measured_v: float | None, is_warned: bool
) -> None:
    Receiver.objects.filter(pk=world.own_receiver.pk).update(measured_v=measured_v, measured_on=timezone.localdate())
    url = f"{reverse('maintenance:tech_visit', args=[visit.pk])}?r={world.own_receiver.pk}&show=last"
    page = world.client("technician").get(url).content.decode()
    assert "Needs at least 10.5 V." in page
    assert ("That is less than it needs" in page) is is_warned


@pytest.mark.parametrize("n_visits", [3, 4])
def test_a_technicians_older_visits_to_a_site_are_folded(world: World, n_visits: int) -> None:
    today = timezone.localdate()
    for days in range(n_visits):
        day = today - timedelta(days=days + 1)
        round = factories.make_round(world.technician, day=day)
        factories.make_visit(world.own_site, round, state="finished", planned_on=day, finished_at=timezone.now())
    page = world.client("technician").get(reverse("maintenance:tech_site", args=[world.own_site.pk])).content.decode()
    shown, _, folded = page.partition("Earlier ones")
    assert shown.count("/tech/visits/") == 3
    assert folded.count("/tech/visits/") == n_visits - 3


def test_a_run_of_spare_slots_is_told_once_in_the_portal(world: World) -> None:
    page = world.client("own_user").get(f"/portal/receivers/{world.own_receiver.code}/").content.decode()
    assert "2–64 spare" in page
    assert page.count("slot--spare") == 1
