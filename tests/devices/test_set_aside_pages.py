"""Pages of what nobody could place: what each line is, what may be done about it, and that it is done then."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.urls import reverse

from company import jobs
from company.models import Job
from devices.models import CheckInDay, IntakeSource, Receiver, Registration, SetAside, Transmitter
from devices.rules.events import Event
from tests.conftest import World
from tests.devices.intake.test_take_batch import make_source, send
from tests.factories import NOW

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

EARLIER = NOW - timedelta(days=3, hours=2)


def text(answer: Any) -> str:
    assert answer.status_code in (200, 422), answer.status_code
    return " ".join(answer.content.decode().split())


def plain(answer: Any) -> str:
    """What a person reads."""
    return " ".join(re.sub(r"<[^>]+>", " ", text(answer).split("<main")[1]).split())


def url(name: str, *args: Any) -> str:
    return reverse(f"devices:{name}", args=args)


def of_slot(slot: int | None, at: datetime = EARLIER, row: int = 1, **over: Any) -> Event:
    return Event(row, over.pop("kind", "check_in"), at, slot=slot, **over)


@pytest.fixture
def firm_wide(world: World) -> IntakeSource:
    """Logs of a monitoring centre: of all customers."""
    return make_source(kind="file")


def see(world: World, event: SetAside | None = None, **asked: Any) -> str:
    client = world.client("office")
    return plain(client.get(url("set_aside_detail", event.pk) if event else url("set_aside_list"), asked))


# --- one line for what is asked together ------------------------------------------------------------------------------


def test_a_unit_stands_once_however_it_is_spelt_and_is_known_by_any_of_them(world: World) -> None:
    source = make_source(world.own)
    for n, serial in enumerate(("AD-77001", "ad-77001", "AD77001")):
        send(source, Event(1, "check_in", NOW, serial), batch=f"b{n}")
    listed = see(world)
    assert "spelt AD-77001, AD77001, ad-77001" in listed
    assert SetAside.objects.values("unit").distinct().count() == 1
    newest = SetAside.objects.order_by("-pk")[0]
    assert "3 rows wait" in see(world, newest)
    world.client("office").post(url("set_aside_adopt", newest.pk))
    page = see(world, newest)
    assert "AD-77001 is on record, in no slot" in page
    assert "on record nowhere" not in page


def test_rows_are_counted_as_rows_not_as_times_heard(world: World) -> None:
    source = make_source(world.own, kind="file")
    for batch in ("b1", "b2"):
        send(source, Event(1, "activation", NOW, "ZZ-1"), batch=batch)
    listed = see(world)
    assert "times" not in listed
    assert "2 rows wait" in see(world, SetAside.objects.order_by("-pk")[0])


def test_a_slot_stands_with_its_receiver_and_site(world: World) -> None:
    send(make_source(world.own), of_slot(9), receiver=world.own_receiver)
    name = f"slot 9 of {world.own_site.name}, {world.own_receiver.label}"
    assert name in see(world)
    assert name in see(world, SetAside.objects.get())


def test_an_unknown_receiver_stands_with_its_name_and_slots_apart_from_others(world: World, firm_wide: Any) -> None:
    for name in ("9999", "8888"):
        send(firm_wide, of_slot(9, receiver=name), of_slot(4, receiver=name, row=2), batch=name)
    listed = see(world)
    assert "receiver “9999” slots 4, 9" in listed
    assert "receiver “8888” slots 4, 9" in listed
    assert "8888" not in see(world, q="9999")


def test_units_may_be_sought_by_serial_name_and_receiver(world: World, firm_wide: Any) -> None:
    send(firm_wide, Event(1, "check_in", NOW, "AD-77001"), of_slot(4, receiver="North gate", row=2))
    assert "AD-77001" in see(world, q="ad 77")
    assert "North gate" in see(world, q="north g")
    assert "No such unit" in see(world, q="77002")


# --- what may be done -------------------------------------------------------------------------------------------------


def test_a_slot_that_is_not_there_is_not_offered_to_be_registered(world: World) -> None:
    Receiver.objects.filter(pk=world.own_receiver.pk).update(n_slots=64)
    send(make_source(world.own), of_slot(999), receiver=world.own_receiver)
    event, client = SetAside.objects.get(), world.client("office")
    assert "has only 64 slots, so it has no slot 999" in see(world, event)
    for address in (url("set_aside_list"), url("set_aside_detail", event.pk)):
        assert url("slot_register", world.own_receiver.pk, 999) not in text(client.get(address))


def register(world: World, slot: int) -> Any:
    """Register as the page proposes it."""
    client = world.client("office")
    address = url("slot_register", world.own_receiver.pk, slot)
    form = client.get(address).context["form"]
    at = form.initial.get("at")
    given = {
        "serial": "NEW-1", "type": "unknown", "label": "Room 9", "duty": "convenience", "window": "0", "contact": "none",
        "input_number": 1, "reason": "Found there.", "version": form.initial["version"],
        "at": at.strftime("%Y-%m-%dT%H:%M") if at else "",
    }  # fmt: skip
    given["window"] = next(value for value, _ in form.fields["window"].choices if value)
    given["contact"] = next(value for value, _ in form.fields["contact"].choices if value)
    return client.post(address, given)


def test_a_slot_registered_as_proposed_has_its_events_counted(world: World) -> None:
    send(make_source(world.own), of_slot(9), of_slot(9, NOW, 2, kind="activation"), receiver=world.own_receiver)
    event, client = SetAside.objects.order_by("-pk")[0], world.client("office")
    form = text(client.get(url("slot_register", world.own_receiver.pk, 9)))
    assert "It was first heard on 22 Nov 2026. Only what came after the registration is counted" in form
    answer = register(world, 9)
    assert answer.status_code == 302, plain(answer)
    assert answer.url == url("set_aside_detail", event.pk), "the way on is to count them"
    page = see(world, event)
    assert "Slot 9 holds NEW-1" in page
    assert "spare" not in page.split("What it said")[0]
    assert "Register what stands" not in page
    client.post(url("set_aside_adopt", event.pk))
    assert sorted(CheckInDay.objects.filter(transmitter_id=Transmitter.objects.get(serial="NEW-1").pk).values_list(
        "heard", "activations")) == [(1, 0), (1, 1)]  # fmt: skip
    assert not SetAside.objects.open().exists()


def test_the_day_proposed_is_not_before_what_stood_there_last(world: World) -> None:
    world.own_registration.removed_at = NOW - timedelta(days=1)
    world.own_registration.removed_why = "Broken."
    world.own_registration.save()
    slot = world.own_registration.slot
    source = make_source(world.own)
    Registration.objects.filter(pk=world.own_registration.pk).update(registered_at=NOW - timedelta(days=2))
    send(source, of_slot(slot), receiver=world.own_receiver)
    form = world.client("office").get(url("slot_register", world.own_receiver.pk, slot)).context["form"]
    there = (NOW - timedelta(days=1)).astimezone(world.own_site.zone).replace(tzinfo=None)
    assert there <= form.initial["at"] <= there + timedelta(minutes=1)


def test_events_older_than_the_registration_say_so(world: World) -> None:
    Registration.objects.filter(pk=world.own_registration.pk).update(registered_at=NOW - timedelta(days=1))
    send(make_source(world.own), of_slot(world.own_registration.slot), receiver=world.own_receiver)
    page = see(world, SetAside.objects.get())
    assert "Rows from before that cannot be counted there: the first came on 22 Nov 2026" in page


def test_after_adopting_from_a_log_of_the_whole_firm_the_slot_is_asked(world: World, firm_wide: Any) -> None:
    send(firm_wide, Event(1, "check_in", EARLIER, "ZZ-50001"), receiver=world.own_receiver)
    event = SetAside.objects.get()
    SetAside.objects.update(customer=None)
    client = world.client("office")
    client.post(url("set_aside_adopt", event.pk), {"customer": world.own.pk})
    way = f"{url('register_next', world.own_receiver.pk)}?serial=ZZ-50001&since=2026-11-22"
    assert way in text(client.get(url("set_aside_detail", event.pk))).replace("&amp;", "&")
    form = client.get(way, follow=True).context["form"]
    assert str(form.initial["at"]).startswith("2026-11-22 00:00")


def test_a_wrong_serial_from_a_log_of_the_whole_firm_is_counted_where_it_belongs(world: World, firm_wide: Any) -> None:
    unit = world.own_registration.transmitter
    Transmitter.objects.filter(pk=unit.pk).update(serial="SK-02174")
    send(firm_wide, Event(1, "check_in", NOW, "SKX02174"))
    event = SetAside.objects.get()
    assert "It is SK-02174: count its events there" in see(world, event)
    world.client("office").post(url("set_aside_adopt", event.pk), {"transmitter": unit.pk})
    assert CheckInDay.objects.get().transmitter_id == unit.pk
    assert not SetAside.objects.open().exists()


def test_a_person_says_which_receiver_an_unknown_name_means(world: World, firm_wide: Any) -> None:
    slot = world.own_registration.slot
    send(firm_wide, of_slot(slot, receiver="9999"), of_slot(slot + 1, receiver="9999", row=2))
    event, client = SetAside.objects.order_by("pk")[0], world.client("office")
    page = see(world, event, find=world.own_site.name)
    assert "No receiver is known as “9999”, or several are." in page
    assert f"It is {world.own_receiver}" in page
    assert "Enter “9999” as its serial number" in page
    given = client.get(url("receiver_edit", world.own_receiver.pk), {"serial": "9999"})
    assert 'value="9999"' in text(given)
    client.post(url("set_aside_adopt", event.pk), {"receiver": world.own_receiver.pk})
    assert CheckInDay.objects.get().transmitter_id == world.own_registration.transmitter_id
    assert f"slot {slot + 1} of {world.own_site.name}, {world.own_receiver.label}" in see(world), (
        "what is left waits under its slot"
    )


def test_receivers_of_others_are_neither_offered_nor_taken(world: World) -> None:
    send(make_source(world.own, kind="file"), of_slot(1, receiver="9999"))
    event = SetAside.objects.get()
    assert "No receiver is found by these words" in see(world, event, find=world.other_site.name)
    answer = world.client("office").post(url("set_aside_adopt", event.pk), {"receiver": world.other_receiver.pk})
    assert answer.status_code == 404


def test_the_second_of_two_people_is_told_that_it_is_done(world: World) -> None:
    send(make_source(world.own), of_slot(9), receiver=world.own_receiver)
    SetAside.objects.update(dismissed_at=NOW, dismissed_why="seen")
    answer = world.client("office").post(url("set_aside_adopt", SetAside.objects.get().pk), follow=True)
    assert "These were counted or dismissed meanwhile" in text(answer)


def test_what_to_do_stands_before_the_events_and_the_heading_is_a_heading(world: World) -> None:
    send(make_source(world.own), Event(1, "check_in", NOW, "ZZ-1"))
    page = text(world.client("office").get(url("set_aside_detail", SetAside.objects.get().pk)))
    assert page.index("Adopt it") < page.index('id="h-events"')
    assert '<h1 class="num"' not in page, "the letters of figures are as small as text"


# --- very many of one unit --------------------------------------------------------------------------------------------


@pytest.fixture
def many(world: World, monkeypatch: pytest.MonkeyPatch) -> SetAside:
    """Four events of one serial where three are very many, and each is a part of its own."""
    for name in ("devices.actions.set_aside_later", "devices.views.set_aside"):
        monkeypatch.setattr(f"{name}.MOST_AT_ONCE", 3)
    monkeypatch.setattr("devices.actions.set_aside_later.PART_EVENTS", 1)
    source = make_source(world.own)
    for n in range(4):
        send(source, Event(1, "activation", EARLIER + timedelta(minutes=n), "AD-77001"), batch=f"b{n}")
    return SetAside.objects.latest("pk")


def test_very_many_are_counted_in_the_background_and_the_page_goes_on_by_itself(world: World, many: SetAside) -> None:
    client, address = world.client("office"), url("set_aside_detail", many.pk)
    assert "So many are counted in the background" in see(world, many)
    answer = client.post(url("set_aside_adopt", many.pk))
    assert (answer.status_code, answer["Location"]) == (302, address)
    whole = client.get(address)
    assert "Its events are about to be counted" in plain(whole)
    assert "AD-77001 is on record, in no slot" in plain(whole)
    assert "waits for a person" not in plain(whole)
    assert 'http-equiv="refresh"' in text(whole), "without JavaScript it is fetched again"
    assert url("set_aside_dismiss", many.pk) not in text(whole)
    asked_again = {"HTTP_HX_REQUEST": "true", "HTTP_HX_TARGET": "progress"}
    part = client.get(address, **asked_again)
    assert "<html" not in text(part)
    assert 'hx-trigger="every 1s"' in text(part)
    assert f'<a href="{address}">Look again</a>' in text(part)
    jobs.run_ready()
    over = client.get(address, **asked_again)
    assert over["HX-Refresh"] == "true", "once it is over, the whole page is wanted"
    done = plain(client.get(address))
    assert "4 events were counted" in done
    assert "about to be counted" not in done
    assert CheckInDay.objects.get().activations == 4


def test_how_far_it_is_stands_on_the_page(world: World, many: SetAside, monkeypatch: pytest.MonkeyPatch) -> None:
    client, seen = world.client("office"), []
    client.post(url("set_aside_adopt", many.pk))
    real = jobs.Handle.progress

    def looked_at(handle: jobs.Handle, done: int, total: int, words: str = "") -> None:
        real(handle, done, total, words)
        seen.append(re.findall(r"\d+ of \d+", see(world, many))[0])

    monkeypatch.setattr(jobs.Handle, "progress", looked_at)
    jobs.run_ready()
    assert seen == ["0 of 4", "1 of 4", "2 of 4", "3 of 4", "4 of 4"]


def test_the_list_says_what_is_being_counted_and_offers_nothing_else(world: World, many: SetAside) -> None:
    client = world.client("office")
    client.post(url("set_aside_adopt", many.pk))
    listed = text(client.get(url("set_aside_list")))
    assert "Being counted" in listed
    assert url("set_aside_adopt", many.pk) not in listed
    assert url("set_aside_dismiss", many.pk) not in listed


def test_two_clicks_meet_the_same_counting(world: World, many: SetAside) -> None:
    client = world.client("office")
    for _ in range(2):
        assert client.post(url("set_aside_adopt", many.pk)).status_code == 302
    assert Job.objects.count() == 1
    jobs.run_ready()
    assert CheckInDay.objects.get().activations == 4


def test_a_counting_that_broke_off_says_so_and_may_be_started_again(
    world: World, many: SetAside, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = world.client("office")
    client.post(url("set_aside_adopt", many.pk))
    with monkeypatch.context() as broken:
        broken.setattr("devices.actions.adoption.replay", lambda *_, **__: 1 / 0)
        for _ in range(3):
            Job.objects.update(not_before=NOW)
            jobs.run_ready()
    page = see(world, many)
    assert "Not all of its events were counted. The program met a fault, which was written down. Started again" in page
    assert "ZeroDivisionError" not in page
    client.post(url("set_aside_adopt", many.pk))
    jobs.run_ready()
    assert "4 events were counted" in see(world, many)
    assert CheckInDay.objects.get().activations == 4


def test_a_unit_that_is_being_counted_is_not_dismissed(world: World, many: SetAside) -> None:
    client = world.client("office")
    client.post(url("set_aside_adopt", many.pk))
    answer = client.post(url("set_aside_dismiss", many.pk), {"reason": "no", "newest": many.pk})
    assert answer.status_code == 422
    assert "Wait until that is over" in plain(answer)
