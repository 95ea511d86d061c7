"""The whole job in a real browser: workbook in → due → round → visit on a phone → report → the customer's download."""

from __future__ import annotations

import hashlib
import re
import subprocess
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import xlsxwriter
from django.core.management import call_command

from company.models import Customer, Job
from devices.models import Fitting, Registration
from maintenance.models import DueItem, Entry, IssuedReport, Visit
from tests import factories
from tests.browser.conftest import wait_until

LONG_AGO = date.today() - timedelta(days=6 * 365)
LATELY = date.today() - timedelta(days=40)


def workbook(path: Path) -> Path:
    """A small real workbook: one care home, one receiver, three slots, of which one holds cells long past their date."""
    book = xlsxwriter.Workbook(path)
    day = book.add_format({"num_format": "yyyy-mm-dd"})
    sheets: dict[str, list[list[Any]]] = {
        "customers": [["customer code", "name", "paper"], ["TARN", "Tarnwick House Trust", "A4"]],
        "sites": [
            ["site code", "customer code", "name", "kind", "town", "time zone", "person to meet"],
            ["TARN-1", "TARN", "Tarnwick House", "care home", "Port Skarrow", "Europe/London", "Sister Malin"],
        ],
        "receivers": [
            ["site code", "receiver", "receiver type code", "area", "evidence", "supply volts"],
            ["TARN-1", "Main receiver", "receiver-16", "Ground floor, office", "visits", 12],
        ],
        "outputs": [
            ["site code", "receiver", "output number", "kind", "drives"],
            ["TARN-1", "Main receiver", 1, "signal", "corridor sounder"],
            ["TARN-1", "Main receiver", 8, "fault", "fault lamp in the office"],
        ],
        "slots": [
            ["site code", "receiver", "slot", "transmitter serial", "transmitter type code", "label", "area",
             "duty class", "supervision window", "outputs", "registered on"],
            ["TARN-1", "Main receiver", 1, "SK-70001", "pendant-long", "Room 1 pendant", "First floor", "life safety", "4 h", "1 latching", LONG_AGO],
            ["TARN-1", "Main receiver", 2, "SK-70002", "pull-cord", "Room 1 bathroom", "First floor", "life safety", "4 h", "1 latching", LATELY],
            ["TARN-1", "Main receiver", 5, "SK-70003", "door-contact-long", "=Garden door", "Ground floor", "security", "4 h", "1 follower", LATELY],
        ],
        "fittings": [
            ["transmitter serial", "battery code", "fitted on"],
            ["SK-70001", "CR2450", LONG_AGO],
            ["SK-70002", "CR2450", LATELY],
            ["SK-70003", "CR17345", LATELY],
        ],
    }  # fmt: skip
    for name, rows in sheets.items():
        sheet = book.add_worksheet(name)
        for r, row in enumerate(rows):
            for c, value in enumerate(row):
                if isinstance(value, date):
                    sheet.write_datetime(r, c, value, day)
                elif isinstance(value, str):
                    sheet.write_string(r, c, value)
                else:
                    sheet.write(r, c, value)
    book.close()
    return path


def jobs_over() -> bool:
    return not Job.objects.filter(state__in=["waiting", "running"]).exists()


