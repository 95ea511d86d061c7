"""What becomes of one frame of a panel: whose it is, what is recorded, what is answered."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest
from django.test import override_settings

from devices.actions.adoption import NothingToAdopt, place_again
from devices.actions.panel_frames import KeyRing, Outcome, Verdict, take_frame
from devices.models import CheckInDay, Fault, IntakeBatch, PanelAccount, SetAside
from devices.rules.dc09 import build
from devices.rules.dc09_frame import Warned
from tests import factories
from tests.devices.panels import KEY, NOW, answer_in, body, event, header, link_test, make_account, sound

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def took(raw: bytes, *, at: datetime = NOW, keys: KeyRing | None = None) -> Verdict:
    return take_frame(frame=sound(raw), peer="192.0.2.7", at=at, keys=keys or KeyRing(), chance=bytes(31))


@pytest.fixture
def account(world) -> PanelAccount:
    return make_account(world.own_receiver)


def said(verdict: Verdict, key: bytes | None = None) -> tuple[str, str]:
    read = answer_in(verdict.answer, key)
    return read.header.kind, read.header.seq


def test_a_low_battery_is_recorded_at_its_slot_and_answered(account, world):
    verdict = took(event("1384 00 001", seq=7))
    assert (verdict.outcome, said(verdict)) == (Outcome.TAKEN, ("ACK", "0007"))
    fault = Fault.objects.get()
    assert (fault.kind, fault.transmitter, fault.receiver) == (
        "low_battery", world.own_registration.transmitter, world.own_receiver,
    )  # fmt: skip
    account.refresh_from_db()
    assert (account.n_frames, account.n_refused, account.last_message_at) == (1, 0, NOW)
    assert account.last_peer == "192.0.2.7"


def test_a_restore_ends_the_fault(account):
    took(event("1384 00 001"))
    took(event("3384 00 001", seq=2), at=NOW + timedelta(minutes=1))
    assert Fault.objects.get().cleared_at is not None


def test_a_dc_03_event_says_the_same(account):
    took(event("NXT1", kind="SIA-DCS"))
    assert Fault.objects.get().kind == "low_battery"


def test_a_help_call_is_counted_once_however_often_its_frame_comes(account, world):
    frame = event("1101 00 001", at=NOW - timedelta(seconds=5))
    verdicts = [took(frame), took(frame, at=NOW + timedelta(minutes=1)), took(frame, at=NOW + timedelta(hours=5))]
    assert [one.outcome for one in verdicts] == [Outcome.TAKEN, Outcome.REPEATED, Outcome.REPEATED]
    assert {said(one) for one in verdicts} == {("ACK", "0001")}
    assert IntakeBatch.objects.get().n_repeats == 2
    assert sum(row.activations for row in CheckInDay.objects.all()) == 1


def test_a_frame_without_a_time_is_a_repeat_for_ten_minutes(account):
    frame = event("1101 00 001")
    minutes = (0, 9, 18, 40)
    outcomes = [took(frame, at=NOW + timedelta(minutes=n)).outcome for n in minutes]
    assert outcomes == [Outcome.TAKEN, Outcome.REPEATED, Outcome.TAKEN, Outcome.TAKEN]


def test_an_encrypted_frame_sent_again_with_other_padding_is_a_repeat(world):
    make_account(world.own_receiver, key=KEY)
    first, second = (event("1101 00 001", at=NOW, key=KEY, pad=pad) for pad in (1, 2))
    assert first != second
    assert [took(first).outcome, took(second).outcome] == [Outcome.TAKEN, Outcome.REPEATED]


def test_a_new_number_is_a_new_call(account):
    assert [took(event("1101 00 001", seq=n)).outcome for n in (1, 2)] == [Outcome.TAKEN, Outcome.TAKEN]


def test_zone_101_is_slot_1_where_the_panel_counts_from_101(world):
    make_account(world.own_receiver, slot_offset=100)
    took(event("1384 00 101"))
    assert Fault.objects.get().registration == world.own_registration


def counted_after_all(office) -> Any:
    return place_again(rows=SetAside.objects.all(), by=office, at=NOW)


@pytest.mark.parametrize(("zone", "why"), [("999", "has only 64 slots"), ("000", "names no slot")])
def test_a_zone_that_is_no_slot_is_answered_and_set_aside_with_its_zone(account, world, zone, why):
    assert said(took(event(f"1384 00 {zone}")))[0] == "ACK"
    batch, aside = IntakeBatch.objects.get(), SetAside.objects.get()
    assert (batch.n_refused, batch.n_set_aside) == (0, 1)
    assert why in aside.why
    assert (aside.receiver, aside.kind) == (world.own_receiver, "low_battery")
    assert f"zone {zone}" in aside.event["note"]


def test_what_was_set_aside_is_counted_once_the_zone_of_slot_1_is_right(account, world):
    took(event("1384 00 999"))
    with pytest.raises(NothingToAdopt):
        counted_after_all(world.office)
    PanelAccount.objects.update(slot_offset=999 - world.own_registration.slot)
    assert counted_after_all(world.office).n_events == 1
    assert Fault.objects.get().registration == world.own_registration


def test_a_batch_keeps_what_a_message_said(account):
    took(event("1384 00 001"))
    (line,) = IntakeBatch.objects.get().answer["said"]
    assert line.startswith("384 new 00, zone 001: ")


def test_an_event_of_the_receiver_names_no_slot(account, world):
    took(event("1344 00 001"))
    fault = Fault.objects.get()
    assert (fault.kind, fault.transmitter, fault.receiver) == ("interference", None, world.own_receiver)


def test_a_panel_without_a_chosen_receiver_speaks_for_the_only_one_at_its_site(world):
    make_account(world.own_receiver, receiver=None)
    took(event())
    assert Fault.objects.get().receiver == world.own_receiver


def test_of_two_receivers_at_a_site_one_must_be_chosen_and_nothing_is_lost_until_then(world):
    make_account(world.own_receiver, receiver=None)
    factories.make_receiver(world.own_site)
    assert said(took(event()))[0] == "ACK"
    assert said(took(event("1344 00 000", seq=2)))[0] == "ACK"
    assert not Fault.objects.exists()
    assert {row.unit for row in SetAside.objects.all()} == {" name ab12"}
    assert "Choose it on the panel’s page" in SetAside.objects.order_by("pk")[0].why
    PanelAccount.objects.update(receiver=world.own_receiver)
    assert counted_after_all(world.office).n_events == 2
    assert set(Fault.objects.values_list("kind", "registration")) == {
        ("low_battery", world.own_registration.pk), ("interference", None),
    }  # fmt: skip


def test_a_panel_goes_on_for_the_receiver_that_replaced_its_own(world):
    make_account(world.own_receiver)
    newer = factories.make_receiver(world.own_site, replaces=world.own_receiver)
    world.own_receiver.removed_at = NOW
    world.own_receiver.save()
    took(event("1344 00 000"))
    assert Fault.objects.get().receiver == newer


@pytest.mark.parametrize("frame", [link_test(), event("1602 00 000"), event("NRP", kind="SIA-DCS")])
def test_a_link_test_shows_that_the_link_stands_and_is_no_entry_of_the_ledger(account, world, frame):
    verdict = took(frame)
    assert (verdict.outcome, said(verdict)[0]) == (Outcome.TESTED, "ACK")
    world.own_receiver.refresh_from_db()
    account.refresh_from_db()
    assert world.own_receiver.link_tested_at == account.last_message_at == NOW
    assert not IntakeBatch.objects.exists()


def test_any_message_restarts_the_supervision_of_the_link(account, world):
    took(event("1101 00 001"), at=NOW + timedelta(hours=1))
    account.refresh_from_db()
    world.own_receiver.refresh_from_db()
    assert account.last_message_at == NOW + timedelta(hours=1)
    assert world.own_receiver.link_tested_at is None


def test_an_unknown_number_is_answered_duh_and_writes_nothing_by_itself():
    verdict = took(event(number="9999"))
    assert (verdict.outcome, verdict.number, said(verdict)) == (Outcome.STRANGER, "9999", ("DUH", "0001"))
    assert not IntakeBatch.objects.exists()


def test_a_closed_account_is_a_stranger(account):
    PanelAccount.objects.update(closed_at=NOW)
    assert took(event()).outcome is Outcome.STRANGER


def test_a_message_of_which_nothing_is_understood_is_answered_duh(account):
    verdict = took(event("3354 00 004"))
    assert (verdict.outcome, said(verdict)[0]) == (Outcome.UNKNOWN_CODE, "DUH")
    account.refresh_from_db()
    assert (account.n_refused, account.last_message_at) == (1, NOW)


def test_what_is_understood_of_a_message_is_taken_and_answered_ack(account):
    verdict = took(event("NRR/XT1", kind="SIA-DCS"))
    assert (verdict.outcome, said(verdict)[0]) == (Outcome.TAKEN, "ACK")
    assert IntakeBatch.objects.get().n_rows == 1


def test_a_kind_that_we_do_not_read_is_not_taken(account):
    assert said(took(event("x", kind="XNM")))[0] == "DUH"


@pytest.mark.parametrize("kind", ["ADM-CID", "SIA-DCS"])
@pytest.mark.parametrize("data", ["", "#AB12|", "#AB12"])
def test_a_message_of_events_with_none_in_it_is_not_taken_and_shows_that_the_panel_is_there(account, kind, data):
    verdict = took(body(f'"{kind}"0001L0#AB12[{data}]'))
    assert said(verdict)[0] == "DUH"
    assert verdict.outcome is (Outcome.UNKNOWN_CODE if data else Outcome.EMPTY)
    account.refresh_from_db()
    assert (account.n_refused, account.last_message_at) == (1, NOW)


@pytest.mark.parametrize("kind", ["ADM-CID", "SIA-DCS", "NULL"])
def test_another_account_in_the_data_than_in_the_header_is_not_taken(account, world, kind):
    make_account(world.other_receiver, number="CD34")
    text = {"ADM-CID": "1384 00 001", "SIA-DCS": "NXT1", "NULL": ""}[kind]
    verdict = took(body(f'"{kind}"0001L0#AB12[#CD34|{text}]'))
    assert (verdict.outcome, said(verdict)[0]) == (Outcome.OTHER_ACCOUNT, "DUH")
    assert Warned.OTHER_ACCOUNT in verdict.warnings
    assert not Fault.objects.exists()
    assert not IntakeBatch.objects.exists()
    account.refresh_from_db()
    assert (account.n_refused, account.n_warned) == (1, 1)
    world.own_receiver.refresh_from_db()
    assert world.own_receiver.link_tested_at is None


def test_an_encrypted_message_with_another_account_inside_is_not_taken(world):
    make_account(world.own_receiver, key=KEY)
    inside = build(header(), "#CD34|1384 00 001", at=NOW, key=KEY, chance=bytes(31))
    verdict = took(inside)
    assert (verdict.outcome, said(verdict)[0]) == (Outcome.OTHER_ACCOUNT, "DUH")
    assert not Fault.objects.exists()


def test_an_account_written_in_small_letters_or_left_out_inside_is_the_same_one(account):
    assert took(body('"ADM-CID"0001L0#AB12[#ab12|1384 00 001]')).outcome is Outcome.TAKEN
    assert took(body('"ADM-CID"0002L0#ab12[|1383 00 001]')).outcome is Outcome.TAKEN


@pytest.mark.parametrize("kind", ["ACK", "DUH"])
def test_an_answer_is_never_answered(account, kind):
    assert took(event("", kind=kind)).answer is None


def test_what_stands_already_is_no_news_in_a_status_report(account):
    took(event("1381 00 001"))
    days = CheckInDay.objects.count()
    assert took(event("6381 00 001", seq=2)).outcome is Outcome.NOTHING
    assert (IntakeBatch.objects.count(), CheckInDay.objects.count()) == (1, days)


def test_a_status_report_raises_what_was_missed(account):
    took(event("6384 00 001"))
    assert Fault.objects.get().kind == "low_battery"


# --- encrypted --------------------------------------------------------------------------------------------------------


def test_an_encrypted_account_is_answered_encrypted(world):
    make_account(world.own_receiver, key=KEY)
    verdict = took(event(at=NOW, key=KEY))
    assert (verdict.outcome, said(verdict, KEY)) == (Outcome.TAKEN, ("ACK", "0001"))
    assert answer_in(verdict.answer, KEY).sent_at == NOW


@pytest.mark.parametrize(
    ("seconds", "outcome"),
    [
        (-41, Outcome.OUT_OF_TIME), (-40, Outcome.TESTED), (0, Outcome.TESTED), (20, Outcome.TESTED),
        (21, Outcome.OUT_OF_TIME),
    ],
)  # fmt: skip
def test_an_encrypted_message_counts_from_40_seconds_before_to_20_after(world, seconds, outcome):
    account = make_account(world.own_receiver, key=KEY)
    verdict = took(link_test(at=NOW + timedelta(seconds=seconds), key=KEY))
    assert verdict.outcome is outcome
    account.refresh_from_db()
    if outcome is Outcome.OUT_OF_TIME:
        answer = answer_in(verdict.answer)
        assert (answer.header.kind, answer.header.account, answer.sent_at) == ("NAK", "", NOW)
        assert (account.last_message_at, account.n_refused) == (None, 1)
    else:
        assert account.last_message_at == NOW


def test_a_wrong_key_is_met_with_silence_and_counted(world):
    account = make_account(world.own_receiver, key=KEY)
    verdict = took(event(at=NOW, key=b"x" * 16))
    assert (verdict.outcome, verdict.answer) == (Outcome.NOT_READ, None)
    account.refresh_from_db()
    assert (account.n_refused, account.last_message_at) == (1, None)


def test_an_account_with_a_key_takes_nothing_in_clear(world):
    account = make_account(world.own_receiver, key=KEY)
    verdict = took(event())
    assert (verdict.outcome, said(verdict)[0]) == (Outcome.IN_CLEAR, "DUH")
    account.refresh_from_db()
    assert account.last_message_at is None
    assert not Fault.objects.exists()


def test_an_account_without_a_key_cannot_open_anything(account):
    verdict = took(event(at=NOW, key=KEY))
    assert (verdict.outcome, said(verdict)[0]) == (Outcome.NO_KEY, "DUH")


def test_another_key_counts_from_the_next_frame(world):
    account, keys = make_account(world.own_receiver, key=KEY), KeyRing()
    assert took(link_test(at=NOW, key=KEY), keys=keys).outcome is Outcome.TESTED
    account.key_cipher = make_account(world.other_receiver, key=b"n" * 32, number="FFFF").key_cipher
    account.save()
    assert took(link_test(at=NOW, key=KEY), keys=keys).outcome is Outcome.NOT_READ
    assert took(link_test(at=NOW, key=b"n" * 32), keys=keys).outcome is Outcome.TESTED


def test_a_key_that_the_installation_cannot_open_is_met_with_silence(world):
    make_account(world.own_receiver, key=KEY)
    with override_settings(ACCESS_NOTE_KEYS=["A" * 43 + "="]):
        verdict = took(event(at=NOW, key=KEY))
    assert (verdict.outcome, verdict.answer) == (Outcome.NO_KEY, None)


def test_the_ring_of_keys_shows_none_of_them(world):
    keys = KeyRing()
    keys.key_of(make_account(world.own_receiver, key=KEY))
    assert "x00" not in repr(keys)
    assert KEY.hex() not in repr(keys)


# --- times and warnings -----------------------------------------------------------------------------------------------


def test_the_event_has_the_time_that_the_panel_gives(account):
    took(event(at=NOW - timedelta(hours=3)))
    assert Fault.objects.get().raised_at == NOW - timedelta(hours=3)


def test_a_fast_clock_is_cut_to_now_and_counted(account):
    took(event(at=NOW + timedelta(hours=3)))
    assert Fault.objects.get().raised_at == NOW
    assert IntakeBatch.objects.get().n_clamped == 1


@pytest.mark.parametrize("days", [-400, -61, 2])
def test_a_clock_that_cannot_be_right_gives_way_to_the_moment_of_arrival(account, days):
    verdict = took(event(at=NOW + timedelta(days=days)))
    assert (verdict.outcome, verdict.warnings) == (Outcome.TAKEN, (Warned.TIME,))
    assert Fault.objects.get().raised_at == NOW
    account.refresh_from_db()
    assert account.n_warned == 1


def test_a_wrong_length_is_taken_and_counted_as_a_warning(account):
    raw = event()
    verdict = took(raw[:5] + b"0FFF" + raw[9:])
    assert (verdict.outcome, verdict.warnings) == (Outcome.TAKEN, (Warned.LENGTH,))
    account.refresh_from_db()
    assert account.n_warned == 1


def test_a_header_that_follows_no_standard_is_met_with_silence(account):
    verdict = took(body('"ADM-CID"XXXXL0#AB12[]'))
    assert (verdict.outcome, verdict.answer) == (Outcome.NOT_READ, None)
