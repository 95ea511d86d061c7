"""The letterhead on paper: its picture on the service report, its line at the foot of every paper, and what stays equal."""

from __future__ import annotations

from io import BytesIO
from typing import Any

import pikepdf
import pytest
from PIL import Image

from company.actions import ensure_firm
from company.models import Firm
from maintenance.actions.reports import ask_for_service_report
from maintenance.models import IssuedReport
from maintenance.reports.base import firm_facts
from tests import factories
from tests.maintenance.reports.paper_world import PaperWorld, do, make_paper_world
from tests.maintenance.reports.test_slot_map_paper import text_of

LINE = "Registered in Brinehaven, no. 77"


@pytest.fixture
def paper_world(db: Any) -> PaperWorld:
    return make_paper_world()


def letterhead() -> None:
    out = BytesIO()
    Image.new("RGB", (320, 100), "navy").save(out, "PNG")
    Firm.objects.update(paper_note=LINE, logo=out.getvalue(), logo_media_type="image/png")


def issue(world: PaperWorld) -> IssuedReport:
    return do(ask_for_service_report(visit=world.visit, by=world.by, at=factories.NOW, what_changed="letterhead"))


def n_pictures(content: bytes) -> int:
    with pikepdf.open(BytesIO(content)) as pdf:
        # Pages may share one list of resources, so that each seems to show the picture.
        return len({picture.objgen for page in pdf.pages for picture in page.images.values()})


def test_picture_and_line_stand_on_the_report_and_nothing_of_them_without(paper_world: PaperWorld) -> None:
    bare = bytes(issue(paper_world).content)
    assert n_pictures(bare) == 0
    assert LINE not in text_of(bare)
    letterhead()
    dressed = bytes(issue(paper_world).content)
    assert n_pictures(dressed) == 1
    with pikepdf.open(BytesIO(dressed)) as pdf:
        n_pages = len(pdf.pages)
    assert text_of(dressed).count(LINE) == n_pages
    assert "Page 1 of" in text_of(dressed)


def test_a_firm_without_picture_and_line_gives_the_facts_of_older_papers(paper_world: PaperWorld) -> None:
    assert set(firm_facts(ensure_firm())) == {"name", "address", "phone", "email"}
    letterhead()
    facts = firm_facts(ensure_firm())
    assert facts["note"] == LINE
    assert facts["logo"].startswith("data:image/png;base64,")