def test_from_the_workbook_to_the_customers_download(visitor, tmp_path):
    call_command("load_catalogue", verbosity=0)
    factories.make_manager(email="office@example.org", name="Mika Ferrier")
    technician = factories.make_user("technician", email="tech@example.org", name="Ines Galbraith")

    # The office brings its records in, and sees what would happen before anything is written.
    office = visitor("office@example.org")
    page = office.go("/import/")
    page.get_by_role("link", name=re.compile("Upload", re.I)).first.click()
    page.locator("input[type=file]").set_input_files(workbook(tmp_path / "records.xlsx"))
    page.get_by_role("button", name="Upload and look").click()
    page.get_by_role("button", name="Apply all of it").wait_for()
    assert not Customer.objects.exists()
    page.get_by_role("button", name="Apply all of it").click()
    page.get_by_text("Written:").first.wait_for()
    assert Registration.objects.open().count() == 3
    wait_until(lambda: DueItem.objects.open().filter(kind="cells").count() == 3 and jobs_over(), 30)

    # What is due, and why.
    page = office.go("/due/")
    page.get_by_text("Life safety late and in nobody's round").wait_for()
    assert "1 late, life safety" in page.locator("main").inner_text()
    due = DueItem.objects.get(fitting__transmitter__serial="SK-70001")
    office.go(f"/due/{due.pk}/")
    assert "Change" in page.locator("main").inner_text()
    assert page.locator("svg[role=img]").count() >= 1

    # The site goes onto the technician's day.
    page = office.go("/due/")
    page.get_by_role("link", name="Add Tarnwick House to a round").click()
    page.get_by_label("Name").fill("Hill road")
    page.get_by_label("Day", exact=True).fill(date.today().isoformat())
    page.get_by_label("Technician").select_option(label=technician.name)
    page.get_by_role("button", name="Plan this round").click()
    page.get_by_role("heading", name="Stops").wait_for()
    assert "CR2450" in page.locator("main").inner_text()
    page.get_by_role("button", name="Publish").click()
    asked = page.locator("dialog[open] button", has_text="Publish it")
    page.get_by_text(re.compile("published", re.I)).or_(asked).first.wait_for()
    if asked.count():
        asked.click()
    page.locator(".badge", has_text="published").first.wait_for()

    # The technician on a phone: start, on test, battery, walk test, note, last steps, finish.
    tech = visitor("tech@example.org", phone=True)
    page = tech.go("/tech/")
    page.get_by_role("link", name=re.compile("Tarnwick House")).first.click()
    page.get_by_role("button", name="I am here: start the visit").click()
    page.locator("summary", has_text="Put on test").click()
    page.get_by_label("Who was told").fill("Sister Malin")
    page.get_by_role("button", name="It is on test").click()
    page.locator(".test-box--on").wait_for()
    open_slot(page, "Room 1 pendant")
    page.locator("summary", has_text="Other cells, lot, why, volts").click()
    page.get_by_label("Lot or date code").fill("2631-B")
    page.get_by_label("Old set measured [V]").fill("2.71")
    page.get_by_role("button", name="Battery changed").click()
    wait_until(lambda: Entry.objects.filter(kind="battery").count() == 1, 15)
    show(page, "Done")
    open_slot(page, "Room 1 pendant")
    page.get_by_role("button", name="Walk test heard").click()
    wait_until(lambda: Entry.objects.filter(kind="walk_test").count() == 1, 15)
    show(page, "Last steps")
    page.get_by_label("Supply measured [V]").fill("12.4")
    page.get_by_role("button", name="Record the volts").click()
    wait_until(lambda: Entry.objects.filter(kind="volts").count() == 1, 15)
    page.get_by_text("Measure again").wait_for()
    page.get_by_label("Every cover is on").check()
    page.get_by_label("Every transmitter is in its place").check()
    page.get_by_role("button", name="Record it", exact=True).click()
    page.get_by_role("button", name="The receiver is cleared").click()
    wait_until(lambda: Entry.objects.filter(kind="cleared").count() == 1, 15)
    page.locator("summary", has_text="Put off test").click()
    page.get_by_label("Who was told").fill("Sister Malin again")
    page.get_by_role("button", name="It is off test").click()
    page.get_by_text("Off test since").wait_for()
    scroll = page.evaluate("() => document.scrollingElement.scrollWidth - innerWidth")
    assert scroll <= 0
    page.get_by_role("link", name="Finish and sign").click()
    page.get_by_label("Name of the person who signs").fill("Malin Strand")
    page.get_by_role("button", name="Finish the visit").click()
    wait_until(lambda: Visit.objects.filter(state="finished").count() == 1, 15)

    # The battery's date has moved, the old cells are history.
    new = Fitting.objects.get(transmitter__serial="SK-70001", removed_at=None)
    assert new.lot == "2631-B"
    wait_until(lambda: DueItem.objects.open().filter(fitting=new).exists(), 30)
    assert DueItem.objects.open().get(fitting=new).due_on > date.today() + timedelta(days=200)
    assert Fitting.objects.get(transmitter__serial="SK-70001", removed_at__isnull=False).removed_v == 2.71

    # The office issues the report.
    visit = Visit.objects.get()
    page = office.go(f"/visits/{visit.pk}/")
    page.get_by_role("button", name="Issue the report").click()
    wait_until(lambda: IssuedReport.objects.filter(kind="service_report").count() == 1, 60)
    report = IssuedReport.objects.get(kind="service_report")
    page = office.go(f"/reports/{report.pk}/")
    assert report.sha256 in page.locator("main").inner_text().replace("\n", "").replace(" ", "")
    text = pdf_text(bytes(report.content), tmp_path)
    for words in [
        "Tarnwick House", "Room 1 pendant", "SK-70001", "2631-B", "2.71", "12.4", "Malin Strand", "Ines Galbraith",
        "Sister Malin again", report.number,
    ]:  # fmt: skip
        assert words in text, words

    # The customer signs in and downloads the same bytes; another customer gets 404.
    customer = Customer.objects.get(code="TARN")
    factories.make_portal_user(customer, email="home@example.org", name="Home")
    factories.make_portal_user(factories.make_customer(), email="stranger@example.org", name="Stranger")
    home = visitor("home@example.org")
    page = home.page
    assert "Tarnwick House" in page.locator("main").inner_text()
    page = home.go("/portal/reports/")
    with page.expect_download() as waiting:
        page.get_by_role("link", name=f"Download {report.number}").first.click()
    downloaded = Path(waiting.value.path()).read_bytes()
    assert hashlib.sha256(downloaded).hexdigest() == report.sha256
    assert downloaded == bytes(report.content)
    stranger = visitor("stranger@example.org")
    for path in (
        f"/portal/reports/{report.uuid}/",
        f"/portal/reports/{report.uuid}/file/",
        f"/reports/{report.pk}/file/",
    ):
        answer = stranger.context.request.get(stranger.base + path)
        assert answer.status == 404, path
    assert "Tarnwick" not in stranger.go("/portal/").content()


def show(page: Any, name: str) -> None:
    """Turn to one of the sheet's views and wait until it is there."""
    page.get_by_role("link", name=re.compile(f"^{name}")).click()
    page.locator("a[aria-current=page]", has_text=name).wait_for()


def open_slot(page: Any, label: str) -> None:
    """Open a slot's card unless it is open already."""
    link = page.get_by_role("link", name=label)
    link.wait_for()
    if link.get_attribute("aria-expanded") != "true":
        link.click()
    page.locator(".slot--open").wait_for()


def pdf_text(content: bytes, folder: Path) -> str:
    """Text of a PDF as pdftotext reads it."""
    path = folder / "paper.pdf"
    path.write_bytes(content)
    return subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True).stdout
