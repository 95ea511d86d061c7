"""Pages of recalls, as the office uses them."""

import re
from datetime import date, timedelta

import pytest
from django.urls import reverse

from devices.actions.batteries import fit_battery
from maintenance.actions.recall_states import follow_changes
from maintenance.actions.recalls import RecallPlan, open_recall
from maintenance.models import Recall, RecallItem, Round
from maintenance.rules.recalls import RecallFilter
from tests import factories
from tests.factories import NOW, TODAY

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]
NEW = "maintenance:recall_new"


def make_things(world):
    """Three of one lot in two receivers, one of them at the other customer's."""
    rows = []
    for slot, receiver, duty in (
        (2, world.own_receiver, "life_safety"),
        (3, world.own_receiver, "convenience"),
        (2, world.other_receiver, "security"),
    ):
        row = factories.make_registration(receiver, slot, duty=duty)
        factories.make_fitting(row.transmitter, lot="24A17")
        rows.append(row)
    return rows


@pytest.fixture
def things(world):
    return make_things(world)


def make_recall(world):
    plan = RecallPlan("Lot 24A17", "They leak.", TODAY + timedelta(days=28), RecallFilter(lots=("24A17",)))
    return open_recall(plan=plan, by=world.office, at=NOW, today=TODAY)


@pytest.fixture
def recall(world, things):
    return make_recall(world)


def asked(page):
    """Hidden fields of the form that opens a recall, as the browser would send them."""
    form = page.content.decode().split('aria-labelledby="open-head"')[1].split("</form>")[0]
    fields = dict(re.findall(r'name="([a-z_]+)" value="([^"]*)"', form))
    return {name: value for name, value in fields.items() if name != "csrfmiddlewaretoken"}


def text_of(page):
    return " ".join(re.sub(r"<[^>]+>", " ", page.content.decode()).split())


def test_a_preview_says_how_many_where_and_how_grave_and_writes_nothing(world, things):
    page = world.client("office").get(reverse(NEW), {"lots": "24a17, 24B02"})
    said = text_of(page)
    assert "3 transmitters at 2 sites; 1 on life safety." in said
    assert things[0].transmitter.serial in said
    assert "Open it for 3" in said
    assert not Recall.objects.exists()


def test_what_was_looked_at_is_opened_once_even_when_sent_twice(world, things):
    client = world.client("office")
    fields = asked(client.get(reverse(NEW), {"lots": "24A17"}))
    assert fields["title"] == "Lot 24A17"
    fields |= {"why": "They end after half their time."}
    first = client.post(reverse(NEW), fields)
    again = client.post(reverse(NEW), fields)
    assert (first.status_code, again.status_code) == (302, 302)
    recall = Recall.objects.get()
    assert first.url == again.url == recall.get_absolute_url()
    assert (recall.due_on, recall.items.count()) == (TODAY + timedelta(days=28), 3)


def test_a_list_that_has_changed_since_the_preview_is_shown_again(world, things):
    client = world.client("office")
    fields = asked(client.get(reverse(NEW), {"lots": "24A17"})) | {"why": "x"}
    late = factories.make_registration(world.own_receiver, 9)
    factories.make_fitting(late.transmitter, lot="24A17")
    page = client.post(reverse(NEW), fields)
    assert page.status_code == 422
    assert "4 now, and 3 when you looked" in text_of(page)
    assert client.post(reverse(NEW), asked(page) | {"why": "x"}).status_code == 302
    assert RecallItem.objects.count() == 4


@pytest.mark.parametrize(
    ("over", "words"),
    [
        ({"lots": ""}, "Name at least one lot"),
        ({"serial_from": "SK-9"}, "Name both ends"),
        ({"unknown_from": "2026-13-40", "unknown_to": "2026-01-01"}, "Enter a valid date"),
        ({"unknown_from": "0001-01-01", "unknown_to": "2026-01-01"}, "Give a day between 1990 and 2099"),
        ({"unknown_from": "2026-01-01", "unknown_to": "9999-12-31"}, "Give a day between 1990 and 2099"),
        ({"site": "Nowhere"}, "No site is called “Nowhere”"),
        ({"due_on": "2026-11-24"}, "That day is over"),
        ({"due_on": "2126-11-24"}, "Is the year right?"),
        ({"why": ""}, "This field is required"),
        ({"title": "x" * 121}, "at most 120 characters"),
        ({"transmitter_type": "99999999"}, "Select a valid choice"),
        ({"key": "no uuid"}, ""),
        ({"lots": "\x00"}, ""),
    ],
)
def test_bad_input_comes_back_with_its_reason_and_changes_nothing(world, things, over, words):
    client = world.client("office")
    fields = asked(client.get(reverse(NEW), {"lots": "24A17"})) | {"why": "They leak."}
    page = client.post(reverse(NEW), fields | over)
    assert page.status_code == 422
    assert words in text_of(page)
    assert not Recall.objects.exists()


