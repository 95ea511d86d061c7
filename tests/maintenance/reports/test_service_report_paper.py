"""The service report: every recorded thing on paper, numbers without gaps, revisions that point back."""

from __future__ import annotations

import csv
import io
from datetime import date
from typing import Any

import pikepdf
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from company.actions import ensure_firm
from company.jobs import run, run_ready
from company.models import Job
from devices.models import Fitting
from maintenance.actions.reports import (
    NothingChanged,
    ReasonMissing,
    VisitNotFinished,
    ask_for_service_report,
    release_to_portal,
)
from maintenance.models import DueItem, Entry, IssuedReport
from maintenance.querysets.reports import PaperIsIssued
from maintenance.reports import report_of
from maintenance.reports.base import make
from maintenance.reports.service_report import DISPOSAL, gather, load, months_later, signature_svg, summary_words
from tests import factories
from tests.maintenance.reports.paper_world import PaperWorld, change_cells, do, make_paper_world, record
from tests.maintenance.reports.test_slot_map_paper import HOSTILE, text_of

pytestmark = pytest.mark.django_db
NOW = factories.NOW


def issue(world: PaperWorld, what_changed: str = "") -> IssuedReport:
    return do(ask_for_service_report(visit=world.visit, by=world.by, at=NOW, what_changed=what_changed))


@pytest.fixture
def paper_world(db: Any) -> PaperWorld:
    return make_paper_world()


def test_it_holds_what_was_entered_on_the_visit(paper_world: PaperWorld) -> None:
    text = text_of(bytes(issue(paper_world).content))
    for words in (
        "Lantern House", "3 Net Lane, Brinehaven", "Morag Teal, 01632 960 001", "24 November 2026, 09:05",
        "24 November 2026, 10:15", "Ines Okoro", "planned round", "Morag Teal and the day nurse", "24 November 2026, 09:08",
        "24 November 2026, 10:11", "heard at the output, margin 23 dB", "NOT heard at the output", "lot L-26-11",
        "low-battery signal", "2.41 V", "12.1 V", "cells at their end", "Resident asleep, agreed with the nurse.",
        "1 of 2 heard", "The lid of the meter cupboard sticks.", "Signed for the customer: Morag Teal", "Estates desk",
        "low battery at R1, slot 1 (Room 1), raised 15 November 2026, 09:05", "Ada Brook",
        "Left open: 1 transmitter not heard at the output; 1 thing not done.",
    ):  # fmt: skip
        assert words in text.replace("- ", "-"), words
    assert DISPOSAL in text
    assert paper_world.rows[0].transmitter.serial in text
    assert "CR2450 1" in text


def test_times_are_those_of_the_site() -> None:
    site = factories.make_site(time_zone="Asia/Tokyo")
    text = text_of(bytes(issue(make_paper_world(site)).content))
    assert "24 November 2026, 18:05" in text
    assert "09:05" not in text


def test_the_rows_are_attached_as_a_table_guarded_against_formulas(paper_world: PaperWorld) -> None:
    row = paper_world.rows[0]
    row.label, row.area = HOSTILE[1], "+44 area"
    row.save()
    report = issue(paper_world)
    with pikepdf.open(io.BytesIO(bytes(report.content))) as pdf:
        assert list(pdf.attachments) == [f"{report.number}-r1-slots.csv"]
        body = pdf.attachments[f"{report.number}-r1-slots.csv"].get_file().read_bytes()
        assert [str(item.AFRelationship) for item in pdf.Root.AF] == ["/Data"]
        assert len(pdf.Root.OutputIntents) == 1
        assert pdf.Root.MarkInfo.Marked
    table = list(csv.DictReader(io.StringIO(body.decode("utf-8-sig"))))
    assert [line["Slot"] for line in table] == ["1", "2", "3"]
    assert table[0]["Place"] == "'" + HOSTILE[1]
    assert table[0]["Area"] == "'+44 area"
    assert table[0]["Margin [dB]"] == "23"
    assert table[1]["Heard at the output"] == "no"
    for line in table:
        for cell in line.values():
            assert not cell.startswith(("=", "+", "-", "@", "\t")), cell


