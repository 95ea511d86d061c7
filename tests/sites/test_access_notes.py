"""Access notes: nobody reads a code from a copy of the database, and nobody is shown one without a line in the log."""

from __future__ import annotations

import logging
from datetime import timedelta
from io import StringIO

import pytest
from cryptography.fernet import Fernet
from django.core.management import CommandError, call_command
from django.urls import reverse

from company.models import ChangeRow
from company.sealed import SealBroken, seal, unseal
from sites import actions
from sites.models import AccessNote, AccessNoteShown, MonitoringCentre
from tests import factories
from tests.factories import NOW
from tests.house.test_query_growth import assert_same_queries
from tests.tools.stolen import every_form_of, everything

CODE = "C1943Z-harbour-door"


def url(name, *args):
    return reverse(f"sites:{name}", args=args)


def keep(world, title="Key safe", text=CODE, **over):
    return actions.save_access_note(site=world.own_site, title=title, text=text, by=world.office, at=NOW, **over)


@pytest.fixture
def keys(settings):
    old, new = (Fernet.generate_key().decode() for _ in range(2))
    settings.ACCESS_NOTE_KEYS = [old]
    return old, new


# --- a stolen database ------------------------------------------------------------------------------------------------


def work_with_notes(world):
    """What happens to a note in its life, by the pages that people use."""
    client = world.client("office")
    client.post(url("access_note_new", world.own_site.pk), {"title": "Key safe", "kind": "key_safe", "text": CODE})
    client.post(url("access_note_new", world.own_site.pk), {"title": "Gate", "kind": "door", "text": "old-" + CODE})
    note, gate = AccessNote.objects.get(title="Key safe"), AccessNote.objects.get(title="Gate")
    assert CODE in client.post(url("access_note_show", note.pk)).content.decode()
    data = {"title": "Gate", "kind": "door", "text": CODE + "-new", "seen": gate.changed_at.isoformat()}
    assert client.post(url("access_note_edit", gate.pk), data).status_code == 302
    assert client.post(url("access_note_new", world.own_site.pk), {"title": "", "text": CODE}).status_code == 422
    client.post(url("access_note_remove", gate.pk))
    return note


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_a_stolen_copy_of_the_database_holds_no_code_in_any_form(world, keys, settings, tmp_path):
    note = work_with_notes(world)
    raw = everything(tmp_path)
    assert b"Key safe" in raw, "the copy must be the whole database, what waits in the WAL included"
    assert [form for form in every_form_of(CODE) if form in raw] == []
    note.refresh_from_db()
    cipher = bytes(note.cipher)
    assert cipher.hex().encode() in raw.lower(), "what the copy holds is the sealed text"
    # Whoever has the copy and a key of their own gets a refusal, not a text.
    settings.ACCESS_NOTE_KEYS = [Fernet.generate_key().decode()]
    with pytest.raises(SealBroken, match="key it was sealed with is not installed"):
        unseal(cipher)
    settings.ACCESS_NOTE_KEYS = [keys[0]]
    assert unseal(cipher) == CODE


def test_a_note_under_another_key_is_refused_in_words_and_counts_as_not_shown(world, keys, settings):
    note = keep(world)
    settings.ACCESS_NOTE_KEYS = [Fernet.generate_key().decode()]
    answer = world.client("office").post(url("access_note_show", note.pk))
    assert answer.status_code == 422
    assert "the key it was sealed with is not installed here" in answer.content.decode()
    assert not AccessNoteShown.objects.exists()


def test_a_key_that_is_none_is_refused_without_being_repeated(world, settings):
    settings.ACCESS_NOTE_KEYS = ["half-a-key-that-somebody-pasted"]
    answer = world.client("office").post(url("access_note_new", world.own_site.pk), {"title": "Gate", "text": CODE})
    assert answer.status_code == 422
    assert "is no Fernet key" in answer.content.decode()
    assert "half-a-key" not in answer.content.decode()
    assert not AccessNote.objects.exists()


