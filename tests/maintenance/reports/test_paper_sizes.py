"""Every paper comes on the customer's paper, every page of it, and a letterhead takes no second page of the slot map."""

from __future__ import annotations

from io import BytesIO
from typing import Any

import pikepdf
import pytest

from company.models import Customer
from maintenance.actions.reports import ask_for_lid_label, ask_for_service_report, ask_for_slot_map
from maintenance.models import IssuedReport
from tests import factories
from tests.benchmarks.pdf import receiver_of
from tests.maintenance.reports.paper_world import do, make_paper_world
from tests.maintenance.reports.test_letterhead import LINE, letterhead
from tests.maintenance.reports.test_slot_map_paper import make_receiver, text_of

pytestmark = pytest.mark.django_db
INCH, MM = 72, 72 / 25.4
FULL = {"a4": (210 * MM, 297 * MM), "letter": (8.5 * INCH, 11 * INCH)}
SMALL = {"a4": (105 * MM, 148 * MM), "letter": (4 * INCH, 6 * INCH)}


def boxes(content: bytes) -> list[tuple[float, float]]:
    """Width and height of every page [pt]; each begins at the origin."""
    with pikepdf.open(BytesIO(content)) as pdf:
        found = [[float(edge) for edge in page.mediabox] for page in pdf.pages]
    assert all(box[:2] == [0, 0] for box in found)
    return [(box[2], box[3]) for box in found]


def issue(kind: str, paper: str) -> bytes:
    by: Any = factories.make_user()
    if kind == "service_report":
        world = make_paper_world()
        Customer.objects.update(paper=paper)
        return bytes(do(ask_for_service_report(visit=world.visit, by=by, at=factories.NOW)).content)
    receiver = make_receiver(n_slots=64, n_used=64)
    receiver.customer.paper = paper
    receiver.customer.save()
    ask = ask_for_slot_map if kind == "slot_map" else ask_for_lid_label
    return bytes(do(ask(receiver=receiver, by=by, at=factories.NOW)).content)


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("kind", [value for value, _ in IssuedReport._meta.get_field("kind").flatchoices])
def test_every_page_of_every_paper_has_the_size_of_the_customers_paper(kind: str, paper: str) -> None:
    expected = (SMALL if kind == "lid_label" else FULL)[paper]
    found = boxes(issue(kind, paper))
    assert found
    for box in found:
        assert box == pytest.approx(expected, abs=0.5)


def test_a_line_at_the_foot_and_a_picture_leave_a_map_of_64_slots_on_one_page() -> None:
    receiver, by = receiver_of(64), factories.make_user()
    bare = do(ask_for_slot_map(receiver=receiver, by=by, at=factories.NOW))
    letterhead()
    dressed = do(ask_for_slot_map(receiver=receiver, by=by, at=factories.NOW))
    assert (bare.n_pages, dressed.n_pages) == (1, 1)
    assert LINE in text_of(bytes(dressed.content))
    assert LINE not in text_of(bytes(bare.content))