def test_hostile_names_stay_words(paper_world: PaperWorld) -> None:
    visit = paper_world.visit
    visit.site.name, visit.remark, visit.signed_name = HOSTILE[0], HOSTILE[2], HOSTILE[3]
    visit.site.save()
    visit.save()
    record(visit, "note", 20, paper_world.rows[0], text=HOSTILE[3])
    text = "".join(text_of(bytes(issue(paper_world).content)).split())
    for name in (HOSTILE[0], HOSTILE[2], HOSTILE[3]):
        assert "".join(name.split()) in text


@pytest.mark.parametrize(
    "path", ["M1 1L2 2</path><script>", "M0 0 A 1 1 0 0 0 2 2", "url(http://127.0.0.1)", "M1 1L2", "x" * 9000]
)
def test_a_signature_that_is_no_drawing_is_left_out(path: str) -> None:
    assert signature_svg(path, "A") == ""


def test_a_signature_is_drawn_with_the_signers_name_as_its_text() -> None:
    svg = signature_svg("M10 40L20 12L30 44M40 40L60 30", "<Morag>")
    assert '<path d="M10 40 L20 12 L30 44 M40 40 L60 30"/>' in svg
    assert "<title>Signature of &lt;Morag&gt;</title>" in svg


def test_a_refused_signature_is_said() -> None:
    world = make_paper_world(signed_name="", signature_path="", refused_why="Nobody there any more")
    assert "Signature refused: Nobody there any more" in text_of(bytes(issue(world).content))


def test_only_a_finished_visit_is_reported() -> None:
    world = make_paper_world(state="open", finished_at=None, finished_by=None)
    with pytest.raises(VisitNotFinished):
        ask_for_service_report(visit=world.visit, by=world.by, at=NOW)
    assert not Job.objects.exists()


def test_asking_twice_makes_one_paper(paper_world: PaperWorld) -> None:
    jobs = [ask_for_service_report(visit=paper_world.visit, by=paper_world.by, at=NOW) for _ in range(2)]
    assert jobs[0] == jobs[1]
    run_ready()
    assert IssuedReport.objects.count() == 1


def test_a_job_that_runs_twice_makes_one_paper(paper_world: PaperWorld) -> None:
    job = ask_for_service_report(visit=paper_world.visit, by=paper_world.by, at=NOW)
    report = do(job)
    Job.objects.filter(pk=job.pk).update(state="waiting")
    run(job.pk)
    assert IssuedReport.objects.get().pk == report.pk


def test_a_correction_is_a_new_revision_that_points_at_the_old_one(paper_world: PaperWorld) -> None:
    first = issue(paper_world)
    before = bytes(IssuedReport.objects.get(pk=first.pk).content)
    with pytest.raises(ReasonMissing):
        ask_for_service_report(visit=paper_world.visit, by=paper_world.by, at=NOW)
    with pytest.raises(NothingChanged):
        ask_for_service_report(visit=paper_world.visit, by=paper_world.by, at=NOW, what_changed="a whim")
    paper_world.visit.remark = "The lid was mended."
    paper_world.visit.save()
    second = issue(paper_world, "Remark corrected")
    assert (second.number, second.revision, second.what_changed) == (first.number, 2, "Remark corrected")
    text = text_of(bytes(second.content))
    assert f"Revision 2 takes the place of revision 1 of {first.number}. What changed: Remark corrected" in text
    assert "The lid was mended." in text
    assert bytes(IssuedReport.objects.get(pk=first.pk).content) == before


def test_a_corrected_entry_counts_as_it_was_corrected(paper_world: PaperWorld) -> None:
    wrong = Entry.objects.get(kind="walk_test", registration=paper_world.rows[1])
    Entry.objects.filter(pk=wrong.pk).update(is_withdrawn=True)
    record(paper_world.visit, "walk_test", 18, paper_world.rows[1], heard=True, margin_db=9)
    text = text_of(bytes(issue(paper_world).content))
    assert "margin 9 dB" in text
    assert "NOT heard" not in text
    assert "2 of 2 heard" in text