@pytest.mark.parametrize(
    "query", [{"lots": "nobody's"}, {"serial_from": "A", "serial_to": "B"}, {"lots": "%"}, {"lots": "'; --"}]
)
def test_a_filter_that_names_nothing_says_so_and_offers_nothing_to_open(world, things, query):
    page = world.client("office").get(reverse(NEW), query)
    assert "No transmitter in service is like that." in text_of(page)
    assert "Open it for" not in text_of(page)


def test_the_page_of_a_recall_follows_what_happens(world, things, recall):
    client = world.client("office")
    assert "0 of 3 settled: 3 to do and in no round. 1 of what is left is on life safety." in text_of(
        client.get(recall.get_absolute_url())
    )
    fit_battery(transmitter=things[0].transmitter, battery_type=None, by=world.office, at=NOW, lot="26C01")
    follow_changes(at=NOW)
    item = RecallItem.objects.get(transmitter=things[1].transmitter)
    answer = client.post(
        reverse("maintenance:recall_item", args=[item.pk]), {"state": "not_affected", "note": "lot 25D03 on it"}
    )
    assert answer.status_code == 302
    said = text_of(client.get(recall.get_absolute_url()))
    assert "2 of 3 settled: 1 done, 1 looked at and not affected, 1 to do and in no round." in said
    assert "lot 25D03 on it" in said
    assert "26C01" not in said, "the list shows the cells that were recalled"


def test_a_refused_state_comes_back_with_its_reason(world, recall):
    item = recall.items.first()
    client, url = world.client("office"), reverse("maintenance:recall_item", args=[item.pk])
    assert client.post(url, {"state": "not_affected", "note": " "}).status_code == 422
    for state in ("", "done", "gone", "x"):
        assert client.post(url, {"state": state, "note": "seen"}).status_code == 422
    item.refresh_from_db()
    assert item.state == "open"


def test_what_was_seen_is_set_once_by_a_form_sent_twice_and_taken_back_only_by_its_own(world, recall):
    item = recall.items.first()
    client, url = world.client("office"), reverse("maintenance:recall_item", args=[item.pk])
    assert 'name="state" value="not_affected"' in client.get(url).content.decode()
    for note in ("lot 25D03 on it", "something else"):
        answer = client.post(url, {"state": "not_affected", "note": note}, follow=True)
        item.refresh_from_db()
        assert (item.state, item.note) == ("not_affected", "lot 25D03 on it")
    assert f"looked at, not affected already by {world.office.name}; nothing was changed" in text_of(answer)
    assert 'name="state" value="open"' in client.get(url).content.decode()
    for _ in range(2):
        answer = client.post(url, {"state": "open", "note": "the wrong one"}, follow=True)
        item.refresh_from_db()
        assert item.state == "open"
    assert "to do already; nothing was changed" in text_of(answer)
    # The cells are changed while somebody has the form open.
    RecallItem.objects.filter(pk=item.pk).update(state="done", state_at=NOW)
    late = client.post(url, {"state": "not_affected", "note": "seen"}, follow=True)
    assert "done" in text_of(late)
    item.refresh_from_db()
    assert item.state == "done"


def test_the_list_is_narrowed_by_state_site_and_words(world, things, recall):
    client = world.client("office")
    only = text_of(client.get(recall.get_absolute_url(), {"site": world.other_site.pk}))
    assert things[2].transmitter.serial in only
    assert things[0].transmitter.serial not in only
    assert things[0].transmitter.serial in text_of(
        client.get(recall.get_absolute_url(), {"q": things[0].transmitter.serial})
    )
    assert "Nothing on the list is like that" in text_of(client.get(recall.get_absolute_url(), {"state": "done"}))
    assert client.get(recall.get_absolute_url(), {"state": "x", "site": "y", "page": "z"}).status_code == 200


def test_sites_become_a_draft_that_counts_as_in_a_round(world, things, recall):
    client, url = world.client("office"), reverse("maintenance:recall_rounds", args=[recall.pk])
    page = client.get(url)
    assert page.content.decode().count('type="checkbox"') == 2
    fields = {
        "site": [world.own_site.pk, world.other_site.pk], "technician": world.technician.pk, "day": "2026-11-27",
        "starts": "08:30", "n_a_day": "8", "name": "Lot 24A17",
    }  # fmt: skip
    answer = client.post(url, fields)
    round = Round.objects.get()
    assert answer.url == round.get_absolute_url()
    assert "3 in a round" in text_of(client.get(recall.get_absolute_url()))
    table = client.get(reverse("maintenance:recall_csv", args=[recall.pk])).content.decode("utf-8-sig")
    assert table.count(",in a round,") == 3, "the table says what the page says"
    again = client.post(url, fields)
    assert again.status_code == 422
    assert "in a round already" in text_of(again)
    assert Round.objects.count() == 1


