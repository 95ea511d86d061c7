"""Pages of receivers, slots and transmitters: what they show, and who sees nothing."""

import re
from datetime import timedelta

import pytest
from django.urls import reverse

from devices.models import Fault, Receiver, Registration
from maintenance.actions.findings import refresh_findings
from maintenance.models import DueItem
from tests.factories import (
    NOW,
    TODAY,
    battery_type,
    make_output,
    make_receiver,
    make_registration,
    receiver_type,
    transmitter_type,
)

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def frozen(time_machine):
    time_machine.move_to(NOW, tick=False)


@pytest.fixture
def office(world):
    return world.client("office")


def text(answer):
    return answer.content.decode()


def due(registration, fitting, days, **over):
    return DueItem.objects.create(
        customer=registration.customer, site=registration.site, fitting=fitting, receiver=registration.receiver,
        registration=registration, transmitter=registration.transmitter, duty=registration.duty, harm=0,
        due_on=TODAY + timedelta(days=days), reason="rated_life", model_version="1", as_of=TODAY, kind="cells", **over,
    )  # fmt: skip


def slot_map(client, receiver, **query):
    return client.get(reverse("devices:slot_map", args=[receiver.pk]), query)


def slots_shown(answer):
    """First slot of every cell of the grid, and the last one where it stands for a run of spare ones, else 0."""
    cells = re.findall(r'<li class="slot [^"]*" id="slot-(\d+)">.*?</li>', answer.content.decode(), flags=re.DOTALL)
    runs = dict(re.findall(r">(\d+)–(\d+) spare", answer.content.decode()))
    return [(int(first), int(runs.get(first, 0))) for first in cells]


def n_slots_shown(answer):
    return sum(1 + (last or first) - first for first, last in slots_shown(answer))


def test_a_run_of_spare_slots_is_one_line_that_offers_its_first(world, office):
    make_registration(world.own_receiver, 19)
    answer = slot_map(office, world.own_receiver)
    assert slots_shown(answer) == [(1, 0), (2, 18), (19, 0), (20, 64)]
    assert ">20–64 spare</a>" in text(answer)
    assert reverse("devices:slot_register", args=[world.own_receiver.pk, 20]) in text(answer)


def test_the_past_offers_no_change_and_keeps_its_day(world, office):
    day = TODAY - timedelta(days=1)
    page = text(slot_map(office, world.own_receiver, on=day))
    for words in ("Take the receiver down", "Add an output", ">edit<", "Lid label", "due in four weeks", "register in"):
        assert words not in page, words
    slot = reverse("devices:slot_detail", args=[world.own_receiver.pk, 1]) + f"?on={day}"
    assert slot in page
    past = text(office.get(slot))
    assert "You come from the slot map of" in past
    assert "Change the slot" not in past
    assert f"{reverse('devices:slot_map', args=[world.own_receiver.pk])}?on={day}" in past
    assert "in force then" in past


def test_a_sealed_unit_is_offered_no_new_cells(world, office):
    row = world.own_registration
    url = reverse("devices:slot_detail", args=[row.receiver_id, row.slot])
    assert "Change the cells" in text(office.get(url))
    kind = row.transmitter.type
    kind.welded_cell = True
    kind.save()
    page = text(office.get(url))
    assert "Change the cells" not in page
    assert "sealed: the whole unit is exchanged" in page


def test_the_catalogue_says_none_and_per_cent(world, office):
    receiver = receiver_type(has_standby_battery=False, standby_life_years=0)
    page = text(office.get(reverse("devices:receiver_type", args=[receiver.pk])))
    assert "0 years" not in page
    assert "momentary_default_s" not in page
    assert "Set time it comes with" in page
    battery = battery_type("per-cent-cell", self_discharge_per_year=0.015)
    assert "1.5 % a year" in text(office.get(reverse("devices:battery_type", args=[battery.pk])))


