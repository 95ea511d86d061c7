"""An event log by keyboard: uploaded, understood, looked at, taken in; what nobody knows is adopted and registered."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from django.core.management import call_command
from playwright.sync_api import Locator

from devices.models import CheckInDay, Registration, SetAside, Transmitter
from tests import factories

YESTERDAY = datetime.now(UTC).replace(hour=6, minute=0, second=0, microsecond=0) - timedelta(days=1)
PRESSED = (0, 1, 5)


def log_file(path: Path, site: str, known: str) -> Path:
    """A monitoring centre's export: check-ins of one unit on record, calls of one that nobody knows."""
    lines = ["When;Where;Unit;What"]
    for hour in range(6):
        at = f"{YESTERDAY + timedelta(hours=hour):%Y-%m-%d %H:%M}"
        lines.append(f"{at};{site};{known};check-in")
        lines.append(f"{at};{site};ZZ-50001;{'call' if hour in PRESSED else 'check-in'}")
    path.write_text("\n".join(lines))
    return path


def enter(target: Locator) -> None:
    """Press what has the focus, as whoever uses no mouse does."""
    target.focus()
    target.press("Enter")


def test_a_log_is_taken_in_and_what_nobody_knows_is_adopted_and_registered_by_keyboard(
    visitor: Any, tmp_path: Any
) -> None:
    call_command("load_catalogue", verbosity=0)
    factories.make_manager(email="office@example.org")
    receiver = factories.make_receiver()
    known = factories.make_registration(receiver, 1).transmitter
    page = visitor("office@example.org").go("/check-ins/event-logs/")

    # Uploaded; nothing is written before the columns are looked at.
    enter(page.get_by_role("link", name="Upload", exact=False).first)
    page.locator("input[type=file]").set_input_files(log_file(tmp_path / "log.csv", receiver.site.name, known.serial))
    page.get_by_label("Name of a new source").press_sequentially("Bay Monitoring")
    enter(page.locator("main form button[type=submit]").first)

    # Understood: the words of the file, one of them not ours.
    enter(page.get_by_role("button", name="Go through the whole file"))
    take = page.get_by_role("button", name="Take it in")
    take.wait_for()
    assert "ZZ-50001" in page.locator("main").inner_text()
    assert not CheckInDay.objects.exists()
    enter(take)
    page.get_by_text("6 rows were taken in.").wait_for()
    assert CheckInDay.objects.get().heard == 6

    # Set aside: adopted for the customer whose it is.
    enter(page.get_by_role("link", name="Look at what was set aside"))
    enter(page.get_by_role("link", name="Say whose ZZ-50001 is"))
    page.get_by_label("Whose it is").select_option(label=receiver.customer.name)
    enter(page.get_by_role("button", name="Adopt it"))
    page.get_by_text("6 events are counted now.").first.wait_for()
    unit = Transmitter.objects.get(serial="ZZ-50001")
    assert CheckInDay.objects.get(transmitter_id=unit.pk).activations == len(PRESSED)
    assert not SetAside.objects.open().exists()

    # Registered from the day on which it was first heard.
    enter(page.get_by_role("link", name=f"In a slot of {receiver.label}", exact=False))
    page.get_by_label("Place").press_sequentially("Room 9")
    page.get_by_label("Supervision").select_option(index=1)
    page.get_by_label("Why", exact=True).press_sequentially("Heard, then found there.")
    assert page.get_by_label("When").input_value() == f"{YESTERDAY.astimezone(receiver.site.zone):%Y-%m-%d}T00:00"
    enter(page.get_by_role("button", name="Register it"))
    page.get_by_text("ZZ-50001 stands in slot 2.").first.wait_for()
    row = Registration.objects.get(transmitter=unit)
    assert row.registered_at <= YESTERDAY
