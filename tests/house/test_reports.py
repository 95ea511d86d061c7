"""Every kind of paper there is: found by itself, tagged, in our own fonts, with the caution, and nothing without words."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pikepdf
import pytest
import time_machine

from company.pdf import VARIANTS
from maintenance.actions import reports as actions
from maintenance.models import IssuedReport
from maintenance.reports import all_reports
from maintenance.reports.base import CAUTION
from tests import factories
from tests.company.test_pdf import embedded_fonts
from tests.maintenance.reports.paper_world import do, make_paper_world
from tests.maintenance.reports.test_slot_map_paper import text_of

ROOT = Path(__file__).parents[2]


def issued(kind: str) -> IssuedReport:
    """A paper of this kind from real records; KeyError for a kind that nobody told this test about."""
    world = make_paper_world()
    asks: dict[str, Any] = {
        "service_report": lambda: actions.ask_for_service_report(visit=world.visit, by=world.by, at=factories.NOW),
        "slot_map": lambda: actions.ask_for_slot_map(receiver=world.receiver, by=world.by, at=factories.NOW),
        "lid_label": lambda: actions.ask_for_lid_label(receiver=world.receiver, by=world.by, at=factories.NOW),
    }
    return do(asks[kind]())


def test_every_module_with_a_paper_is_found_and_every_kind_has_one() -> None:
    defining = {
        path.stem for path in (ROOT / "maintenance" / "reports").glob("*.py") if "\nREPORT = " in path.read_text()
    }
    assert set(all_reports()) == defining == set(IssuedReport.Kind.values)
    assert {report.variant for report in all_reports().values()} <= set(VARIANTS)


@pytest.mark.django_db
@pytest.mark.parametrize("kind", sorted(all_reports()))
def test_a_paper_can_be_read_by_everybody(kind: str) -> None:
    report = issued(kind)
    with pikepdf.open(io.BytesIO(bytes(report.content))) as pdf:
        assert pdf.Root.Lang == "en"
        assert pdf.Root.MarkInfo.Marked
        assert str(pdf.docinfo["/Title"]) == report.title
        assert len(pdf.pages) == report.n_pages
        tags = [item for item in pdf.objects if isinstance(item, pikepdf.Dictionary) and "/S" in item and "/K" in item]
        names = {str(item.S) for item in tags}
        assert {"/Document", "/H1"} <= names
        for figure in (item for item in tags if item.S == "/Figure"):
            assert str(figure.get("/Alt", "")).strip()
        assert all("Hyper" in name for name in embedded_fonts(pdf))
    text = text_of(bytes(report.content))
    assert CAUTION in text
    assert report.number in text
    # Never a claim that a validator has not made.
    assert "conform" not in text.lower()
    assert "complian" not in text.lower()


@pytest.mark.django_db
@pytest.mark.parametrize("kind", sorted(all_reports()))
def test_a_paper_says_what_it_said_before(kind: str) -> None:
    # The kept text, less what the counters of a test run make different each time.
    with time_machine.travel(factories.NOW, tick=False):
        report = issued(kind)
    text = text_of(bytes(report.content))
    changing = {report.number: "NUMBER", report.customer.name: "CUSTOMER", report.customer.code: "CODE"}
    changing |= {report.site.code: "SITE", report.site.name: "NAME"}
    for row in report.site.receivers.get().registrations.order_by("slot"):
        changing[row.transmitter.serial] = f"SERIAL-{row.slot}"
    for found, word in sorted(changing.items(), key=lambda pair: -len(pair[0])):
        text = text.replace(found, word)
    golden = ROOT / "tests" / "golden" / f"{kind}.txt"
    kept = golden.read_text(encoding="utf-8") if golden.exists() else ""
    assert text.strip() == " ".join(kept.split()), f"If the new text is right, write it to {golden.name}:\n{text}"
