"""The change log's page, and taking a change back: what is offered, what is refused, and what it says afterwards."""

from __future__ import annotations

import uuid
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.urls import reverse

from company import change_words, undo
from company.actions import keep_upload, record_change
from company.actions.firm import firm_facts
from company.models import ChangeRow, Firm
from company.templatetags.changes import deed_lines
from tests import factories
from tests.conftest import World

NOW = factories.NOW


@pytest.fixture
def noted(monkeypatch: pytest.MonkeyPatch) -> list[ChangeRow]:
    """A verb that is undone by writing down that it was."""
    done: list[ChangeRow] = []
    monkeypatch.setattr(undo, "_HANDLERS", dict(undo._HANDLERS))

    @undo.undoes("paint_site")
    def unpaint(change: ChangeRow, *, by: Any, at: Any) -> undo.Undone:
        done.append(change)
        return undo.Undone(before=change.after, after=change.before)

    return done


def painted(world: World, **over: Any) -> ChangeRow:
    facts: dict[str, Any] = {
        "by": world.office, "at": NOW, "verb": "paint_site", "subject": world.own_site, "customer": world.own,
        "before": {"colour": "grey"}, "after": {"colour": "yellow"}, "reason": "so that it is found",
    }  # fmt: skip
    return record_change(**(facts | over))


def test_a_change_taken_back_stays_on_record_and_says_by_whom(world: World, noted: list[ChangeRow]) -> None:
    change = painted(world)
    back = undo.undo(change=change, by=world.manager, at=NOW + timedelta(minutes=3))
    assert noted == [change]
    assert (back.verb, back.undoes, back.by, back.after) == ("take_back", change, world.manager, {"colour": "grey"})
    shown = ChangeRow.objects.with_fate().get(pk=change.pk)
    assert (shown.undone_by_name, shown.undone_at) == (world.manager.name, NOW + timedelta(minutes=3))


def test_a_change_is_taken_back_once(world: World, noted: list[ChangeRow]) -> None:
    change = painted(world)
    undo.undo(change=change, by=world.office, at=NOW)
    with pytest.raises(undo.TakenBackAlready, match=world.office.name):
        undo.undo(change=change, by=world.manager, at=NOW)
    assert len(noted) == 1


def test_what_came_later_is_named_with_its_author(world: World, noted: list[ChangeRow]) -> None:
    change = painted(world)
    later = painted(world, by=world.manager, after={"colour": "red"})
    with pytest.raises(undo.ChangedAfter, match=world.manager.name) as why:
        undo.undo(change=change, by=world.office, at=NOW)
    assert why.value.changes == [later]
    assert not noted
    # Once the later one is taken back, the earlier one can go too: last in, first out.
    undo.undo(change=later, by=world.office, at=NOW)
    undo.undo(change=change, by=world.office, at=NOW)
    assert noted == [later, change]


def test_another_record_does_not_stand_in_the_way(world: World, noted: list[ChangeRow]) -> None:
    change = painted(world)
    painted(world, subject=world.other_site)
    assert undo.can_undo(change)
    undo.undo(change=change, by=world.office, at=NOW)
    assert not undo.can_undo(change)


def test_a_verb_nobody_can_undo_and_an_undo_are_refused(world: World, noted: list[ChangeRow]) -> None:
    with pytest.raises(undo.CannotUndo):
        undo.undo(change=painted(world, verb="save_nothing"), by=world.office, at=NOW)
    back = undo.undo(change=painted(world), by=world.office, at=NOW)
    with pytest.raises(undo.CannotUndo, match="itself"):
        undo.undo(change=back, by=world.office, at=NOW)


def test_what_was_changed_in_one_go_goes_back_in_one_go_or_not_at_all(world: World, noted: list[ChangeRow]) -> None:
    batch = uuid.uuid4()
    rows = [painted(world, subject=site, batch=batch) for site in (world.own_site, world.other_site)]
    painted(world, subject=world.other_site, by=world.manager)
    with pytest.raises(undo.ChangedAfter):
        undo.undo_batch(batch=batch, by=world.office, at=NOW)
    assert not ChangeRow.objects.filter(undoes__isnull=False).exists()
    ChangeRow.objects.filter(by=world.manager).delete()
    noted.clear()
    assert undo.undo_batch(batch=batch, by=world.office, at=NOW) == 2
    assert noted == rows[::-1]
    with pytest.raises(undo.TakenBackAlready):
        undo.undo_batch(batch=batch, by=world.office, at=NOW)


