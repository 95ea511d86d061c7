"""The slot map on paper: what it says, for whom it is made, and that foreign words stay words."""

from __future__ import annotations

import io
import re
import subprocess
from datetime import date, timedelta
from typing import Any

import pikepdf
import pypdfium2
import pytest
import zxingcpp
from django.db import connection
from django.test import override_settings
from django.test.utils import CaptureQueriesContext

from company.actions import ensure_firm
from company.jobs import run_ready
from devices.models import Fitting, Receiver, Registration
from maintenance.actions.reports import ask_for_lid_label, ask_for_slot_map, present_slot_map
from maintenance.models import IssuedReport
from maintenance.reports.base import CAUTION, code_link
from maintenance.reports.lid_label import fold_spares
from maintenance.reports.slot_map import changed_slots, gather
from tests import factories
from tests.maintenance.reports.paper_world import do, make_paper_world

pytestmark = pytest.mark.django_db
NOW = factories.NOW
HOSTILE = ["<script>alert(1)</script>", "=cmd|' /C calc'!A0", "file:///etc/passwd", '"><img src=http://127.0.0.1:9/x>']


def text_of(content: bytes, *options: str) -> str:
    """Text of a PDF as a reader gets it, white space folded."""
    done = subprocess.run(["pdftotext", *options, "-", "-"], input=content, capture_output=True, check=True)
    return re.sub(r"\s+", " ", done.stdout.decode())


def make_receiver(n_slots: int = 16, n_used: int = 3, **over: Any) -> Any:
    kind = factories.receiver_type(f"test-{n_slots}", label=f"receiver, {n_slots} slots", n_slots=n_slots)
    receiver = factories.make_receiver(type=kind, label="R1", **over)
    lamp = factories.make_output(receiver, 1, drives="Call lamp", clears="duty nurse")
    buzzer = factories.make_output(receiver, 2, drives="Door buzzer")
    for slot in range(1, n_used + 1):
        row = factories.make_registration(
            receiver, slot, duty=["life_safety", "security", "convenience"][slot % 3],
            outputs=[(lamp, "latching", None)] if slot % 2 else [(buzzer, "momentary", 5)],
        )  # fmt: skip
        factories.make_fitting(row.transmitter)
    return receiver


def issue(receiver: Any, on: date | None = None) -> IssuedReport:
    return do(ask_for_slot_map(receiver=receiver, by=factories.make_user(), at=NOW, on=on))


def test_it_says_in_words_what_stands_in_each_slot() -> None:
    receiver = make_receiver()
    text = text_of(bytes(issue(receiver).content))
    assert "stays on until cleared; cleared by duty nurse" in text
    assert "on for 5 s, then off" in text
    assert "missing after 4 h" in text
    assert "security" in text
    assert "changed 21 Oct 2025" in text
    assert "no estimate" in text
    assert "3 of 16, 13 spare slots" in text
    assert CAUTION in text
    assert "revision 1" in text


def test_the_printed_code_is_read_from_a_page_of_150_dpi_and_opens_the_receiver() -> None:
    receiver = make_receiver(n_slots=64, n_used=57)
    page = pypdfium2.PdfDocument(bytes(issue(receiver).content))[0]
    found = zxingcpp.read_barcodes(page.render(scale=150 / 72).to_pil())
    assert [code.text for code in found] == [f"HTTPS://LEDGER.EXAMPLE.ORG/R/{receiver.code}/"]


@pytest.mark.parametrize(
    ("base", "link"),
    [
        ("https://ledger.example.org", "HTTPS://LEDGER.EXAMPLE.ORG/R/ABCDE23456/"),
        ("http://127.0.0.1:8000", "HTTP://127.0.0.1:8000/R/ABCDE23456/"),
        ("https://example.org/Ledger", "https://example.org/Ledger/r/ABCDE23456/"),
    ],
)
def test_the_code_is_in_capitals_only_where_that_changes_nothing(base: str, link: str) -> None:
    with override_settings(BASE_URL=base):
        assert code_link("ABCDE23456") == link