@pytest.mark.parametrize(
    ("over", "words"),
    [
        ({"site": []}, "Pick at least one site"),
        ({"site": ["424242"]}, "not one of the available choices"),
        ({"day": ""}, "A new round needs this"),
        ({"day": "2026-11-20"}, "That day is over"),
        ({"day": "0001-01-01"}, "That day is over"),
        ({"day": "9999-12-31", "n_a_day": "1", "site": "both"}, "Is the year right?"),
        ({"day": "2028-11-30"}, "Is the year right?"),
        ({"n_a_day": "0"}, "greater than or equal to 1"),
        ({"technician": "0"}, "Select a valid choice"),
    ],
)
def test_rounds_that_cannot_be_made_say_why(world, things, recall, over, words):
    client, url = world.client("office"), reverse("maintenance:recall_rounds", args=[recall.pk])
    fields = {
        "site": [world.own_site.pk], "technician": world.technician.pk, "day": "2026-11-27", "starts": "08:30",
        "n_a_day": "8", "name": "Lot 24A17",
    }  # fmt: skip
    if over.get("site") == "both":
        over = over | {"site": [world.own_site.pk, world.other_site.pk]}
    page = client.post(url, fields | over)
    assert page.status_code == 422
    assert words in text_of(page)
    assert not Round.objects.exists()


def test_sites_go_into_a_draft_that_is_there(world, things, recall):
    draft = factories.make_round(world.technician, state="draft", day=date(2026, 11, 30))
    url = reverse("maintenance:recall_rounds", args=[recall.pk])
    answer = world.client("office").post(url, {"site": [world.own_site.pk], "into": draft.pk})
    assert answer.url == draft.get_absolute_url()
    assert draft.visits.count() == 1


def test_what_comes_to_light_later_is_shown_and_added(world, things, recall):
    client, url = world.client("office"), reverse("maintenance:recall_add", args=[recall.pk])
    late = factories.make_registration(world.own_receiver, 9)
    factories.make_fitting(late.transmitter, lot="24A17")
    other = world.own_registration.transmitter
    assert "1 is like those recalled by now" in text_of(client.get(url))
    silent = client.post(url, {"matching": "on", "reason": " "})
    assert (silent.status_code, recall.items.count()) == (422, 3)
    assert "How they came to light: This field is required" in text_of(silent)
    why = {"reason": "found on the shelf list"}
    refused = client.post(url, {"serials": "SK-NOBODY"} | why)
    assert refused.status_code == 422
    assert "Not known: SK-NOBODY." in text_of(refused)
    assert client.post(url, {"matching": "on", "serials": f"{other.serial}\n"} | why).status_code == 302
    assert recall.items.count() == 5
    again = client.post(url, {"serials": other.serial} | why)
    assert again.status_code == 422
    assert "Nothing was added" in text_of(again)


def test_closing_asks_a_manager_for_a_reason_while_something_is_left(world, things, recall):
    url = reverse("maintenance:recall_close", args=[recall.pk])
    office = world.client("office").post(url, {"reason": "enough"}, follow=True)
    assert Recall.objects.open().exists()
    assert "only a manager may close it" in text_of(office)
    assert world.client("manager").post(url, {"reason": ""}).status_code == 422
    assert world.client("manager").post(url, {"reason": "opened by mistake"}).status_code == 302
    late = world.client("manager").post(url, {"reason": "again"})
    assert late.status_code == 422
    assert f"closed by {world.manager.name}" in text_of(late)
    said = text_of(world.client("office").get(recall.get_absolute_url()))
    assert "opened by mistake" in said
    assert "Pull into rounds" not in said
    assert "0 of 3 settled: closed with 3 left. 1 of what is left is on life safety." in said
    paper = text_of(world.client("office").get(reverse("maintenance:recall_print", args=[recall.pk])))
    assert "closed with 3 left" in paper


def test_who_may_not_close_is_told_why_and_sees_no_form(world, things, recall):
    url, words = reverse("maintenance:recall_close", args=[recall.pk]), "only a manager may close it"
    office, manager = world.client("office"), world.client("manager")
    answer = office.get(url, follow=True)
    assert answer.redirect_chain[0][0] == recall.get_absolute_url()
    assert "3 still to do: until all are settled only a manager may close it." in text_of(answer)
    page = office.get(recall.get_absolute_url())
    assert words in text_of(page)
    assert url not in page.content.decode()
    assert url in manager.get(recall.get_absolute_url()).content.decode()
    assert manager.get(url).status_code == 200
    recall.items.update(state="done", state_at=NOW)
    page = office.get(recall.get_absolute_url())
    assert words not in text_of(page)
    assert url in page.content.decode()
    assert office.get(url).status_code == 200


def test_forms_of_a_closed_recall_lead_back_to_it(world, recall):
    Recall.objects.filter(pk=recall.pk).update(closed_at=NOW, closed_by=world.manager)
    item = recall.items.first()
    for name, pk in (
        ("recall_close", recall.pk), ("recall_add", recall.pk), ("recall_rounds", recall.pk), ("recall_item", item.pk),
    ):  # fmt: skip
        answer = world.client("manager").get(reverse(f"maintenance:{name}", args=[pk]), follow=True)
        assert answer.redirect_chain == [(recall.get_absolute_url(), 302)], name
        assert "This recall is closed" in text_of(answer)
