"""Writes of places that no page can ask for, but another caller might."""

from __future__ import annotations

from datetime import date

import pytest

from company.errors import Refused
from company.sealed import SealBroken, seal, unseal
from sites import actions
from sites.models import AccessNoteShown, Hazard
from tests import factories
from tests.factories import NOW


def test_a_site_stays_with_its_customer(world):
    world.own_site.customer = world.other
    with pytest.raises(Refused, match="stays with its customer"):
        actions.save_site(site=world.own_site, by=world.office, at=NOW)


def test_a_row_takes_the_customer_of_its_site_whatever_it_was_given(world):
    hazard = Hazard(site=world.own_site, customer=world.other, kind="mains", text="230 V", noted_on=date(2026, 1, 1))
    actions.save_place_row(row=hazard, by=world.office, at=NOW)
    hazard.refresh_from_db()
    assert hazard.customer == world.own


def test_a_hazard_is_never_removed(world):
    hazard = Hazard.objects.create(
        site=world.own_site, customer=world.own, kind="mains", text="230 V", noted_on=date(2026, 1, 1)
    )
    with pytest.raises(Refused, match="stays on record"):
        actions.remove_place_row(row=hazard, by=world.office, at=NOW)
    assert Hazard.objects.exists()


def test_a_site_is_closed_once_and_opened_once(world):
    actions.close_site(site=world.own_site, by=world.office, at=NOW, reason="x")
    with pytest.raises(Refused, match="closed already"):
        actions.close_site(site=world.own_site, by=world.office, at=NOW, reason="x")
    actions.reopen_site(site=world.own_site, by=world.office, at=NOW, reason="x")
    with pytest.raises(Refused, match="not closed"):
        actions.reopen_site(site=world.own_site, by=world.office, at=NOW, reason="x")


def test_sites_of_another_customer_cannot_be_shown_in_the_portal(world):
    access = factories.make_portal_user(world.own, is_limited=True).portal_access.get()
    with pytest.raises(Refused, match="of this customer"):
        actions.set_portal_sites(access=access, sites=[world.other_site], by=world.office, at=NOW)
    assert not access.portal_sites.exists()


def test_a_showing_for_a_visit_names_the_visit(world):
    note = actions.save_access_note(site=world.own_site, title="Gate", text="4711", by=world.office, at=NOW)
    assert actions.show_access_note(note=note, to=world.technician, at=NOW, visit_id=5) == "4711"
    assert AccessNoteShown.objects.get().visit_id == 5


def test_a_new_key_opens_what_an_old_one_sealed_and_no_other_key_does(settings):
    from cryptography.fernet import Fernet

    old, new, other = (Fernet.generate_key().decode() for _ in range(3))
    settings.ACCESS_NOTE_KEYS = [old]
    cipher = seal("C1943Z")
    settings.ACCESS_NOTE_KEYS = [new, old]
    assert unseal(cipher) == "C1943Z"
    settings.ACCESS_NOTE_KEYS = [new, other]
    with pytest.raises(SealBroken):
        unseal(cipher)


def test_a_key_made_on_the_spot_stays_the_same(settings, tmp_path):
    settings.ACCESS_NOTE_KEYS, settings.DATA_DIR = [], tmp_path
    assert unseal(seal("C1943Z")) == "C1943Z"
    assert (tmp_path / "access_note_key").stat().st_mode & 0o077 == 0