def test_a_verb_has_one_way_back() -> None:
    undo.undoes("paint_fence")(lambda change, *, by, at: None)
    again = undo.undoes("paint_fence")
    with pytest.raises(ValueError, match="paint_fence"):
        again(lambda change, *, by, at: None)
    del undo._HANDLERS["paint_fence"]


# ------------------------------------------------------------------------------------------------ the page


def test_the_page_says_who_changed_what_and_why(world: World) -> None:
    painted(world, verb="change_slot", before={"window_s": 14400}, after={"window_s": 3600, "version": 4})
    text = world.client("office").get(reverse("company:change_list")).content.decode()
    for words in (world.office.name, "Slot changed", "so that it is found", "supervision window: 4 h → 60 min"):
        assert words in text
    assert "version" not in text


@pytest.mark.parametrize(
    ("query", "is_found"),
    [
        ("person={office}", True), ("person={manager}", False), ("kind=site", True), ("kind=receiver", False),
        ("customer={own}", True), ("customer={other}", False), ("q=found", True), ("q=lost", False),
        ("from=2026-11-25&to=2026-11-25", True), ("to=2026-11-24", False), ("from=2026-11-26", False),
    ],
)  # fmt: skip
def test_the_page_is_narrowed(world: World, query: str, is_found: bool) -> None:
    painted(world)
    ids = {"office": world.office.pk, "manager": world.manager.pk, "own": world.own.pk, "other": world.other.pk}
    answer = world.client("office").get(f"{reverse('company:change_list')}?{query.format(**ids)}")
    assert answer.status_code == 200
    assert ("so that it is found" in answer.content.decode()) is is_found


@pytest.mark.parametrize("query", ["from=yesterday", "to=31-12-2026", "from=2026-11-25&to=2026-11-01"])
def test_a_day_that_is_none_is_said_and_nothing_breaks(world: World, query: str) -> None:
    answer = world.client("office").get(f"{reverse('company:change_list')}?{query}")
    assert answer.status_code == 422
    assert 'role="alert"' in answer.content.decode()


@pytest.mark.parametrize("query", ["person=x", "customer=²", "batch=no", "kind=nothing", "page=no", "to=9999-12-31"])
def test_an_address_somebody_made_up_does_no_harm(world: World, query: str) -> None:
    assert world.client("office").get(f"{reverse('company:change_list')}?{query}").status_code == 200


def test_only_the_last_change_of_a_record_is_offered_to_be_taken_back(world: World, noted: list[ChangeRow]) -> None:
    first, last = painted(world), painted(world)
    text = world.client("office").get(reverse("company:change_list")).content.decode()
    assert reverse("company:change_undo", args=[last.pk]) in text
    assert reverse("company:change_undo", args=[first.pk]) not in text


def test_the_button_takes_back_and_leads_to_where_it_stood(world: World, noted: list[ChangeRow]) -> None:
    change = painted(world)
    here = reverse("company:customer_list")
    answer = world.client("office").post(
        reverse("company:change_undo", args=[change.pk]), headers={"referer": f"http://testserver{here}?q=x"}
    )
    assert (answer.status_code, answer["Location"]) == (302, f"{here}?q=x")
    assert noted == [change]
    page = world.client("office").get(reverse("company:change_list")).content.decode()
    assert f'taken back</span> <span class="soft">by {world.office.name} on' in page


def test_a_foreign_referer_leads_nowhere(world: World, noted: list[ChangeRow]) -> None:
    answer = world.client("office").post(
        reverse("company:change_undo", args=[painted(world).pk]), headers={"referer": "https://evil.example/x"}
    )
    assert answer["Location"] == reverse("company:change_list")


