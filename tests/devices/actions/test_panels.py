"""Connecting panels, changing and closing them, their keys, and taking it back."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.test import override_settings

from company.models import ChangeRow
from company.sealed import unseal
from company.undo import CannotUndo, undo
from devices.actions.panels import (
    NumberTaken,
    PanelChangedSince,
    PanelRefused,
    change_panel,
    close_panel,
    connect_panel,
    dismiss_stranger,
    reopen_panel,
    reporting_receiver,
    reseal_panel_keys,
    seen,
    set_panel_key,
)
from devices.models import IntakeSource, PanelAccount, PanelStranger
from tests import factories
from tests.devices.panels import KEY, NOW, make_account

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def unsaved(world, **over) -> PanelAccount:
    return PanelAccount(**{"site": world.own_site, "receiver": world.own_receiver, "number": "AB12"} | over)


def connected(world, *, key: bytes | None = None, **over) -> PanelAccount:
    account = unsaved(world, **over)
    connect_panel(account=account, key=key, by=world.manager, at=NOW)
    return account


def test_the_first_panel_makes_the_firms_source_of_panels_and_the_next_uses_it(world):
    connected(world)
    connected(world, number="AB13")
    source = IntakeSource.objects.get(kind="panel")
    assert source.panel_accounts.count() == 2
    assert source.customer is None


def test_a_panel_belongs_to_its_sites_customer(world):
    assert connected(world).customer == world.own


def test_connecting_a_number_that_was_listed_takes_it_off_the_list(world):
    PanelStranger.objects.create(number="AB12", first_at=NOW, last_at=NOW)
    connected(world)
    assert not PanelStranger.objects.exists()


@pytest.mark.parametrize("number", ["", "AB", "A" * 17, "ab12", "XY12", "A B1", "AB12\n"])
def test_a_number_that_no_panel_can_have_is_refused(world, number):
    with pytest.raises(PanelRefused, match="3 to 16 digits"):
        connected(world, number=number)
    assert not PanelAccount.objects.exists()


def test_a_number_in_use_is_refused_and_says_where(world):
    connected(world)
    with pytest.raises(NumberTaken, match=world.own_site.name):
        connected(world, site=world.other_site, receiver=None)


def test_a_receiver_of_another_site_is_refused(world):
    with pytest.raises(PanelRefused, match="is not at the panel"):
        connected(world, receiver=world.other_receiver)


def test_no_key_stands_in_the_change_log(world):
    account = connected(world, key=KEY)
    set_panel_key(account=account, key=b"n" * 32, by=world.manager, at=NOW)
    rows = ChangeRow.objects.filter(subject_kind="panelaccount")
    text = " ".join(f"{row.before} {row.after} {row.subject_text} {row.reason}" for row in rows)
    assert KEY.hex() not in text
    assert (b"n" * 32).hex() not in text
    assert "'has_key': True" in text
    assert "gAAAA" not in text


def test_a_key_is_kept_sealed(world):
    account = connected(world, key=KEY)
    account.refresh_from_db()
    assert KEY.hex().encode() not in bytes(account.key_cipher)
    assert bytes.fromhex(unseal(account.key_cipher)) == KEY


def test_a_key_can_be_taken_out_once(world):
    account = connected(world, key=KEY)
    set_panel_key(account=account, key=None, by=world.manager, at=NOW)
    account.refresh_from_db()
    assert account.key_cipher is None
    with pytest.raises(PanelRefused, match="no key"):
        set_panel_key(account=account, key=None, by=world.manager, at=NOW)


def test_a_change_made_from_an_old_page_is_refused(world):
    account = connected(world)
    before = seen(account)
    set_panel_key(account=account, key=KEY, by=world.manager, at=NOW)
    account.note = "mine"
    with pytest.raises(PanelChangedSince):
        change_panel(account=account, by=world.office, at=NOW, seen_as=before)
    account.refresh_from_db()
    assert account.note == ""


def test_a_change_is_taken_back_without_touching_the_key(world):
    account = connected(world, key=KEY)
    account.number, account.slot_offset, account.supervised_s, account.receiver = "CD34", 100, 600, None
    change = change_panel(account=account, by=world.office, at=NOW, seen_as="")
    undo(change=change, by=world.office, at=NOW + timedelta(minutes=1))
    account.refresh_from_db()
    assert (account.number, account.slot_offset, account.supervised_s) == ("AB12", 0, None)
    assert account.receiver == world.own_receiver
    assert bytes.fromhex(unseal(account.key_cipher)) == KEY


def test_nothing_changed_is_refused(world):
    with pytest.raises(PanelRefused, match="Nothing differs"):
        change_panel(account=connected(world), by=world.office, at=NOW)


def test_closing_frees_the_number_and_can_be_taken_back(world):
    account = connected(world)
    change = close_panel(account=account, by=world.office, at=NOW)
    with pytest.raises(PanelRefused, match="closed already"):
        close_panel(account=account, by=world.office, at=NOW)
    undo(change=change, by=world.office, at=NOW)
    account.refresh_from_db()
    assert account.closed_at is None


def test_a_closed_panel_does_not_come_back_over_another_with_its_number(world):
    account = connected(world)
    change = close_panel(account=account, by=world.office, at=NOW)
    connected(world, site=world.other_site, receiver=None)
    with pytest.raises(NumberTaken):
        reopen_panel(account=account, by=world.office, at=NOW)
    with pytest.raises(CannotUndo, match=world.other_site.name):
        undo(change=change, by=world.office, at=NOW)


def test_a_panel_connected_by_mistake_is_closed_again(world):
    connected(world)
    undo(change=ChangeRow.objects.get(verb="connect_panel"), by=world.office, at=NOW)
    assert PanelAccount.objects.get().closed_at == NOW


def test_a_dismissed_stranger_comes_back(world):
    stranger = PanelStranger.objects.create(number="9999", first_at=NOW, last_at=NOW)
    change = dismiss_stranger(stranger=stranger, by=world.office, at=NOW)
    with pytest.raises(PanelRefused):
        dismiss_stranger(stranger=stranger, by=world.office, at=NOW)
    undo(change=change, by=world.office, at=NOW)
    stranger.refresh_from_db()
    assert stranger.dismissed_at is None


def test_a_panel_follows_a_receiver_that_was_swapped_twice(world):
    account = connected(world)
    second = factories.make_receiver(world.own_site, replaces=world.own_receiver, removed_at=NOW)
    third = factories.make_receiver(world.own_site, replaces=second)
    world.own_receiver.removed_at = NOW
    world.own_receiver.save()
    assert reporting_receiver(account) == third


def test_a_panel_whose_receiver_is_gone_speaks_for_none(world):
    account = connected(world)
    world.own_receiver.removed_at = NOW
    world.own_receiver.save()
    assert reporting_receiver(account) is None


def test_keys_are_sealed_anew_with_the_newest_key_of_the_installation(world):
    old, new = "A" * 43 + "=", "B" * 43 + "="
    with override_settings(ACCESS_NOTE_KEYS=[old]):
        account = make_account(world.own_receiver, key=KEY)
    with override_settings(ACCESS_NOTE_KEYS=[new, old]):
        assert reseal_panel_keys(by=None, at=NOW).n_resealed == 1
        assert reseal_panel_keys(by=None, at=NOW).n_already == 1
    account.refresh_from_db()
    with override_settings(ACCESS_NOTE_KEYS=[new]):
        assert bytes.fromhex(unseal(account.key_cipher)) == KEY
    with override_settings(ACCESS_NOTE_KEYS=[old]):
        assert reseal_panel_keys(by=None, at=NOW).unopened == (account.pk,)
