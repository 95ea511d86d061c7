"""Pages of receivers, slots and transmitters: what they show, what they refuse, who sees nothing."""

import re
from datetime import timedelta

import pytest
from django.urls import reverse

from company.models import ChangeRow
from devices.models import Away, Fault, Fitting, Output, Receiver, Registration
from maintenance.models import DueItem
from tests.factories import (
    NOW,
    TODAY,
    battery_type,
    make_fitting,
    make_output,
    make_receiver,
    make_registration,
    make_transmitter,
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


# --- reading ------------------------------------------------------------------------------------------------------------


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
    assert "1 of 2 heard by 10:00, the last delivery" in text(slot_map(office, world.own_receiver))
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
    page = text(slot_map(office, world.own_receiver))
    assert f"low battery, {row.label}, since 14 November" in page
    assert "<b>low battery, since 14 November</b>" in page
    assert "<b>tamper, since 14 November, not yet cleared at the receiver</b>" in page
    assert "<b>Fault: low battery</b>" in page
    assert '<a href="#findings">2 faults reported' in page
    assert "missing, since" not in page
    assert "Fault: low battery, since 14 November." in text(office.get(slot))
    said = text(office.get(heard))
    assert "low battery, since 14 November" in said
    assert "no fault reported" not in said
    assert "low battery, since" not in text(slot_map(office, world.own_receiver, on=TODAY - timedelta(days=1)))
    client = world.client("own_user")
    assert f"low battery, {row.label}, since 14 November" in text(client.get("/portal/"))
    assert "<b>low battery, since 14 November</b>" in text(client.get(f"/portal/receivers/{world.own_receiver.code}/"))


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


# --- writing ------------------------------------------------------------------------------------------------------------


def settings(**over):
    fields = {
        "label": "Room 5", "area": "", "duty": "life_safety", "window": "14400", "interval_s": "3600", "contact": "no",
        "input_number": "1", "note": "", "reason": "new resident", "at": "", "version": "1",
    }  # fmt: skip
    return fields | over


def register(client, receiver, slot=5, **over):
    url = reverse("devices:slot_register", args=[receiver.pk, slot])
    return client.post(url, settings(serial="SK-70001", type=transmitter_type().pk, **over))


def test_a_transmitter_is_registered_from_the_page(world, office):
    answer = register(office, world.own_receiver, output_1="momentary", seconds_1="5")
    assert answer.status_code == 302
    row = Registration.objects.get(receiver=world.own_receiver, slot=5)
    assert (row.transmitter.serial, row.label, row.window_s, row.registered_at) == ("SK-70001", "Room 5", 14400, NOW)
    assert [(use.behaviour, use.seconds) for use in row.outputs.all()] == [("momentary", 5)]


def test_a_double_click_registers_once_and_shows_what_happened(world, office):
    assert register(office, world.own_receiver).status_code == 302
    again = register(office, world.own_receiver, slot=6)
    assert again.status_code == 422
    assert "Changed meanwhile" in text(again)
    assert world.office.name in text(again)
    assert Registration.objects.filter(transmitter__serial="SK-70001").count() == 1


def test_a_form_without_a_version_is_stale(world, office):
    assert register(office, world.own_receiver, version="").status_code == 422


@pytest.mark.parametrize(
    ("over", "words"),
    [
        ({"reason": ""}, "This field is required"),
        ({"label": ""}, "This field is required"),
        ({"window": "7200"}, "Select a valid choice"),
        ({"window": "3600", "interval_s": "7200"}, "missing although it works"),
        ({"interval_s": "NaN"}, "Enter a whole number"),
        ({"interval_s": "-5"}, "greater than or equal to 1"),
        ({"output_1": "momentary"}, "for how many seconds"),
        ({"output_1": "momentary", "seconds_1": "nan"}, "Enter a number"),
        ({"output_1": "follower", "seconds_1": "5"}, "Seconds only go with"),
        ({"input_number": "9"}, "no input 9"),
        ({"at": "2099-01-01T00:00"}, "not come yet"),
        ({"at": "1900-01-01T00:00"}, "before 1990"),
        ({"at": "soon"}, "valid date/time"),
        ({"duty": "fun"}, "Select a valid choice"),
    ],
)
def test_bad_input_comes_back_with_its_reason_and_nothing_is_written(world, office, over, words):
    answer = register(office, world.own_receiver, **over)
    assert answer.status_code == 422
    assert words in text(answer)
    assert Registration.objects.filter(receiver=world.own_receiver).count() == 1
    assert not ChangeRow.objects.exists()


def test_a_transmitter_of_somebody_else_is_refused(world, office):
    url = reverse("devices:slot_register", args=[world.own_receiver.pk, 5])
    answer = office.post(url, settings(serial=world.other_registration.transmitter.serial))
    assert answer.status_code == 422
    assert Registration.objects.filter(receiver=world.own_receiver).count() == 1


def test_a_typed_time_is_the_sites_own(world, office):
    world.own_site.time_zone = "America/New_York"
    world.own_site.save()
    assert register(office, world.own_receiver, at="2026-11-25T04:30").status_code == 302
    row = Registration.objects.get(receiver=world.own_receiver, slot=5)
    assert row.registered_at == NOW - timedelta(minutes=30)


def test_a_slot_form_begins_with_what_is_set(world, office):
    page = text(office.get(reverse("devices:slot_change", args=[world.own_receiver.pk, 1])))
    assert '<option value="14400" selected>missing after 4 h</option>' in page
    assert '<option value="latching" selected>' in page
    assert "serial" not in page.split("<form", 3)[-1].split('name="label"')[0]


def test_a_changed_slot_keeps_its_past(world, office):
    url = reverse("devices:slot_change", args=[world.own_receiver.pk, 1])
    answer = office.post(url, settings(label="Room 1", contact="nc", output_1="follower"))
    assert answer.status_code == 302
    old, new = Registration.objects.filter(receiver=world.own_receiver, slot=1).order_by("pk")
    assert (old.removed_at, new.contact, new.register_again_since) == (NOW, "nc", NOW)
    page = text(office.get(new.get_absolute_url()))
    assert "It is registered again" in page
    office.post(reverse("devices:slot_registered", args=[world.own_receiver.pk, 1]))
    new.refresh_from_db()
    assert new.register_again_since is None


def test_a_transmitter_moves_in_two_steps(world, office):
    target = make_receiver(world.own_site)
    url = reverse("devices:slot_move", args=[world.own_receiver.pk, 1])
    assert "To receiver" in text(office.get(url))
    second = office.get(url, {"to_receiver": target.pk, "to_slot": 7})
    assert "slot 7" in text(second)
    answer = office.post(url, settings(to_receiver=target.pk, to_slot=7))
    assert answer.status_code == 302
    assert Registration.objects.open().get(receiver=target).slot == 7
    assert not Registration.objects.open().filter(receiver=world.own_receiver).exists()


def test_a_move_to_another_customers_receiver_is_not_offered(world, office):
    url = reverse("devices:slot_move", args=[world.own_receiver.pk, 1])
    answer = office.get(url, {"to_receiver": world.other_receiver.pk, "to_slot": 7})
    assert answer.status_code == 422


def test_a_removed_transmitter_is_put_back(world, office):
    slot = [world.own_receiver.pk, 1]
    assert office.post(reverse("devices:slot_remove", args=slot), {"reason": "x", "version": 1}).status_code == 302
    url = reverse("devices:slot_put_back", args=[*slot, world.own_registration.pk])
    assert office.post(url, {"reason": "slip", "version": 2}).status_code == 302
    assert (
        Registration.objects.open().get(receiver=world.own_receiver).transmitter == world.own_registration.transmitter
    )


def test_new_cells_are_recorded_once_however_often_the_button_is_pressed(world, office):
    url = reverse("devices:battery_fit", args=[world.own_registration.transmitter_id])
    data = {
        "battery_type": battery_type().pk, "n_cells": "1", "lot": "03/2026", "removed_why": "low_battery",
        "removed_v": "2.4", "reason": "battery changed", "version": "1",
    }  # fmt: skip
    assert office.post(url, data).status_code == 302
    assert office.post(url, data).status_code == 422
    world.own_fitting.refresh_from_db()
    assert (world.own_fitting.removed_why, world.own_fitting.removed_v) == ("low_battery", 2.4)
    assert Fitting.objects.open().get(transmitter=world.own_registration.transmitter).lot == "03/2026"


def test_cells_of_the_wrong_type_are_recorded_with_a_warning(world, office):
    other = battery_type("cr2032", iec_code="CR2032", label="CR2032 coin cell")
    url = reverse("devices:battery_fit", args=[world.own_registration.transmitter_id])
    data = {"battery_type": other.pk, "n_cells": "1", "removed_why": "preventive", "reason": "x", "version": "1"}
    assert "takes CR2450; you recorded CR2032" in text(office.post(url, data, follow=True))


def test_a_transmitter_in_no_slot_takes_cells_too(world, office):
    loose = make_transmitter(world.own)
    url = reverse("devices:battery_fit", args=[loose.pk])
    assert office.post(url, {"n_cells": "1", "is_age_unknown": "on", "reason": "found"}).status_code == 302
    assert Fitting.objects.get(transmitter=loose).fitted_at is None
    assert office.post(
        reverse("devices:battery_remove", args=[loose.pk]), {"removed_why": "leaked", "reason": "x"}
    ).status_code in (302, 422)


def test_an_absence_comes_and_goes(world, office):
    slot = [world.own_receiver.pk, 1]
    data = {
        "reason": "hospital", "from_on": "2026-11-25", "agreed_until_on": "2026-12-01", "agreed_with": "ward", "version": 1,
    }  # fmt: skip
    assert (
        office.post(reverse("devices:slot_away", args=slot), data | {"agreed_until_on": "2026-11-01"}).status_code
        == 422
    )
    assert office.post(reverse("devices:slot_away", args=slot), data).status_code == 302
    assert "away until 1 December" in text(slot_map(office, world.own_receiver))
    assert (
        office.post(reverse("devices:slot_back", args=slot), {"ended_on": "2026-11-25", "version": 2}).status_code
        == 302
    )
    assert Away.objects.get().ended_on == TODAY
    assert office.get(reverse("devices:slot_back", args=slot)).status_code == 404


def receiver_fields(**over):
    return {
        "label": "R9",
        "type": receiver_type().pk,
        "n_slots": "",
        "evidence": "visits",
        "reason": "installed",
    } | over


def test_a_receiver_is_added_to_a_site_with_its_outputs(world, office):
    url = reverse("devices:receiver_new", args=[world.own_site.pk])
    assert office.post(url, receiver_fields()).status_code == 302
    receiver = Receiver.objects.get(label="R9")
    assert (receiver.n_slots, receiver.customer, receiver.outputs.count()) == (64, world.own, 4)


@pytest.mark.parametrize(
    ("over", "words"),
    [
        ({"type": "", "n_slots": ""}, "Count the slots"),
        ({"n_slots": "0"}, "1 to 1024 slots"),
        ({"n_slots": "1025"}, "1 to 1024 slots"),
        ({"supply_v": "nan"}, "Enter a number"),
        ({"supply_v": "-12"}, "cannot be"),
        ({"measured_on": "2099-01-01"}, "has not come yet"),
        ({"label": ""}, "This field is required"),
    ],
)
def test_a_receiver_that_cannot_be_is_refused(world, office, over, words):
    answer = office.post(reverse("devices:receiver_new", args=[world.own_site.pk]), receiver_fields(**over))
    assert answer.status_code == 422
    assert words in text(answer)
    assert not Receiver.objects.filter(label="R9").exists()


def test_two_receivers_of_a_site_cannot_share_a_label(world, office):
    url = reverse("devices:receiver_new", args=[world.own_site.pk])
    answer = office.post(url, receiver_fields(label=world.own_receiver.label))
    assert answer.status_code == 422
    assert "Another receiver at this site has this label" in text(answer)


def test_an_output_is_edited_and_a_second_of_its_number_refused(world, office):
    url = reverse("devices:output_edit", args=[world.own_receiver.pk, 1])
    data = {"kind": "fault", "drives": "buzzer", "contact": "no", "rest": "released", "reason": "wired", "version": "1"}
    assert office.post(url, data).status_code == 302
    assert Output.objects.get(receiver=world.own_receiver).drives == "buzzer"
    new = office.post(
        reverse("devices:output_new", args=[world.own_receiver.pk]), data | {"number": "1", "version": "2"}
    )
    assert new.status_code == 422
    assert "on record already" in text(new)


def test_a_receiver_with_slots_in_use_is_not_taken_down(world, office):
    url = reverse("devices:receiver_remove", args=[world.own_receiver.pk])
    answer = office.post(url, {"reason": "burnt", "version": 1})
    assert answer.status_code == 422
    assert "still in use" in text(answer)


def test_a_technician_works_on_the_same_slots_in_the_phone_frame_under_tech(world):
    phone = world.client("technician")
    page = text(phone.get(reverse("devices:tech_slot_map", args=[world.own_receiver.pk])))
    assert "ph-top" in page
    assert "Room 1" in page
    assert f'href="/receivers/{world.own_receiver.pk}/slots' not in page
    assert f'href="/tech/receivers/{world.own_receiver.pk}/slots/1/"' in page
    url = reverse("devices:tech_slot_register", args=[world.own_receiver.pk, 5])
    answer = phone.post(url, settings(serial="SK-70001", type=transmitter_type().pk))
    assert answer.status_code == 302
    assert answer.url == f"/tech/receivers/{world.own_receiver.pk}/slots/5/?done=registered"
    slot = text(phone.get(answer.url))
    assert 'href="/receivers/' not in slot
    assert 'href="/transmitters/' not in slot


@pytest.mark.parametrize("name", ["receiver_edit", "receiver_remove", "receiver_log", "output_new"])
def test_a_technician_does_not_reach_what_is_the_offices(world, name):
    phone = world.client("technician")
    assert phone.get(reverse("devices:receiver_list")).status_code == 404
    assert phone.get(reverse(f"devices:{name}", args=[world.own_receiver.pk])).status_code == 404


@pytest.mark.parametrize(
    "name",
    [
        "slot_detail", "slot_change", "slot_move", "slot_remove", "slot_again", "slot_away",
    ],
)  # fmt: skip
def test_every_form_of_a_slot_opens_for_both(world, name):
    slot = [world.own_receiver.pk, 1]
    assert world.client("office").get(reverse(f"devices:{name}", args=slot)).status_code == 200
    assert world.client("technician").get(reverse(f"devices:tech_{name}", args=slot)).status_code == 200
    assert world.client("own_user").get(reverse(f"devices:{name}", args=slot)).status_code == 404


# --- queries ------------------------------------------------------------------------------------------------------------


def count(client, url):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    client.get(url)
    with CaptureQueriesContext(
        connection,
    ) as queries:
        assert client.get(url).status_code == 200
    return len(queries)


def fill(receiver, n):
    output = make_output(receiver, 3)
    for slot in range(10, 10 + n):
        row = make_registration(receiver, slot, outputs=[(output, "follower", None)])
        due(row, make_fitting(row.transmitter), slot)


@pytest.mark.parametrize("name", ["slot_map", "slot_heard"])
def test_a_page_of_one_receiver_takes_the_same_queries_for_1_and_50_slots(world, office, name):
    url = reverse(f"devices:{name}", args=[world.own_receiver.pk])
    before = count(office, url)
    fill(world.own_receiver, 50)
    assert count(office, url) == before


def test_the_panel_of_a_site_takes_the_same_queries_for_1_and_4_receivers(world, office):
    url = reverse("devices:site_receivers", args=[world.own_site.pk])
    Receiver.objects.filter(pk=world.own_receiver.pk).update(evidence="every")
    before = count(office, url)
    for _ in range(3):
        fill(make_receiver(world.own_site, evidence="every"), 3)
    assert count(office, url) == before


def test_the_list_takes_the_same_queries_for_3_and_23_receivers(world, office):
    url = reverse("devices:receiver_list")
    make_receiver(world.own_site)
    before = count(office, url)
    for _ in range(20):
        make_receiver(world.own_site)
    assert count(office, url) == before


def test_the_history_of_a_slot_takes_the_same_queries_however_long(world, office):
    url = world.own_registration.get_absolute_url()
    before = count(office, url)
    output = Output.objects.get(receiver=world.own_receiver)
    for back in range(1, 9):
        make_registration(
            world.own_receiver, 1, registered_at=NOW - timedelta(days=500 + back),
            removed_at=NOW - timedelta(days=500 + back - 1), outputs=[(output, "follower", None)],
            transmitter=world.own_registration.transmitter,
        )  # fmt: skip
    assert count(office, url) == before
