"""Pages of sources, batches and what was set aside, as the office works with them."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.urls import reverse

from company.models import ChangeRow
from company.undo import undo
from devices.models import CheckInDay, IntakeBatch, IntakeSource, Receiver, SetAside, Transmitter
from tests import factories
from tests.conftest import World
from tests.devices.senders import Sender, row

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def sender(world: World) -> Sender:
    return Sender(world.own, site=world.own_site, late_after_s=3600)


def text(answer: Any) -> str:
    assert answer.status_code in (200, 422), answer.status_code
    return " ".join(answer.content.decode().split())


def url(name: str, *args: Any) -> str:
    return reverse(f"devices:{name}", args=args)


def rows_said(page: str) -> list[str]:
    """How many rows each unit of a list has."""
    return re.findall(r'data-label="Rows">(\d+)<', page)


def test_without_a_source_the_list_says_how_to_begin(world: World) -> None:
    page = text(world.client("office").get(url("source_list")))
    assert "Nothing hands over check-ins yet" in page
    assert url("source_new") in page


def test_a_source_is_added_and_changed_and_the_change_taken_back(world: World) -> None:
    client = world.client("office")
    given = {"name": "Gateway A", "kind": "api", "customer": world.own.pk, "per_minute": 60, "late_after_h": "1.5"}
    assert client.post(url("source_new"), given).status_code == 302
    source = IntakeSource.objects.get()
    assert (source.customer, source.per_minute, source.late_after_s) == (world.own, 60, 5400)
    edit = client.get(url("source_edit", source.pk)).context["form"].initial
    fields = {"name": "Gateway B", "per_minute": 90, "seen": edit["seen"], "note": ""}
    assert client.post(url("source_edit", source.pk), fields).status_code == 302
    source.refresh_from_db()
    assert (source.name, source.per_minute, source.late_after_s) == ("Gateway B", 90, None)
    undo(change=ChangeRow.objects.get(verb="change_source"), by=world.office, at=factories.NOW)
    source.refresh_from_db()
    assert (source.name, source.per_minute, source.late_after_s) == ("Gateway A", 60, 5400)


@pytest.mark.parametrize(
    ("over", "words"),
    [
        ({"name": ""}, "Give it a name"),
        ({"customer": ""}, "choose whose"),
        ({"per_minute": 0}, "1"),
        ({"late_after_h": "-1"}, "0.25"),
        ({"late_after_h": "nan"}, "number"),
        ({"site": "foreign"}, "another customer"),
        ({"kind": "panel"}, "valid choice"),
    ],
)
def test_a_source_that_cannot_be_is_told_why_and_nothing_is_written(
    world: World, over: dict[str, Any], words: str
) -> None:
    given = {"name": "Gateway A", "kind": "api", "customer": world.own.pk, "per_minute": 60} | over
    if given.get("site") == "foreign":
        given["site"] = world.other_site.pk
    answer = world.client("office").post(url("source_new"), given)
    assert answer.status_code == 422
    assert words in text(answer)
    assert not IntakeSource.objects.exists()


def test_two_sources_cannot_bear_one_name(world: World, sender: Sender) -> None:
    given = {"name": sender.source.name, "kind": "api", "customer": world.own.pk, "per_minute": 60}
    for name in (sender.source.name, sender.source.name.upper(), sender.source.name.swapcase()):
        page = text(world.client("office").post(url("source_new"), given | {"name": name}))
        assert "Another source has this name" in page, "Capitals tell no two names apart."
    other = IntakeSource.objects.create(name="Other", customer=world.own)
    seen = world.client("office").get(url("source_edit", other.pk)).context["form"].initial["seen"]
    fields = {"name": sender.source.name.upper(), "per_minute": 90, "seen": seen}
    assert "Another source has this name" in text(world.client("office").post(url("source_edit", other.pk), fields))
    assert IntakeSource.objects.count() == 2


def test_the_page_of_a_gateway_does_not_call_the_customer_optional(world: World) -> None:
    form = world.client("office").get(url("source_new"), {"kind": "api"}).context["form"]
    assert form.fields["customer"].required
    assert (
        not world.client("office").get(url("source_new"), {"kind": "file"}).context["form"].fields["customer"].required
    )


def test_a_site_alone_says_whose_gateway_it_is(world: World) -> None:
    given = {"name": "Gateway A", "kind": "api", "site": world.own_site.pk, "per_minute": 60}
    assert world.client("office").post(url("source_new"), given).status_code == 302
    assert IntakeSource.objects.get().customer == world.own


def test_no_form_of_sources_speaks_in_the_words_of_its_framework(world: World, sender: Sender) -> None:
    client = world.client("manager")
    pages = [
        client.post(url("source_new"), {"kind": "api", "per_minute": "x", "late_after_h": "x", "customer": "99999999"}),
        client.post(url("source_edit", sender.source.pk), {"per_minute": "0", "late_after_h": "99999"}),
        client.post(url("source_token", sender.source.pk), {"hours": "9999", "key": "x", "seen": "x"}),
        client.post(url("source_retire", sender.source.pk), {}),
        client.get(url("panel_new")),
    ]
    for page in pages:
        for words in ("This field", "Ensure this", "Enter a", "Select a valid choice", "---------"):
            assert words not in text(page), words


def test_an_overtaken_form_changes_nothing(world: World, sender: Sender) -> None:
    client = world.client("office")
    seen = client.get(url("source_edit", sender.source.pk)).context["form"].initial["seen"]
    fields = {"name": "Mine", "per_minute": 90, "seen": seen}
    assert client.post(url("source_edit", sender.source.pk), fields).status_code == 302
    assert "changed after you opened" in text(
        client.post(url("source_edit", sender.source.pk), fields | {"name": "Theirs"})
    )
    sender.source.refresh_from_db()
    assert sender.source.name == "Mine"


def test_a_manager_who_connects_a_gateway_is_led_on_to_its_token(world: World) -> None:
    given = {"name": "Gateway A", "kind": "api", "customer": world.own.pk, "per_minute": 60}
    answer = world.client("manager").post(url("source_new"), given)
    assert answer["Location"] == url("source_token", IntakeSource.objects.get().pk)


def test_the_page_of_an_event_log_source_leads_to_the_upload_for_it(world: World) -> None:
    source = IntakeSource.objects.create(name="Bay Monitoring", kind="file", customer=world.own)
    page = world.client("office").get(url("source_detail", source.pk)).content.decode()
    assert f"{url('event_file_new')}?source={source.pk}" in page


def test_the_page_of_a_source_says_how_it_does_and_how_to_connect(world: World, sender: Sender) -> None:
    client, page_url = world.client("office"), url("source_detail", sender.source.pk)
    before = text(client.get(page_url))
    assert "nothing came yet" in before
    assert "https://ledger.example.org/api/v1/checkins" in before
    assert "Authorization: Bearer TOKEN" in before, "The words for the programmer never hold the token itself."
    assert "/api/v1/openapi.json" in before
    assert "A manager makes" in before
    sender.post(rows=[row(), row("NOBODY-2")])
    after = text(client.get(page_url))
    assert "fresh" in after
    assert "2 set aside" in after
    assert f"…{sender.token[-4:]}" in after


def test_a_late_source_and_a_conflict_stand_out(world: World, sender: Sender) -> None:
    sender.post()
    sender.post(rows=[row("OTHER-1")])
    IntakeBatch.objects.update(received_at=factories.NOW.replace(hour=1))
    page = text(world.client("office").get(url("source_list")))
    assert "due--late" in page
    assert "1 conflict" in page
    assert "Let the sender use each id once" in text(
        world.client("office").get(url("batch_detail", IntakeBatch.objects.get().pk))
    )


def test_only_a_manager_ends_a_token_and_says_why(world: World, sender: Sender) -> None:
    end = url("source_revoke", sender.source.pk)
    assert world.client("office").get(end).status_code == 404
    client = world.client("manager")
    assert client.post(end, {"reason": ""}).status_code == 422
    assert client.post(end, {"reason": "It got about"}).status_code == 302
    sender.source.refresh_from_db()
    assert sender.source.token_sha256 == ""
    assert sender.post().status_code == 401


def test_a_retired_source_is_taken_into_use_again(world: World, sender: Sender) -> None:
    client = world.client("office")
    assert client.post(url("source_retire", sender.source.pk), {"reason": "moved"}).status_code == 302
    assert sender.post().status_code == 403
    client.post(url("source_reopen", sender.source.pk))
    assert sender.post().status_code == 200


def test_one_click_says_that_every_check_in_reaches_us(world: World, sender: Sender) -> None:
    Receiver.objects.filter(pk=world.own_receiver.pk).update(evidence="visits")
    sender.post(rows=[row(world.own_registration.transmitter.serial)], receiver=world.own_receiver.code)
    client = world.client("office")
    assert "still judged by visits only" in text(client.get(url("source_detail", sender.source.pk)))
    client.post(url("source_evidence", sender.source.pk, world.own_receiver.pk))
    world.own_receiver.refresh_from_db()
    assert world.own_receiver.evidence == "every"
    assert "still judged by visits only" not in text(client.get(url("source_detail", sender.source.pk)))
    other = url("source_evidence", sender.source.pk, world.other_receiver.pk)
    assert client.post(other).status_code == 404, "a receiver that it does not feed"


def test_the_ledger_is_narrowed_to_what_needs_a_look(world: World, sender: Sender) -> None:
    known = world.own_registration.transmitter.serial
    sender.post("fine", rows=[row(known)])
    sender.post("bad", rows=[row(known), row(known, kind="?")])
    client = world.client("office")
    everything = text(client.get(url("batch_list")))
    assert ">fine<" in everything
    assert ">bad<" in everything
    narrowed = text(client.get(url("batch_list"), {"show": "refused"}))
    assert ">bad<" in narrowed
    assert ">fine<" not in narrowed
    assert ">fine<" in text(client.get(url("batch_list"), {"q": "FIN"}))
    assert "No such batch" in text(client.get(url("batch_list"), {"source": "999"}))
    assert "Give one of the kinds of event" in text(
        client.get(url("batch_detail", IntakeBatch.objects.get(batch_id="bad").pk))
    )


def test_a_batch_that_was_taken_whole_says_so(world: World, sender: Sender) -> None:
    sender.post(rows=[row(world.own_registration.transmitter.serial)])
    assert "Every row was taken" in text(world.client("office").get(url("batch_detail", IntakeBatch.objects.get().pk)))


def test_the_page_of_a_batch_reads_its_answer_once_however_many_events_are_set_aside(
    world: World, sender: Sender, django_assert_max_num_queries: Any
) -> None:
    """The answer names each of them: of five thousand it would be read five thousand times."""
    sender.post(rows=[row("NOBODY-1"), row("NOBODY-2")])
    client, address = world.client("office"), url("batch_detail", IntakeBatch.objects.get().pk)
    with django_assert_max_num_queries(60) as asked:
        page = text(client.get(address))
    assert "NOBODY-2" in page
    assert sum('"devices_intakebatch"."answer"' in one["sql"] for one in asked) == 1


def test_what_is_set_aside_stands_by_serial_with_what_looks_like_it(world: World, sender: Sender) -> None:
    Transmitter.objects.filter(pk=world.own_registration.transmitter_id).update(serial="4F-10273")
    sender.post(rows=[row("4F-10278"), row("4F-10278", kind="low_battery"), row("ZZ-1")])
    page = text(world.client("office").get(url("set_aside_list")))
    assert page.count("> 4F-10278 </a>") == 1
    assert rows_said(page) == ["1", "2"], "the last heard stands first"
    assert ">4F-10273</a>" in page
    assert "nothing on record" in page
    assert "low battery" in page


def _where_buttons_lead(client: Any, page: str) -> dict[str, int]:
    """Address → status of every link of a page that asks for the slot of a receiver."""
    ways = set(re.findall(r'href="(/receivers/[^"]+)"', page))
    return {way: client.get(way).status_code for way in ways}


@pytest.mark.parametrize(("slot", "said"), [(64, "Register"), (999, "This receiver has 64 slots"), (1, "To the slot")])
def test_an_event_of_a_slot_names_its_site_and_leads_to_where_something_can_be_done(
    world: World, sender: Sender, slot: int, said: str
) -> None:
    receiver = world.own_receiver
    assert receiver.n_slots == 64
    batch = IntakeBatch.objects.create(source=sender.source, batch_id="b-1", sha256="0" * 64, received_at=factories.NOW)
    event = SetAside.objects.create(
        batch=batch, customer=world.own, receiver=receiver, slot=slot, kind="missing", at=factories.NOW, event={},
        why=f"Slot {slot} of this receiver is spare. Enter what stands there.",
    )  # fmt: skip
    client = world.client("office")
    for address in (url("set_aside_list"), url("set_aside_detail", event.pk)):
        page = text(client.get(address))
        assert f"{receiver.site.name}, {receiver.label}" in page
        ways = _where_buttons_lead(client, page)
        assert ways
        assert set(ways.values()) == {200}
        assert (url("slot_register", receiver.pk, slot) in ways) == (slot == 64)
        assert (slot == 999) == ("is spare. Enter what stands there." not in page)
    assert said in text(client.get(url("set_aside_list")))


def test_an_event_of_a_receiver_that_was_taken_down_says_so(world: World, sender: Sender) -> None:
    receiver = world.own_receiver
    batch = IntakeBatch.objects.create(source=sender.source, batch_id="b-1", sha256="0" * 64, received_at=factories.NOW)
    SetAside.objects.create(
        batch=batch, customer=world.own, receiver=receiver, slot=64, kind="missing", at=factories.NOW, event={}, why="x"
    )
    Receiver.objects.filter(pk=receiver.pk).update(removed_at=factories.NOW)
    page = text(world.client("office").get(url("set_aside_list")))
    assert "This receiver was taken down" in page
    assert url("slot_register", receiver.pk, 64) not in page


def test_a_unit_is_adopted_with_one_click_and_what_it_said_counts(world: World, sender: Sender) -> None:
    sender.post(rows=[row("4F-10278"), row("4F-10278", kind="activation")])
    newest = SetAside.objects.order_by("-pk")[0]
    client = world.client("office")
    assert client.post(url("set_aside_adopt", newest.pk)).status_code == 302
    unit = Transmitter.objects.get(serial="4F-10278")
    assert unit.customer == world.own
    assert CheckInDay.objects.get(transmitter_id=unit.pk).activations == 1
    page = text(client.get(url("set_aside_detail", newest.pk)))
    assert "in no slot" in page
    assert "adopted" in page
    assert "Nothing is set aside" in text(client.get(url("set_aside_list")))


def test_after_adopting_the_form_of_the_slot_knows_the_serial(world: World, sender: Sender) -> None:
    sender.post(rows=[row("4F-10278")], receiver=world.own_receiver.code)
    newest, client = SetAside.objects.get(), world.client("office")
    client.post(url("set_aside_adopt", newest.pk))
    way = url("register_next", world.own_receiver.pk) + "?serial=4F-10278"
    assert way in text(client.get(url("set_aside_detail", newest.pk)))
    form = client.get(way, follow=True)
    assert 'value="4F-10278"' in text(form)


def test_an_event_of_a_known_unit_under_a_wrong_serial_is_counted_there(world: World, sender: Sender) -> None:
    unit = world.own_registration.transmitter
    Transmitter.objects.filter(pk=unit.pk).update(serial="4F-10273")
    sender.post(rows=[row("4F-10278")])
    event = SetAside.objects.get()
    world.client("office").post(url("set_aside_adopt", event.pk), {"transmitter": unit.pk})
    assert CheckInDay.objects.get().transmitter_id == unit.pk
    assert not Transmitter.objects.filter(serial="4F-10278").exists()
    foreign = {"transmitter": world.other_registration.transmitter_id}
    assert world.client("office").post(url("set_aside_adopt", event.pk), foreign).status_code == 404


def test_a_dismissed_unit_waits_no_more_and_says_so_when_heard_again(world: World, sender: Sender) -> None:
    sender.post(rows=[row("NEIGHBOUR-1")])
    event, client = SetAside.objects.get(), world.client("office")
    dismiss = url("set_aside_dismiss", event.pk)
    assert client.post(dismiss, {"reason": "", "newest": event.pk}).status_code == 422
    assert client.post(dismiss, {"reason": "the neighbour’s", "newest": event.pk}).status_code == 302
    assert "Nothing is set aside" in text(client.get(url("set_aside_list")))
    sender.post("b-2", rows=[row("NEIGHBOUR-1")])
    assert "Nothing is set aside" in text(client.get(url("set_aside_list")))
    assert "NEIGHBOUR-1" in text(client.get(url("set_aside_list"), {"show": "again"}))
    undo(change=ChangeRow.objects.get(verb="dismiss_set_aside"), by=world.office, at=factories.NOW)
    assert rows_said(text(client.get(url("set_aside_list")))) == ["2"]


def test_what_came_after_the_page_was_drawn_is_not_dismissed_with_it(world: World, sender: Sender) -> None:
    sender.post(rows=[row("4F-1")])
    event = SetAside.objects.get()
    sender.post("b-2", rows=[row("4F-1", kind="tamper")])
    world.client("office").post(url("set_aside_dismiss", event.pk), {"reason": "seen", "newest": event.pk})
    assert [one.kind for one in SetAside.objects.open()] == ["tamper"]