def test_a_key_made_on_the_spot_is_made_once_and_only_its_owner_reads_it(settings, tmp_path):
    settings.ACCESS_NOTE_KEYS, settings.DATA_DIR = [], tmp_path
    assert unseal(seal(CODE)) == CODE
    assert [path.name for path in tmp_path.iterdir()] == ["access_note_key"]
    assert (tmp_path / "access_note_key").stat().st_mode & 0o077 == 0


# --- changing the key -------------------------------------------------------------------------------------------------


def test_every_note_is_sealed_with_the_newest_key_and_a_second_run_changes_nothing(world, keys, settings):
    old, new = keys
    notes = [keep(world, f"Door {n}", f"code {n}") for n in range(5)]
    actions.remove_access_note(note=notes[0], by=world.office, at=NOW)
    settings.ACCESS_NOTE_KEYS = [new, old]
    out = StringIO()
    call_command("rotate_access_notes", stdout=out)
    assert "4 notes sealed anew, 0 had" in out.getvalue()
    settings.ACCESS_NOTE_KEYS = [new]
    assert [unseal(bytes(AccessNote.objects.get(pk=note.pk).cipher)) for note in notes[1:]] == [
        f"code {n}" for n in range(1, 5)
    ]
    ciphers = list(AccessNote.objects.order_by("pk").values_list("cipher", flat=True))
    call_command("rotate_access_notes", stdout=out)
    assert "0 notes sealed anew, 4 had" in out.getvalue()
    assert list(AccessNote.objects.order_by("pk").values_list("cipher", flat=True)) == ciphers
    assert [row.after for row in ChangeRow.objects.filter(verb="reseal_access_notes")] == [{"n_notes": 4}]


def test_a_run_that_is_broken_off_keeps_what_it_did_and_the_next_does_the_rest(world, keys, settings, monkeypatch):
    old, new = keys
    for n in range(5):
        keep(world, f"Door {n}", f"code {n}")
    settings.ACCESS_NOTE_KEYS = [new, old]
    real, calls = AccessNote.save, []

    def fail(self, **kwargs):
        calls.append(self.pk)
        if len(calls) == 4:
            raise KeyboardInterrupt
        real(self, **kwargs)

    monkeypatch.setattr(AccessNote, "save", fail)
    with pytest.raises(KeyboardInterrupt):
        actions.reseal_access_notes(by=None, at=NOW, batch=2)
    monkeypatch.undo()
    done = actions.reseal_access_notes(by=None, at=NOW, batch=2)
    assert (done.n_resealed, done.n_already) == (3, 2)
    settings.ACCESS_NOTE_KEYS = [new]
    assert {unseal(bytes(note.cipher)) for note in AccessNote.objects.all()} == {f"code {n}" for n in range(5)}


def test_a_note_that_no_key_opens_is_named_and_left_as_it_is(world, keys, settings):
    lost = keep(world, "Lost")
    settings.ACCESS_NOTE_KEYS = [keys[1]]
    keep(world, "Found")
    with pytest.raises(CommandError, match=rf"1 notes cannot be opened with any of the keys given: {lost.pk}\."):
        call_command("rotate_access_notes", stdout=StringIO())
    assert bytes(AccessNote.objects.get(pk=lost.pk).cipher) == bytes(lost.cipher)


# --- showing and its log ----------------------------------------------------------------------------------------------


def test_every_showing_is_in_the_log_with_person_place_and_time_and_without_the_code(world):
    note = keep(world)
    world.client("office").post(url("access_note_show", note.pk))
    actions.show_access_note(note=note, to=world.technician, at=NOW, visit_id=5)
    answer = world.client("manager").get(url("access_log"))
    page = answer.content.decode()
    assert answer.context["page"].paginator.count == 2
    for words in (world.office.name, world.technician.name, world.own_site.name, "in the office", "on a visit"):
        assert words in page
    csv = world.client("manager").get(url("access_log_csv")).content.decode("utf-8-sig")
    assert len(csv.splitlines()) == 3
    assert "visit 5" in csv
    assert CODE not in page + csv