def test_numbers_have_no_gap_though_another_paper_took_the_number_while_this_one_was_printed(
    paper_world: PaperWorld, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = make_paper_world(factories.make_site())
    job = ask_for_service_report(visit=paper_world.visit, by=paper_world.by, at=NOW)
    from maintenance.actions import reports

    turns = []

    def slow(*args: Any, **kwargs: Any) -> Any:
        # The real printing, with the other paper issued in the middle of the first turn.
        turns.append(args)
        printed = make(*args, **kwargs)
        if len(turns) == 1:
            issue(other)
        return printed

    monkeypatch.setattr(reports, "make", slow)
    report = do(job)
    numbers = list(IssuedReport.objects.order_by("number").values_list("number", flat=True))
    assert numbers == [f"SR-{report.issued_at.year}-0001", f"SR-{report.issued_at.year}-0002"]
    assert report.number.endswith("-0002")
    assert report.number in text_of(bytes(report.content))


def test_the_bytes_are_those_of_the_digest_and_of_the_kept_facts(paper_world: PaperWorld) -> None:
    report = IssuedReport.objects.get(pk=issue(paper_world).pk)
    printed = make(report_of("service_report"), report.data, issued_at=report.issued_at)
    assert printed.sha256 == report.sha256
    assert printed.content == bytes(report.content)


def test_no_read_of_papers_can_change_one(paper_world: PaperWorld) -> None:
    report = issue(paper_world)
    for fields in ({"content": b"x"}, {"sha256": "0"}, {"data": {}}, {"in_portal": True, "number": "SR-1"}):
        with pytest.raises(PaperIsIssued):
            IssuedReport.objects.filter(pk=report.pk).update(**fields)
    with pytest.raises(PaperIsIssued):
        IssuedReport.objects.all().delete()
    release_to_portal(report=report, is_shown=False, by=paper_world.by, at=NOW)
    kept = IssuedReport.objects.get(pk=report.pk)
    assert not kept.in_portal
    assert bytes(kept.content) == bytes(report.content)


def test_a_failed_job_is_tried_again_when_somebody_asks_again(paper_world: PaperWorld) -> None:
    job = ask_for_service_report(visit=paper_world.visit, by=paper_world.by, at=NOW)
    Job.objects.filter(pk=job.pk).update(state="failed", error="broker away")
    assert do(ask_for_service_report(visit=paper_world.visit, by=paper_world.by, at=NOW)).revision == 1


def test_cells_that_came_out_are_counted_by_code(paper_world: PaperWorld) -> None:
    change_cells(paper_world.visit, paper_world.rows[3], 30)
    content = issue(paper_world).data["content"]
    assert content["cells_removed"] == [{"code": "CR2450", "count": 2}]


def test_a_clean_visit_is_said_to_be_left_in_normal_state() -> None:
    content = {
        "slots": [{"heard": True}], "not_done": [], "faults_left": [],
        "receivers": [{"label": "R1", "is_worked": True, "cleared_at": "2026-11-24T10:00"}],
        "visit": {"on_test": "2026-11-24T09:00", "off_test": "2026-11-24T10:00"},
    }  # fmt: skip
    assert summary_words(content) == "Everything recorded on this visit was left in normal state."
    content["visit"] = {"on_test": "2026-11-24T09:00", "off_test": None}
    content["receivers"][0]["cleared_at"] = None  # type: ignore[index]
    assert summary_words(content) == (
        "Left open: not recorded as cleared: R1; the monitoring centre was not recorded as off test."
    )


def test_what_was_changed_and_not_walk_tested_opens_the_paper_and_is_listed(paper_world: PaperWorld) -> None:
    change_cells(paper_world.visit, paper_world.rows[3], 30)
    factories.make_registration(paper_world.receiver, 9, label="Porch", registered_at=paper_world.visit.arrived_at)
    report = issue(paper_world)
    text = text_of(bytes(report.content)).replace("- ", "-")
    assert (
        "Left open: 1 transmitter not heard at the output; 2 transmitters changed on this visit and not walk-tested since;"
    ) in text
    assert "R1, slot 4 (Room 4), life safety: cells changed on this visit" in text
    assert "R1, slot 9 (Porch), life safety: registered on this visit" in text
    assert "normal state" not in text


@pytest.mark.parametrize(
    ("day", "months", "later"),
    [
        ("2026-11-24", 12, "2027-11-24"),
        ("2024-02-29", 12, "2025-02-28"),
        ("2026-08-31", 6, "2027-02-28"),
        ("2026-11-30", 3, "2027-02-28"),
    ],
)
def test_months_end_on_the_last_day_there_is(day: str, months: int, later: str) -> None:

    assert months_later(date.fromisoformat(day), months).isoformat() == later


def test_gathering_takes_the_same_number_of_queries_for_many_slots() -> None:
    ensure_firm()
    counts = set()
    for n_slots in (4, 16):
        world = make_paper_world(factories.make_site(), n_slots=n_slots)
        for minute, row in enumerate(world.rows[3:], start=20):
            change_cells(world.visit, row, minute)
            record(world.visit, "walk_test", minute, row, heard=True)
        visit = load(world.visit.pk)
        with CaptureQueriesContext(connection) as found:
            gather(visit)
        counts.add(len(found))
    assert len(counts) == 1


def test_unknown_arguments_of_an_older_job_are_left_alone(paper_world: PaperWorld) -> None:
    job = ask_for_service_report(visit=paper_world.visit, by=paper_world.by, at=NOW)
    Job.objects.filter(pk=job.pk).update(args=job.args | {"colour": "blue"})
    job.refresh_from_db()
    assert do(job).revision == 1


def make_due(world: PaperWorld, slot: int, due_on: date) -> DueItem:
    row = world.rows[slot - 1]
    return DueItem.objects.create(
        customer=world.visit.customer, site=world.visit.site, kind="cells", receiver=world.receiver, registration=row,
        transmitter=row.transmitter, fitting=Fitting.objects.get(transmitter=row.transmitter, removed_at=None),
        duty="life_safety", harm=0, due_on=due_on, reason="risk", model_version="1", as_of=date(2026, 11, 24),
    )  # fmt: skip


def test_what_was_due_and_stayed_in_is_listed_and_nothing_is_called_normal(paper_world: PaperWorld) -> None:
    make_due(paper_world, 2, date(2026, 11, 24))
    make_due(paper_world, 3, date(2026, 10, 1))
    make_due(paper_world, 4, date(2026, 11, 25))
    report = issue(paper_world)
    content = report.data["content"]
    assert [(row["slot"], row["reason"]) for row in content["left_due"]] == [
        (3, "Resident asleep, agreed with the nurse."),
        (2, "no reason recorded"),
    ]
    text = text_of(bytes(report.content)).replace("- ", "-")
    assert "Left open: 2 things due and not changed" in text
    assert "slot 2 (Room 2), due 24 November 2026: no reason recorded" in text
    assert "1 of 2 heard, of 4 transmitters" in text
    assert "normal state" not in text


def test_cells_changed_on_the_visit_are_not_called_due(paper_world: PaperWorld) -> None:
    make_due(paper_world, 4, date(2026, 11, 1))
    change_cells(paper_world.visit, paper_world.rows[3], 40)
    assert gather(load(paper_world.visit.pk))["left_due"] == []


def test_cells_changed_after_the_visit_were_still_left_on_it(paper_world: PaperWorld) -> None:
    make_due(paper_world, 4, date(2026, 11, 1))
    change_cells(paper_world.visit, paper_world.rows[3], 60 * 48)
    assert [row["slot"] for row in gather(load(paper_world.visit.pk))["left_due"]] == [4]


def test_the_sentence_of_normal_state_is_not_said_while_something_is_due() -> None:
    content: dict[str, Any] = {
        "slots": [{"heard": True}], "not_done": [], "faults_left": [], "left_due": [{"duty": "security"}],
        "receivers": [], "visit": {"on_test": None, "off_test": None},
    }  # fmt: skip
    assert summary_words(content) == "Left open: 1 thing due and not changed."