def test_it_is_tagged_titled_and_every_drawing_has_words() -> None:
    receiver = make_receiver()
    with pikepdf.open(io.BytesIO(bytes(issue(receiver).content))) as pdf:
        assert pdf.Root.Lang == "en"
        assert str(pdf.docinfo["/Title"]) == f"Slot map · {receiver.site.name}, R1, SM-{receiver.code} revision 1"
        figures = [item for item in pdf.objects if isinstance(item, pikepdf.Dictionary) and item.get("/S") == "/Figure"]
        assert len(figures) == 1
        assert "newest slot map" in str(figures[0].Alt)


@pytest.mark.parametrize(("paper", "size"), [("a4", (595.3, 841.9)), ("letter", (612.0, 792.0))])
def test_it_is_made_on_the_customers_paper(paper: str, size: tuple[float, float]) -> None:
    receiver = make_receiver()
    receiver.customer.paper = paper
    receiver.customer.save()
    with pikepdf.open(io.BytesIO(bytes(issue(receiver).content))) as pdf:
        box = [float(x) for x in pdf.pages[0].MediaBox]
    assert box[2:] == pytest.approx(size, abs=0.2)


def test_hostile_names_stay_words() -> None:
    receiver = make_receiver()
    for row, name in zip(Registration.objects.order_by("slot"), HOSTILE, strict=False):
        row.label = name
        row.save()
    receiver.site.name = HOSTILE[3]
    receiver.site.save()
    text = text_of(bytes(issue(receiver).content))
    for name in (*HOSTILE[:3], HOSTILE[3]):
        assert re.sub(r"\s", "", name) in re.sub(r"\s", "", text)


def test_asking_again_gives_the_same_paper_until_something_changes() -> None:
    receiver = make_receiver()
    first = issue(receiver)
    assert do(ask_for_slot_map(receiver=receiver, by=factories.make_user(), at=NOW + timedelta(days=40))) == first
    row = Registration.objects.get(slot=2)
    row.label = "Linen room"
    row.save()
    assert present_slot_map(receiver=receiver, at=NOW) == (None, "Slot 2")
    second = issue(receiver)
    assert (second.number, second.revision, second.what_changed) == (first.number, 2, "Slot 2")
    assert "Changed in revision 2: Slot 2" in text_of(bytes(second.content))
    row.label = "Room 2"
    row.save()
    third = issue(receiver)
    assert (third.revision, third.data["content"]) == (3, first.data["content"])


def test_two_people_asking_at_once_get_one_paper() -> None:
    receiver = make_receiver()
    portal = factories.make_portal_user(receiver.customer)
    jobs = [
        ask_for_slot_map(receiver=receiver, by=by, at=NOW)
        for by in (factories.make_user(), portal, factories.make_user())
    ]
    assert jobs[0] == jobs[2] != jobs[1]
    run_ready()
    report = IssuedReport.objects.get()
    for job in jobs:
        job.refresh_from_db()
    assert jobs[0].result_url == f"/reports/{report.pk}/"
    assert jobs[1].result_url == f"/portal/reports/{report.uuid}/"


def test_the_map_of_a_past_day_is_a_paper_of_its_own() -> None:
    receiver = make_receiver()
    row = Registration.objects.get(slot=3)
    row.removed_at = NOW - timedelta(days=2)
    row.save()
    past = issue(receiver, on=(NOW - timedelta(days=5)).date())
    now = issue(receiver)
    assert past.number == f"SM-{receiver.code}-2026-11-20"
    assert "State of" in text_of(bytes(past.content))
    assert "20 November 2026, end of the day" in text_of(bytes(past.content))
    assert [slot["spare"] for slot in past.data["content"]["slots"]][:4] == [False, False, False, True]
    assert [slot["spare"] for slot in now.data["content"]["slots"]][:4] == [False, False, True, True]
    assert IssuedReport.objects.all().newest_of_receivers([receiver.pk]) == {receiver.pk: now}