@pytest.mark.parametrize("address", ["http://testserver", "http://testserver?q=x", "http://testserver/"])
def test_an_address_without_a_path_leads_to_the_first_page(world: World, noted: list[ChangeRow], address: str) -> None:
    change = painted(world)
    answer = world.client("office").post(reverse("company:change_undo", args=[change.pk]), headers={"referer": address})
    assert (answer.status_code, answer["Location"].partition("?")[0]) == (302, "/")
    assert noted == [change]


def test_a_technician_takes_back_only_their_own(world: World, noted: list[ChangeRow]) -> None:
    own, foreign = painted(world, by=world.technician), painted(world, subject=world.other_site)
    client = world.client("technician")
    assert client.post(reverse("company:change_undo", args=[foreign.pk])).status_code == 404
    assert client.post(reverse("company:change_undo", args=[own.pk])).status_code == 302
    assert noted == [own]


def test_what_only_a_manager_may_do_only_a_manager_takes_back(world: World, noted: list[ChangeRow]) -> None:
    undo.undoes("paint_firm", audiences=("manager",))(lambda change, *, by, at: noted.append(change))
    change = painted(world, verb="paint_firm")
    url = reverse("company:change_undo", args=[change.pk])
    world.client("office").post(url)
    assert not noted
    world.client("manager").post(url)
    assert noted == [change]


def test_the_button_of_a_batch_takes_all_of_it_back(world: World, noted: list[ChangeRow]) -> None:
    batch = uuid.uuid4()
    for site in (world.own_site, world.other_site):
        painted(world, subject=site, batch=batch)
    client = world.client("office")
    assert "Take all of it back" in client.get(f"{reverse('company:change_list')}?batch={batch}").content.decode()
    client.post(reverse("company:change_undo_batch", args=[batch]))
    assert len(noted) == 2


# ------------------------------------------------------------------------------------------------ the words


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("window_s", 14400, "4 h"), ("window_s", 3600, "60 min"), ("window_s", 90, "90 s"), ("label", "", "nothing"),
        ("is_portable", True, "yes"), ("outputs", [[1, "momentary", 5.0], [2, "latching", None]],
         "1: on for a set time, 5 s; 2: stays on until cleared"), ("duty", "life_safety", "life safety"),
        ("installed_on", "2026-03-04", "4 Mar 2026"), ("note", "2026-99-99", "2026-99-99"), ("outputs", [], "nothing"),
    ],
)  # fmt: skip
def test_facts_are_said_as_people_say_them(name: str, value: Any, words: str) -> None:
    assert change_words.value_words(name, value) == words


def test_a_new_record_has_no_before_and_a_missing_fact_is_no_change() -> None:
    assert change_words.lines_of(None, {"label": "x"}) == []
    assert change_words.lines_of({"label": "a"}, {"label": "a", "new": 1}) == []


def test_settings_of_the_firm_are_told_in_the_words_of_their_own_page(world: World) -> None:
    """Codes, yes and no, and pictures: nothing of how the row is stored is printed."""
    before = firm_facts(Firm(currency="GBP"))
    after = before | {
        "paper": "letter", "units": "ft", "date_style": "month_day", "language": "de", "notes_on_phones": True,
        "logo": "0a" * 32,
    }  # fmt: skip
    row = record_change(by=world.office, at=NOW, verb="save_firm", subject=Firm(pk=1), before=before, after=after)
    assert {name: (was, now) for name, was, now in deed_lines(row)} == {
        "paper size": ("A4", "Letter"), "lengths in": ("metres", "feet"),
        "days written as": ("3 May 2025", "May 3, 2025"), "language": ("English", "Deutsch"),
        "access notes may be kept on a phone": ("no", "yes"), "picture on the letterhead": ("nothing", "a picture"),
    }  # fmt: skip
    exchanged = change_words.lines_of({"logo": "0a" * 32}, {"logo": "0b" * 32}, kind="firm")
    assert exchanged == [("picture on the letterhead", "a picture", "another picture")]
    assert "0b0b" not in str(change_words.lines_of({"proof": ""}, {"proof": "0b" * 32}))