def test_a_slot_map_shows_taken_and_spare_slots_with_duty_window_and_due(world, office):
    due(world.own_registration, world.own_fitting, -12)
    page = text(slot_map(office, world.own_receiver))
    for words in ("Room 1", "missing after 4 h", "out 1", "life safety", "late 12 d", "1 of 64", "spare"):
        assert words in page
    assert "slot--grave" in page
    assert "stays on until cleared" in page


def test_a_late_convenience_slot_is_not_red(world, office):
    Registration.objects.filter(pk=world.own_registration.pk).update(duty="convenience")
    due(world.own_registration, world.own_fitting, -12)
    page = text(slot_map(office, world.own_receiver))
    assert "slot--late" in page
    assert "slot--grave" not in page


@pytest.mark.parametrize(
    ("show", "n"), [("all", 64), ("late", 1), ("soon", 0), ("spare", 63), ("person", 1), ("x", 64)]
)
def test_the_slots_shown_can_be_narrowed(world, office, show, n):
    due(world.own_registration, world.own_fitting, -1)
    refresh_findings(receivers=[world.own_receiver.pk])
    assert n_slots_shown(slot_map(office, world.own_receiver, show=show)) == n


def test_a_past_day_shows_what_stood_there_and_says_that_it_is_past(world, office):
    change_at = NOW - timedelta(days=10)
    old = world.own_registration
    old.removed_at = change_at
    old.save()
    make_registration(world.own_receiver, 1, label="Room 77", registered_at=change_at, transmitter=old.transmitter)
    now = text(slot_map(office, world.own_receiver))
    then = text(slot_map(office, world.own_receiver, on=str(TODAY - timedelta(days=11))))
    assert "Room 77" in now
    assert "looking at the past" not in now
    assert "Room 1<" in then
    assert "Room 77" not in then
    assert "looking at the past" in then
    assert "?on=2026-11-14" in then


@pytest.mark.parametrize("on", ["nonsense", "2099-01-01", "1899-12-31", "2026-02-30", ""])
def test_a_day_that_makes_no_sense_shows_today(world, office, on):
    answer = slot_map(office, world.own_receiver, on=on)
    assert answer.status_code == 200
    assert "looking at the past" not in text(answer)


def test_a_hostile_name_stays_text(world, office):
    Registration.objects.filter(pk=world.own_registration.pk).update(label="<script>alert(1)</script>")
    page = text(slot_map(office, world.own_receiver))
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert" in page


def test_a_formula_in_a_name_stays_text_in_the_csv(world, office):
    Registration.objects.filter(pk=world.own_registration.pk).update(label="=1+1")
    answer = office.get(reverse("devices:slot_map_csv", args=[world.own_receiver.pk]))
    lines = answer.content.decode("utf-8-sig").splitlines()
    assert len(lines) == 65
    assert ",=1+1" not in lines[1]
    assert "=1+1" in lines[1]


@pytest.mark.parametrize(
    ("evidence", "words"),
    [
        ("every", "Nothing has been received yet"),
        ("exceptions", "link was never tested"),
        ("visits", "Not yet visited"),
    ],
)
def test_the_sentence_obeys_the_evidence(world, office, evidence, words):
    Receiver.objects.filter(pk=world.own_receiver.pk).update(evidence=evidence)
    page = text(slot_map(office, world.own_receiver))
    assert words in page


def test_heard_counts_what_checked_in_within_its_window(world, office):
    from devices.models import CheckInDay

    Receiver.objects.filter(pk=world.own_receiver.pk).update(evidence="every", heard_until=NOW)
    second = make_registration(world.own_receiver, 2)
    for registration, back in ((world.own_registration, 0), (second, 1)):
        CheckInDay.objects.create(
            transmitter_id=registration.transmitter_id, day=TODAY - timedelta(days=back), last_heard_s=36000 - 900,
            customer_id=registration.customer_id, heard=3, expected=10,
        )  # fmt: skip
    assert "1 of 2 heard by 09:45, last delivery 10:00" in text(slot_map(office, world.own_receiver))
    heard = text(office.get(reverse("devices:slot_heard", args=[world.own_receiver.pk])))
    assert "heard 09:45" in heard
    assert "silent since 24 November, 09:45" in heard