def test_the_log_is_the_managers_alone(world):
    for name in ("access_log", "access_log_csv"):
        assert world.client("manager").get(url(name)).status_code == 200
        for who in ("office", "technician", "own_user"):
            assert world.client(who).get(url(name)).status_code == 404


def test_the_log_is_narrowed_by_person_site_and_day(world):
    note = keep(world)
    other = actions.save_access_note(site=world.other_site, title="Gate", text="x", by=world.office, at=NOW)
    for who, what, days in ((world.office, note, 0), (world.technician, note, 1), (world.technician, other, 9)):
        actions.show_access_note(note=what, to=who, at=NOW - timedelta(days=days))
    client = world.client("manager")

    def found(query):
        return client.get(url("access_log") + query).context["page"].paginator.count

    assert found("") == 3
    assert found(f"?person={world.technician.pk}") == 2
    assert found(f"?person={world.technician.pk}&site={world.own_site.pk}") == 1
    assert found("?since=2026-11-24") == 2
    assert found("?since=2026-11-24&until=2026-11-24") == 1
    assert found("?since=gestern&person=x") == 3
    narrowed = client.get(url("access_log_csv") + f"?person={world.office.pk}").content.decode()
    assert narrowed.count("\n") == 2


def test_a_long_log_is_cut_into_pages_with_the_same_number_of_queries(world):
    note = keep(world)

    def grow(n):
        for _ in range(n):
            actions.show_access_note(note=note, to=world.technician, at=NOW)

    assert_same_queries(world.client("manager"), url("access_log"), grow)
    grow(40)
    assert world.client("manager").get(url("access_log")).context["page"].paginator.num_pages == 3


def test_beside_each_note_stands_who_was_shown_it_last(world):
    note = keep(world)
    page = world.client("office").get(world.own_site.get_absolute_url()).content.decode()
    assert "Never shown." in page
    actions.show_access_note(note=note, to=world.technician, at=NOW)
    actions.show_access_note(note=note, to=world.office, at=NOW + timedelta(minutes=5))
    page = world.client("office").get(world.own_site.get_absolute_url()).content.decode()
    assert f"Last shown to {world.office.name} on 25 Nov 2026, 10:05" in page


def test_what_is_shown_is_kept_by_nobody_and_leaves_the_page_after_a_minute(world):
    note = keep(world)
    client = world.client("office")
    whole = client.post(url("access_note_show", note.pk))
    assert whole.headers["Cache-Control"] == "no-store"
    assert f'content="60;url={world.own_site.get_absolute_url()}"' in whole.content.decode()
    part = client.post(url("access_note_show", note.pk), headers={"HX-Request": "true"})
    assert part.headers["Cache-Control"] == "no-store"
    assert 'hx-trigger="load delay:60s"' in part.content.decode()
    after = client.get(url("access_notes", world.own_site.pk), headers={"HX-Request": "true"})
    assert 'id="notes"' in after.content.decode()
    assert CODE not in after.content.decode()


def test_a_refused_form_that_holds_a_code_is_kept_by_nobody(world):
    answer = world.client("office").post(url("access_note_new", world.own_site.pk), {"title": "", "text": CODE})
    assert answer.status_code == 422
    assert answer.headers["Cache-Control"] == "no-store"


def test_no_log_line_holds_the_code_even_when_showing_fails(world, caplog, monkeypatch):
    note = keep(world)

    def broken(*args, **kwargs):
        raise RuntimeError("the page cannot be drawn")

    caplog.set_level(logging.DEBUG)
    monkeypatch.setattr("sites.views.access.page", broken)
    client = world.client("office")
    client.raise_request_exception = False
    assert client.post(url("access_note_show", note.pk)).status_code == 500
    assert CODE not in caplog.text
    assert AccessNoteShown.objects.count() == 1