@pytest.mark.parametrize("n_slots", [4, 16, 64, 128])
def test_every_slot_is_on_paper_whatever_the_number(n_slots: int) -> None:
    receiver = make_receiver(n_slots=n_slots, n_used=n_slots)
    report = issue(receiver)
    # In the order of the file: on a dense page the tool would else pair words of neighbouring cells.
    text = text_of(bytes(report.content), "-raw")
    for slot in range(1, n_slots + 1):
        assert f"Room {slot} " in text
    assert report.n_pages == (2 if n_slots == 128 else 1)


def test_what_changed_names_slots_outputs_and_the_head() -> None:
    receiver = make_receiver()
    old = gather(receiver, at=NOW)
    new = gather(receiver, at=NOW)
    new["slots"][0]["label"] = new["slots"][4]["label"] = "elsewhere"
    new["outputs"][0]["drives"] = "horn"
    new["receiver"]["label"] = "R9"
    assert changed_slots(old, new) == "Slots 1 and 5, outputs and head of the page"
    assert changed_slots(old, old) == "Nothing"


def test_making_it_takes_the_same_number_of_queries_for_a_large_receiver() -> None:
    ensure_firm()
    counts = set()
    for n_slots in (4, 64):
        receiver = Receiver.objects.select_related("site", "customer", "type").get(
            pk=make_receiver(n_slots=n_slots, n_used=n_slots).pk
        )
        with CaptureQueriesContext(connection) as found:
            gather(receiver, at=NOW)
        counts.add(len(found))
    assert len(counts) == 1


def test_a_lid_label_is_small_and_outlives_a_change_of_battery() -> None:
    receiver = make_receiver(n_slots=16, n_used=16)
    first = do(ask_for_lid_label(receiver=receiver, by=factories.make_user(), at=NOW))
    text = text_of(bytes(first.content))
    for slot in range(1, 17):
        assert f"Room {slot} " in text
    assert "Out 1: stays on until cleared." in text
    assert "2025" not in text
    with pikepdf.open(io.BytesIO(bytes(first.content))) as pdf:
        assert len(pdf.pages) == 1
        assert [float(x) for x in pdf.pages[0].MediaBox][2:] == pytest.approx((297.6, 419.5), abs=0.5)
    fitting = Fitting.objects.order_by("pk").first()
    fitting.fitted_at = NOW - timedelta(days=1)
    fitting.save()
    assert ask_for_lid_label(receiver=receiver, by=factories.make_user(), at=NOW) == first
    row = Registration.objects.get(slot=4)
    row.window_s = 3600
    row.save()
    second = do(ask_for_lid_label(receiver=receiver, by=factories.make_user(), at=NOW))
    assert (second.number, second.revision, second.what_changed) == (first.number, 2, "Slot 4")


def test_a_map_of_a_past_day_holds_no_estimate_and_says_so() -> None:
    world = make_paper_world()
    report = do(ask_for_slot_map(receiver=world.receiver, by=world.by, at=factories.NOW, on=date(2026, 11, 20)))
    assert {slot.get("change_by") for slot in report.data["content"]["slots"]} == {None}
    text = text_of(bytes(report.content))
    assert "no estimate" not in text
    assert "change by" not in text
    assert "Due dates are worked out for today only" in text


def test_spare_slots_fold_and_equal_labels_name_their_area() -> None:
    def used(slot: int, label: str, area: str) -> dict[str, Any]:
        return {
            "slot": slot, "spare": False, "label": label, "area": area, "window": "missing after 4 h", "outputs": [],
            "duty": "security",
        }  # fmt: skip

    slots = [used(1, "Hall", "Ground floor"), {"slot": 2, "spare": True}, used(3, "Hall", "First floor")]
    slots += [used(4, "Attic", "Roof")] + [{"slot": n, "spare": True} for n in (5, 6, 7)]
    lines = fold_spares(slots)
    assert [(line["slot"], line.get("where")) for line in lines] == [
        (1, "Ground floor"), ("2", None), (3, "First floor"), (4, ""), ("5–7", None),
    ]  # fmt: skip