def fault(registration, **over):
    row = registration
    given = {"kind": Fault.Kind.LOW_BATTERY, "raised_at": NOW - timedelta(days=11), "registration": row}
    return Fault.objects.create(
        customer=row.customer, site=row.site, receiver=row.receiver, transmitter=row.transmitter, **given | over
    )


def test_a_standing_fault_is_named_on_the_card_the_slot_page_and_among_the_findings(world, office):
    row = world.own_registration
    Receiver.objects.filter(pk=row.receiver_id).update(evidence="exceptions", link_tested_at=NOW)
    heard = reverse("devices:slot_heard", args=[row.receiver_id])
    slot = reverse("devices:slot_detail", args=[row.receiver_id, row.slot])
    assert "no fault reported" in text(office.get(heard))
    fault(row)
    fault(row, kind=Fault.Kind.TAMPER, cleared_at=NOW, is_latched=True)
    fault(row, kind=Fault.Kind.MISSING, cleared_at=NOW)
    refresh_findings(receivers=[row.receiver_id])
    page = text(slot_map(office, world.own_receiver))
    assert f"low battery, {row.label}, since 14 November" in page
    assert "<b>low battery, since 14 November</b>" in page
    assert "<b>tamper, since 14 November, not yet cleared at the receiver</b>" in page
    assert "<b>Low battery signalled on 14 November, and the cells are still in</b>" in page
    assert "<b>Fault: tamper, not yet cleared at the receiver</b>" in page
    link = page.partition('<a href="#findings">')[2].partition("</a>")[0]
    assert "2 faults reported" in link
    assert "<svg" in link, "the mark stands on the line of its words"
    assert "missing, since" not in page
    assert "Fault: low battery, since 14 November." in text(office.get(slot))
    said = text(office.get(heard))
    assert "low battery, since 14 November" in said
    assert "no fault reported" not in said
    assert "low battery, since" not in text(slot_map(office, world.own_receiver, on=TODAY - timedelta(days=1)))
    client = world.client("own_user")
    assert f"low battery, {row.label}, since 14 November" in text(client.get("/portal/"))
    assert "<b>low battery, since 14 November</b>" in text(client.get(f"/portal/receivers/{world.own_receiver.code}/"))


def test_a_silence_that_we_saw_ourselves_is_not_called_reported(world, office):
    row = world.own_registration
    Receiver.objects.filter(pk=row.receiver_id).update(evidence="every", heard_until=NOW)
    heard = reverse("devices:slot_heard", args=[row.receiver_id])
    standing = fault(row, kind=Fault.Kind.MISSING)
    assert "<b>reported missing</b>" in text(office.get(heard))
    Fault.objects.filter(pk=standing.pk).update(found_by=Fault.FoundBy.WATCH)
    said = text(office.get(heard))
    assert "reported missing" not in said
    assert "<b>never heard</b>" in said


def test_a_fault_output_is_driven_by_the_receivers_own_faults(world, office):
    make_output(world.own_receiver, 2, kind="fault")
    page = text(slot_map(office, world.own_receiver))
    assert "driven by the receiver's own faults" in page


def test_the_area_stands_on_the_card(world, office):
    Registration.objects.filter(pk=world.own_registration.pk).update(area="Second floor, east wing")
    assert "Second floor, east wing" in text(slot_map(office, world.own_receiver))


def test_the_heard_fragment_fills_the_cells_of_the_map(world, office):
    url = reverse("devices:slot_heard", args=[world.own_receiver.pk])
    fragment = text(office.get(url, headers={"HX-Request": "true"}))
    assert 'id="heard-1" hx-swap-oob="true"' in fragment
    assert "<html" not in fragment
    assert "<html" in text(office.get(url))


def test_findings_of_the_records_stand_on_the_page(world, office):
    refresh_findings(receivers=[world.own_receiver.pk])
    page = text(slot_map(office, world.own_receiver))
    assert "No walk test is on record" in page
    assert "nobody is named to clear it" in page


