"""Forms of slots, cells and receivers: what they record, what they refuse, what a second click does."""

import re
from datetime import timedelta

import pytest
from django.urls import reverse

from company.models import ChangeRow
from devices.models import Away, Fitting, Output, Receiver, Registration
from tests.devices.test_pages import slot_map, text
from tests.factories import NOW, TODAY, battery_type, make_receiver, make_transmitter, receiver_type, transmitter_type

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def frozen(time_machine):
    time_machine.move_to(NOW, tick=False)


@pytest.fixture
def office(world):
    return world.client("office")


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
    again = register(office, world.own_receiver)
    assert again.status_code == 422
    assert "Changed meanwhile" in text(again)
    assert world.office.name in text(again)
    assert Registration.objects.filter(transmitter__serial="SK-70001").count() == 1


def test_what_was_typed_on_an_overtaken_form_can_still_be_saved(world, office):
    assert register(office, world.own_receiver).status_code == 302
    row = Registration.objects.get(transmitter__serial="SK-70001")
    url = reverse("devices:slot_change", args=[row.receiver_id, row.slot])
    assert office.post(url, settings(label="Room 5, window side", version="2")).status_code == 302
    mine = settings(label="Room 5, door side", version="2")
    answer = office.post(url, mine)
    assert answer.status_code == 422
    assert "Room 5, door side" in text(answer)
    (version,) = re.findall(r'name="version" value="(\d+)"', text(answer))
    assert office.post(url, mine | {"version": version}).status_code == 302
    assert Registration.objects.open().get(slot=5, receiver=row.receiver).label == "Room 5, door side"


def test_another_name_for_a_slot_that_waits_is_no_new_set_up(world, office, time_machine):
    said = "The set-up on the transmitter changed"
    row = world.own_registration
    url = reverse("devices:slot_change", args=[row.receiver_id, row.slot])

    def save(**over):
        version = str(Receiver.objects.get(pk=row.receiver_id).version)
        return text(office.post(url, settings(version=version, **over), follow=True))

    assert said in save(contact="nc")
    assert said not in save(contact="nc", label="Room 5, window side")
    time_machine.move_to(NOW + timedelta(hours=1), tick=False)
    assert said in save(contact="no", label="Room 5, window side")


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


@pytest.mark.parametrize(
    ("field", "day"),
    [
        ("installed_on", "0001-01-01"),
        ("installed_on", "2099-01-01"),
        ("standby_fitted_on", "1850-01-01"),
        ("loan_until", "0001-01-01"),
    ],
)
def test_a_receiver_s_day_that_an_import_would_refuse_is_refused_here_too(world, field, day):
    url = reverse("devices:receiver_edit", args=[world.own_receiver.pk])
    answer = world.client("manager").post(url, {field: day, "reason": "typed in passing"})
    assert answer.status_code == 422
    assert "Check the year." in text(answer)
