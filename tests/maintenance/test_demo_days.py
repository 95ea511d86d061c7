"""A day on which the demo firm once failed to load: chance had put a swap at the first stop of that morning."""

from __future__ import annotations

from datetime import date

import pytest

from devices.models import Transmitter
from maintenance.management.demo.build import size_of
from maintenance.management.demo.install import SWAPPED_SERIAL
from maintenance.management.demo.load import Wish, load_firm
from maintenance.models import Visit

pytestmark = pytest.mark.django_db


@pytest.mark.slow
def test_the_demo_loads_though_a_unit_was_swapped_where_work_is_under_way() -> None:
    load_firm(Wish(seed=21, today=date(2026, 11, 26), n_transmitters=size_of(0.1), n_reports=0))
    visit = Visit.objects.get(state="open")
    new = Transmitter.objects.get(serial=SWAPPED_SERIAL)
    # Without this the day proves nothing: both must meet at one site.
    assert new.registrations.open().get().site_id == visit.site_id
    changed = visit.entries.filter(kind="battery")
    assert changed.count() == 2
    assert all(entry.registration.removed_at is None for entry in changed.select_related("registration"))