def test_a_receiver_without_a_type_shows_the_slots_counted(world, office):
    Receiver.objects.filter(pk=world.own_receiver.pk).update(type=None, n_slots=3)
    answer = slot_map(office, world.own_receiver)
    assert n_slots_shown(answer) == 3
    assert "type unknown" in text(answer)


@pytest.mark.parametrize(
    "name", ["slot_map", "slot_heard", "slot_map_csv", "receiver_edit", "receiver_remove", "receiver_log", "output_new"]
)
def test_customers_see_no_page_of_the_firm(world, name):
    url = reverse(f"devices:{name}", args=[world.own_receiver.pk])
    assert world.client("own_user").get(url).status_code == 404
    assert world.client("office").get(url).status_code == 200


def test_a_slot_that_the_receiver_does_not_have_is_not_found(world, office):
    assert office.get(reverse("devices:slot_detail", args=[world.own_receiver.pk, 65])).status_code == 404
    assert office.get(reverse("devices:slot_detail", args=[world.own_receiver.pk, 64])).status_code == 200


def test_a_slot_tells_its_history_with_who_and_why(world, office):
    url = reverse("devices:slot_remove", args=[world.own_receiver.pk, 1])
    office.post(url, {"reason": "resident moved out", "version": world.own_receiver.version})
    page = text(office.get(reverse("devices:slot_detail", args=[world.own_receiver.pk, 1])))
    assert "resident moved out" in page
    assert world.office.name in page
    assert world.own_registration.transmitter.serial in page
    assert "back</a>" in page


def test_receivers_are_found_by_site_serial_and_label(world, office):
    Receiver.objects.filter(pk=world.own_receiver.pk).update(serial="RX-777", label="Boiler house")
    for words in ("RX-777", "boiler", world.own_site.name, "Harbour"):
        answer = office.get(reverse("devices:receiver_list"), {"q": words})
        assert [row.pk for row in answer.context["page"]] == [world.own_receiver.pk], words
    assert "No receiver found" in text(office.get(reverse("devices:receiver_list"), {"q": "zzz"}))


def test_the_list_can_show_only_what_is_late(world, office):
    due(world.own_registration, world.own_fitting, -3)
    answer = office.get(reverse("devices:receiver_list"), {"show": "late"})
    assert [row.pk for row in answer.context["page"]] == [world.own_receiver.pk]
    assert "1 life safety late" in text(answer)


def test_a_transmitter_page_holds_all_its_slots_and_cells(world, office):
    registration = world.own_registration
    registration.removed_at = NOW - timedelta(days=5)
    registration.save()
    make_registration(
        world.own_receiver, 9, transmitter=registration.transmitter, registered_at=NOW - timedelta(days=5)
    )
    page = text(office.get(registration.transmitter.get_absolute_url()))
    for words in (registration.transmitter.serial, "slot 1<", "slot 9<", "1 × CR2450"):
        assert words in page


def test_the_site_panel_gives_each_receiver_its_sentence(world, office):
    make_receiver(world.own_site, label="Empty one")
    url = reverse("devices:site_receivers", args=[world.own_site.pk])
    panel = text(office.get(url, headers={"HX-Request": "true"}))
    assert 'id="receivers"' in panel
    assert "Not yet visited" in panel
    assert "No transmitter is registered" in panel
    assert "<html" not in panel


def test_the_catalogue_gives_a_source_beside_every_figure(world, office):
    kind = transmitter_type()
    kind.sources = {"sleep_ua": "typical, from memory"}
    kind.save()
    assert kind.label in text(office.get(reverse("devices:catalogue")))
    page = text(office.get(reverse("devices:transmitter_type", args=[kind.pk])))
    assert "typical, from memory" in page
    assert "3 µA" in page
    assert office.get(reverse("devices:transmitter_type", args=[0])).status_code == 404
    for name, row in (("battery", battery_type()), ("receiver", receiver_type())):
        assert office.get(reverse(f"devices:{name}_type", args=[row.pk])).status_code == 200