def test_codes_of_other_records_are_told_in_words_too(world: World) -> None:
    assert change_words.value_words("paper", "letter", kind="customer") == "Letter"
    assert change_words.value_words("paper", "letter", kind="site") == "letter", "a fact that is no column stays"


# ------------------------------------------------------------------------------------------------ how it is read


@pytest.mark.skipif(connection.vendor != "sqlite", reason="the plan of the one database that is easily led astray")
@pytest.mark.parametrize(
    ("rows", "index"),
    [
        (lambda: ChangeRow.objects.with_fate().filter(pk__in=[1, 2]), "change_by_subject (subject_kind=? AND subject_id=?)"),
        (lambda: ChangeRow.objects.filter(at__gte=NOW, at__lt=NOW + timedelta(days=1)), "change_by_day (at>? AND at<?)"),
    ],
    ids=["what came later is looked up by the record", "a day is looked up by the day"],
)  # fmt: skip
def test_a_long_log_is_not_read_from_end_to_end(db: None, rows: Any, index: str) -> None:
    assert index in rows().explain()


def test_a_record_that_is_gone_is_named_and_not_linked(world: World) -> None:
    kept, gone = painted(world), painted(world, subject=world.other_site)
    ChangeRow.objects.filter(pk=gone.pk).update(subject_id=10**9)
    text = world.client("office").get(reverse("company:change_list")).content.decode()
    assert f'<a href="{reverse("sites:site_detail", args=[kept.subject_id])}">' in text
    assert str(world.other_site) in text
    assert reverse("sites:site_detail", args=[10**9]) not in text


# ------------------------------------------------------------------------------------------------ what is offered


def test_an_import_is_taken_back_on_its_own_page(world: World, noted: list[ChangeRow]) -> None:
    upload = keep_upload(kind="workbook", name="x.xlsx", content=b"x", by=world.office, at=NOW)
    painted(world, batch=upload.uuid)
    client, here = world.client("office"), reverse("devices:import_undo", args=[upload.uuid])
    text = client.get(f"{reverse('company:change_list')}?batch={upload.uuid}").content.decode()
    assert f'href="{here}"' in text
    assert "Take all of it back" not in text
    assert client.post(reverse("company:change_undo_batch", args=[upload.uuid])).url == here
    assert not noted


def test_a_batch_of_what_cannot_be_taken_back_has_no_button(world: World) -> None:
    batch = uuid.uuid4()
    painted(world, verb="save_nothing", batch=batch)
    text = world.client("office").get(f"{reverse('company:change_list')}?batch={batch}").content.decode()
    assert "Changed in one go: 1 row." in text
    assert "Take all of it back" not in text


def test_a_new_site_has_no_button_that_would_be_refused(world: World) -> None:
    new = painted(world, verb="save_site", before=None)
    edited = painted(world, verb="save_site", subject=world.other_site, before={"name": "x"}, after={"name": "y"})
    text = world.client("office").get(reverse("company:change_list")).content.decode()
    assert reverse("company:change_undo", args=[new.pk]) not in text
    assert reverse("company:change_undo", args=[edited.pk]) in text


def test_a_button_that_takes_back_more_than_its_row_says_so(world: World, noted: list[ChangeRow]) -> None:
    undo.undoes("paint_sites", companions=lambda change: list(ChangeRow.objects.filter(batch=change.batch)))(
        lambda change, *, by, at: None
    )
    batch = uuid.uuid4()
    many = painted(world, verb="paint_sites", batch=batch)
    one = painted(world, subject=world.other_site, batch=batch)
    text = world.client("office").get(reverse("company:change_list")).content.decode()

    def button(change: ChangeRow) -> str:
        return text.split(f'action="{reverse("company:change_undo", args=[change.pk])}"')[1].split("</form>")[0]

    assert "Take all of it back<" in button(many)
    assert "with all that was changed in one go with it" in button(many)
    assert "Take it back<" in button(one)
    of_batch = world.client("office").get(f"{reverse('company:change_list')}?batch={batch}").content.decode()
    assert reverse("company:change_undo", args=[many.pk]) not in of_batch
    assert of_batch.count("Take all of it back") == 1
