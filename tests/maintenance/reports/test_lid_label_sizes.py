"""The lid label comes in the size that goes with the customer's paper, or in the one asked for; its code can be read."""

from __future__ import annotations

import pypdfium2
import pytest
import zxingcpp

from maintenance.actions.reports import ask_for_slot_map
from maintenance.models import IssuedReport
from tests import factories
from tests.conftest import World
from tests.maintenance.reports.paper_world import do
from tests.maintenance.reports.test_slot_map_paper import make_receiver, text_of

pytestmark = pytest.mark.django_db
A6, FOUR_BY_SIX = (297.6, 419.5), (288.0, 432.0)


@pytest.mark.parametrize(
    ("customers", "chosen", "size"),
    [
        ("a4", "", A6),
        ("letter", "", FOUR_BY_SIX),
        ("a4", "letter", FOUR_BY_SIX),
        ("letter", "a4", A6),
        ("a4", "a4", A6),
    ],
)
def test_the_size_goes_with_the_paper_or_is_chosen(customers: str, chosen: str, size: tuple[float, float]) -> None:
    receiver = make_receiver()
    receiver.customer.paper = customers
    receiver.customer.save()
    by = factories.make_user()
    report = do(ask_for_slot_map(receiver=receiver, by=by, at=factories.NOW, kind="lid_label", paper=chosen))
    page = pypdfium2.PdfDocument(bytes(report.content))[0]
    assert page.get_size() == pytest.approx(size, abs=0.5)
    found = zxingcpp.read_barcodes(page.render(scale=150 / 72).to_pil())
    assert [code.text for code in found] == [f"HTTPS://LEDGER.EXAMPLE.ORG/R/{receiver.code}/"]
    is_own = chosen in ("", customers)
    assert (report.number == f"LL-{receiver.code}") is is_own
    assert do(ask_for_slot_map(receiver=receiver, by=by, at=factories.NOW, kind="lid_label", paper=chosen)) == report


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_twenty_four_slots_of_two_outputs_stand_on_one_label(paper: str) -> None:
    receiver = make_receiver(n_slots=24, n_used=0)
    outputs = list(receiver.outputs.order_by("number"))
    for slot in range(1, 25):
        factories.make_registration(
            receiver, slot, label=f"Bathroom cord {slot}", outputs=[(output, "latching", None) for output in outputs]
        )
    by = factories.make_user()
    report = do(ask_for_slot_map(receiver=receiver, by=by, at=factories.NOW, kind="lid_label", paper=paper))
    text = text_of(bytes(report.content))
    assert report.n_pages == 1
    assert text.count("1, 2") == 24


def test_sixty_four_slots_stand_on_several_labels_each_with_its_headings() -> None:
    receiver = make_receiver(n_slots=64, n_used=64)
    report = do(ask_for_slot_map(receiver=receiver, by=factories.make_user(), at=factories.NOW, kind="lid_label"))
    text = text_of(bytes(report.content))
    assert all(f"Room {slot} " in text for slot in range(1, 65))
    assert report.n_pages > 1
    assert text.count("Missing after") == report.n_pages
    assert f"Page {report.n_pages} of {report.n_pages}" in text


def test_the_size_is_chosen_on_the_page(world: World) -> None:
    from company.jobs import run_ready

    client, url = world.client("office"), f"/receivers/{world.own_receiver.pk}/lid-label.pdf"
    page = client.get(url).content.decode()
    assert 'value="a4" checked' in page
    client.post(url, {"paper": "letter"})
    run_ready()
    report = IssuedReport.objects.get()
    assert report.number.endswith("-4X6IN")
    assert client.get(url, {"paper": "letter"}).headers["Location"] == f"/reports/{report.pk}/file/"
    assert client.get(url).status_code == 200
    assert client.get(url, {"paper": "letter", "choose": "1"}).status_code == 200
    assert client.get(url, {"paper": "napkin"}).status_code == 200
