"""What changed on a receiver or a site between two days, told slot by slot, on the page and in the file."""

from __future__ import annotations

import csv
import io
from dataclasses import replace as other

import pytest
from django.urls import reverse

from company.models import ChangeRow
from devices.actions.receivers import save_output
from devices.actions.slot_settings import settings_of
from devices.actions.slots import change_slot, move_transmitter, register_transmitter, remove_transmitter
from tests import factories
from tests.conftest import World
from tests.devices.test_history_pages import DAY, changed, text
from tests.factories import NOW

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def diff_page(world: World, query: str = "", who: str = "office", name: str = "receiver_changes") -> str:
    place = "tech_" if who == "technician" else ""
    key = world.own_site.pk if name == "site_changes" else world.own_receiver.pk
    return text(world.client(who).get(reverse(f"devices:{place}{name}", args=[key]) + query))


def test_what_changed_is_told_slot_by_slot_with_who_and_why(world: World) -> None:
    changed(world)
    register_transmitter(
        receiver=world.own_receiver, slot=4, transmitter=factories.make_transmitter(world.own, serial="SK-44444"),
        settings=other(settings_of(world.own_registration), label="Room 4"), by=world.office, at=NOW - DAY,
        reason="new resident",
    )  # fmt: skip
    page = diff_page(world)
    assert "From the end of 26 Oct 2026 to the end of 25 Nov 2026" in page
    assert "1 slot filled" in page
    assert "1 slot changed" in page
    assert "Supervision: missing after 4 h → missing after 60 min" in page
    assert "23 Nov 2026, 10:00, Ingrid Okafor: slot changed shorter" in page
    assert "Serial: SK-44444" in page
    assert f"{world.office.name}: transmitter registered new resident" in page


def test_days_outside_are_not_told(world: World) -> None:
    changed(world)
    page = diff_page(world, "?from=2026-11-24&to=2026-11-25")
    assert "Nothing is different" in page
    assert "shorter" not in page


def test_a_removal_and_a_move_are_told_as_such(world: World) -> None:
    two = factories.make_registration(world.own_receiver, 2)
    remove_transmitter(registration=world.own_registration, by=world.office, at=NOW - DAY, reason="broken")
    move_transmitter(
        registration=two, to_receiver=world.own_receiver, to_slot=8, settings=settings_of(two), by=world.office,
        at=NOW - DAY, reason="other wing",
    )  # fmt: skip
    page = diff_page(world)
    assert "2 slots emptied" in page
    assert f"{two.transmitter} moved to slot 8" in page
    assert f"{two.transmitter} came from slot 2" in page
    assert page.count("other wing") == 2


def test_changes_of_outputs_and_of_the_receiver_are_told_too(world: World) -> None:
    output = world.own_receiver.outputs.get()
    output.drives = "siren in the yard"
    save_output(output=output, by=world.office, at=NOW - DAY, reason="rewired")
    page = diff_page(world)
    assert "output saved" in page
    assert "drives: call lamp → siren in the yard" in page
    assert "rewired" in page


def test_what_was_changed_and_changed_back_leaves_no_difference_but_is_counted(world: World) -> None:
    new = changed(world)
    change_slot(
        registration=new, settings=settings_of(world.own_registration), by=world.office, at=NOW - DAY, reason="back"
    )
    output = world.own_receiver.outputs.get()
    save_output(output=output, by=world.office, at=NOW - DAY, reason="looked at")
    assert "2 more changes in these days left nothing different" in diff_page(world)


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("?from=rubbish", "is no day"), ("?to=2027-01-01", "is no day from"),
        ("?from=2026-11-20&to=2026-11-01", "exchange them"), ("?from=0001-01-01", "is no day"),
    ],
)  # fmt: skip
def test_days_that_make_no_sense_are_refused_in_words(world: World, query: str, words: str) -> None:
    url = reverse("devices:receiver_changes", args=[world.own_receiver.pk])
    answer = world.client("office").get(url + query)
    assert answer.status_code == 422
    assert words in answer.content.decode()
    file = world.client("office").get(reverse("devices:receiver_changes_csv", args=[world.own_receiver.pk]) + query)
    assert file.status_code == 400


def test_a_site_tells_of_all_its_receivers_and_of_no_other_site(world: World) -> None:
    changed(world)
    second = factories.make_receiver(world.own_site, label="Annexe")
    factories.make_registration(second, 3, registered_at=NOW - DAY)
    factories.make_registration(world.other_receiver, 3, registered_at=NOW - DAY, label="Foreign room")
    page = diff_page(world, name="site_changes")
    assert "Annexe" in page
    assert world.own_receiver.label in page
    assert "Foreign room" not in page


def test_a_row_of_the_log_that_names_only_the_registration_is_found_too(world: World) -> None:
    new = changed(world)
    row = ChangeRow.objects.get(subject_id=new.pk)
    ChangeRow.objects.filter(pk=row.pk).update(after={"window_s": 3600})
    assert "Ingrid Okafor: slot changed shorter" in diff_page(world)


def test_a_technician_reads_the_same_in_the_phone_frame(world: World) -> None:
    changed(world)
    assert "Supervision: missing after 4 h → missing after 60 min" in diff_page(world, who="technician")


def test_the_file_holds_every_line_with_its_author(world: World) -> None:
    changed(world)
    for name, key in (("receiver_changes_csv", world.own_receiver.pk), ("site_changes_csv", world.own_site.pk)):
        answer = world.client("office").get(reverse(f"devices:{name}", args=[key]))
        header, *lines = csv.reader(io.StringIO(answer.content.decode("utf-8-sig")))
        assert header[:3] == ["Receiver", "Slot", "What happened"]
        assert lines == [
            [world.own_receiver.label, "1", "changed", "Supervision", "missing after 4 h", "missing after 60 min", "Ingrid Okafor",
             "2026-11-23 10:00", "shorter"],
        ]  # fmt: skip