# --- writing and removing ---------------------------------------------------------------------------------------------


def test_a_removed_note_keeps_its_log_and_nothing_of_its_code(world):
    note = keep(world)
    actions.show_access_note(note=note, to=world.technician, at=NOW)
    client = world.client("office")
    assert client.post(url("access_note_remove", note.pk)).status_code == 302
    note.refresh_from_db()
    assert bytes(note.cipher) == b""
    page = client.get(url("access_notes", world.own_site.pk), headers={"HX-Request": "true"}).content.decode()
    assert "Show<" not in page
    assert "None." in page
    for name in ("access_note_show", "access_note_remove", "access_note_edit"):
        assert client.post(url(name, note.pk)).status_code == 404
    with pytest.raises(actions.access_notes.NoteGone):
        actions.show_access_note(note=note, to=world.office, at=NOW)
    with pytest.raises(actions.access_notes.NoteGone):
        actions.remove_access_note(note=note, by=world.office, at=NOW)
    log = world.client("manager").get(url("access_log")).content.decode()
    assert "Key safe" in log
    assert world.technician.name in log
    assert "removed" in log


def test_two_who_write_a_code_anew_at_once_do_not_undo_each_other_unseen(world):
    note = keep(world)
    client = world.client("office")
    form = client.get(url("access_note_edit", note.pk)).context["form"]
    data = {"title": "Key safe", "text": "first", "seen": form["seen"].value()}
    assert client.post(url("access_note_edit", note.pk), data).status_code == 302
    late = client.post(url("access_note_edit", note.pk), data | {"text": "second"})
    assert late.status_code == 422
    assert "wrote this note anew after you opened the page" in late.content.decode()
    note.refresh_from_db()
    assert unseal(bytes(note.cipher)) == "first"


def test_a_form_sent_twice_makes_one_note(world):
    client, data = world.client("office"), {"title": "Gate", "text": CODE}
    assert client.post(url("access_note_new", world.own_site.pk), data).status_code == 302
    again = client.post(url("access_note_new", world.own_site.pk), data)
    assert again.status_code == 422
    assert "has a note “Gate” already" in again.content.decode()
    assert AccessNote.objects.count() == 1


def test_a_passphrase_names_the_monitoring_centre_of_its_own_site(world):
    mine, foreign = (
        MonitoringCentre.objects.create(site=site, customer=site.customer, name=f"Watch {site.pk}")
        for site in (world.own_site, world.other_site)
    )
    client, new = world.client("office"), url("access_note_new", world.own_site.pk)
    data = {"title": "Passphrase", "kind": "passphrase", "text": "old lighthouse"}
    assert client.post(new, data | {"centre": foreign.pk}).status_code == 422
    assert client.post(new, data | {"centre": mine.pk, "kind": "door"}).status_code == 422
    assert client.post(new, data | {"centre": mine.pk}).status_code == 302
    assert AccessNote.objects.get().centre == mine
    assert mine.name in client.get(url("access_notes", world.own_site.pk)).content.decode()


def test_a_title_that_holds_the_code_is_refused(world):
    data = {"title": "Key safe 4711", "text": "4711"}
    answer = world.client("office").post(url("access_note_new", world.own_site.pk), data)
    assert answer.status_code == 422
    assert "Take it out of the title" in answer.content.decode()


def test_codes_are_in_no_admin_and_in_no_json(world):
    from django.contrib import admin

    assert not {AccessNote, AccessNoteShown} & set(admin.site._registry)
    keep(world)
    rows = ChangeRow.objects.values_list("before", "after", "subject_text", "reason")
    assert CODE not in str(list(rows))


def test_a_new_customer_has_no_access_to_the_notes_of_another(world):
    note = keep(world)
    outsider = factories.make_portal_user(world.other)
    assert not AccessNote.objects.visible_to(outsider).exists()
    assert not AccessNoteShown.objects.visible_to(outsider).exists()
    assert AccessNote.objects.visible_to(world.office).get() == note
