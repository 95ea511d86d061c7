"""Changes of the slot ledger taken back: today's slip never was, an older change is turned round from now on."""

from __future__ import annotations

import uuid
from dataclasses import replace as other
from datetime import date, timedelta
from typing import Any

import pytest

from company import undo
from company.models import ChangeRow
from devices.actions.away import end_away, start_away
from devices.actions.receivers import remove_receiver
from devices.actions.slot_settings import OutputChoice, Settings, settings_of
from devices.actions.slots import (
    ask_to_register_again,
    change_slot,
    mark_registered,
    move_transmitter,
    put_back,
    register_transmitter,
    remove_transmitter,
)
from devices.models import Away, Receiver, Registration
from devices.querysets import end_of_day
from devices.rules.slot_life import never_stood
from maintenance.models import Entry
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db
SETTINGS = Settings(label="Room 3", duty="life_safety", supervision="on", window_s=14400, interval_s=3600, contact="no")
SOON, LATER = NOW + timedelta(minutes=2), NOW + timedelta(days=5)


@pytest.fixture
def office() -> Any:
    return factories.make_user("office", name="Ingrid Okafor")


@pytest.fixture
def receiver() -> Receiver:
    return factories.make_receiver()


@pytest.fixture
def stood(receiver: Receiver) -> Registration:
    """What has stood in slot 3 for a year."""
    return factories.make_registration(receiver, 3, label="Room 3", contact="no")


def register(receiver: Receiver, office: Any, **over: Any) -> Registration:
    fields = {
        "receiver": receiver, "slot": 3, "transmitter": factories.make_transmitter(receiver.customer),
        "settings": SETTINGS, "by": office, "at": NOW, "reason": "new resident",
    }  # fmt: skip
    return register_transmitter(**(fields | over))


def last_change() -> ChangeRow:
    return ChangeRow.objects.order_by("-pk")[0]


def take_back(office: Any, at: Any = SOON, change: ChangeRow | None = None) -> ChangeRow:
    return undo.undo(change=change or last_change(), by=office, at=at)


def in_slot(receiver: Receiver, slot: int = 3) -> Registration | None:
    return Registration.objects.open().filter(receiver=receiver, slot=slot).first()


def shown_on(receiver: Receiver, day: date, slot: int = 3) -> str:
    """Serial that the slot map shows at the end of a day."""
    zone = receiver.site.zone
    rows = Registration.objects.filter(receiver=receiver).slot_rows(end_of_day(day, zone), zone)
    return next((row.serial for row in rows if row.slot == slot), "")


# ------------------------------------------------------------------------------------------------ registering


def test_a_registration_taken_back_at_once_never_stood(receiver: Receiver, office: Any) -> None:
    row = register(receiver, office)
    back = take_back(office)
    row.refresh_from_db()
    assert never_stood(row.registered_at, row.removed_at)
    assert row.removed_why == "taken back: new resident"
    assert in_slot(receiver) is None
    assert shown_on(receiver, NOW.date()) == ""
    receiver.refresh_from_db()
    assert (back.after["version"], receiver.version) == (3, 3)
    # The slot and the transmitter are free for what was meant.
    assert register(receiver, office, transmitter=row.transmitter, slot=4, at=NOW).slot == 4
    assert register(receiver, office, at=NOW).slot == 3


def test_a_registration_of_an_earlier_day_stays_on_the_days_that_showed_it(receiver: Receiver, office: Any) -> None:
    row = register(receiver, office)
    take_back(office, at=LATER)
    row.refresh_from_db()
    assert row.removed_at == LATER
    assert shown_on(receiver, NOW.date()) == row.transmitter.serial
    assert shown_on(receiver, LATER.date()) == ""


def test_a_registration_entered_today_for_last_week_never_stood(receiver: Receiver, office: Any) -> None:
    register(receiver, office, at=NOW - timedelta(days=7), entered_at=NOW)
    take_back(office)
    assert shown_on(receiver, NOW.date() - timedelta(days=3)) == ""


def test_what_was_worked_on_since_is_not_unsaid(receiver: Receiver, office: Any) -> None:
    row = register(receiver, office)
    visit = factories.make_visit(receiver.site, state="open")
    Entry.objects.create(
        key=uuid.uuid4(), customer=row.customer, visit=visit, receiver=receiver, registration=row, kind="note",
        made_at=NOW, by=office, facts={}, sha256="0" * 64,
    )  # fmt: skip
    with pytest.raises(undo.CannotUndo, match="Work was recorded"):
        take_back(office)
    assert in_slot(receiver) == row


def test_a_later_change_of_the_slot_forbids_it_and_is_named(receiver: Receiver, office: Any) -> None:
    row = register(receiver, office)
    first = last_change()
    colleague = factories.make_user("office", name="Tove Lind")
    change_slot(registration=row, settings=other(SETTINGS, window_s=3600), by=colleague, at=SOON, reason="shorter")
    with pytest.raises(undo.ChangedAfter, match="Tove Lind"):
        take_back(office, change=first)
    take_back(office, at=SOON + timedelta(minutes=1))
    take_back(office, change=first, at=SOON + timedelta(minutes=2))
    assert in_slot(receiver) is None


# ------------------------------------------------------------------------------------------------ changing


def test_a_setting_changed_by_mistake_goes_on_as_before(receiver: Receiver, stood: Registration, office: Any) -> None:
    output = factories.make_output(receiver, 2)
    change_slot(
        registration=stood, settings=other(settings_of(stood), contact="nc", outputs=(OutputChoice(output, "latching"),)),
        by=office, at=NOW, reason="wrong slot",
    )  # fmt: skip
    wrong = in_slot(receiver)
    assert wrong is not None
    assert wrong.register_again_since == NOW
    take_back(office)
    assert in_slot(receiver) == stood
    stood.refresh_from_db()
    assert (stood.removed_at, stood.removed_why, stood.register_again_since) == (None, "", None)
    assert settings_of(stood).contact == "no"
    assert Registration.objects.filter(receiver=receiver).count() == 2


def test_a_setting_changed_last_week_is_set_back_from_now_on(
    receiver: Receiver, stood: Registration, office: Any
) -> None:
    new = change_slot(
        registration=stood, settings=other(settings_of(stood), window_s=3600), by=office, at=NOW, reason="shorter"
    )
    take_back(office, at=LATER)
    now = in_slot(receiver)
    assert now is not None
    assert (now.replaces, now.window_s, now.registered_at) == (new, 14400, LATER)
    assert now.register_again_since is None
    new.refresh_from_db()
    assert new.removed_at == LATER


def test_a_contact_turned_back_after_it_was_registered_must_be_registered_again(
    receiver: Receiver, stood: Registration, office: Any
) -> None:
    new = change_slot(
        registration=stood, settings=other(settings_of(stood), contact="nc"), by=office, at=NOW, reason="new jumper"
    )
    change = last_change()
    Registration.objects.filter(pk=new.pk).update(register_again_since=None)
    take_back(office, at=LATER, change=change)
    now = in_slot(receiver)
    assert now is not None
    assert (now.contact, now.register_again_since) == ("no", LATER)


def test_a_word_corrected_by_mistake_is_corrected_back(receiver: Receiver, stood: Registration, office: Any) -> None:
    change_slot(
        registration=stood, settings=other(settings_of(stood), label="Room 33", note="x"), by=office, at=NOW,
        reason="typo",
    )  # fmt: skip
    take_back(office, at=LATER)
    stood.refresh_from_db()
    assert (stood.label, stood.note, stood.removed_at) == ("Room 3", "", None)
    assert Registration.objects.filter(receiver=receiver).count() == 1


def test_an_absence_that_went_on_under_a_mistaken_change_goes_on_where_it_was(
    receiver: Receiver, stood: Registration, office: Any
) -> None:
    start_away(
        registration=stood, from_on=date(2026, 11, 1), agreed_until_on=None, agreed_with="matron", interim="", by=office,
        at=NOW - timedelta(days=20), reason="in hospital",
    )  # fmt: skip
    change_slot(
        registration=stood, settings=other(settings_of(stood), window_s=3600), by=office, at=NOW, reason="shorter"
    )
    take_back(office)
    away = Away.objects.get(registration=stood)
    assert away.ended_on is None
    assert not Away.objects.exclude(registration=stood).filter(ended_on=None).exists()


# ------------------------------------------------------------------------------------------------ moving, removing


def test_a_mistaken_move_between_receivers_is_taken_back_on_both(
    receiver: Receiver, stood: Registration, office: Any
) -> None:
    there = factories.make_receiver(receiver.site)
    move_transmitter(
        registration=stood, to_receiver=there, to_slot=9, settings=settings_of(stood), by=office, at=NOW, reason="moved"
    )
    halves = list(ChangeRow.objects.filter(verb="move_transmitter").order_by("pk"))
    assert len(halves) == 2
    take_back(office, change=halves[0])
    assert in_slot(receiver) == stood
    assert in_slot(there, 9) is None
    versions = {row.pk: row.version for row in Receiver.objects.filter(pk__in=[receiver.pk, there.pk])}
    told = {row.after["receiver"]: row.after["version"] for row in ChangeRow.objects.filter(undoes__in=halves)}
    assert told == versions


def test_the_half_of_a_move_that_was_left_takes_it_back_too(
    receiver: Receiver, stood: Registration, office: Any
) -> None:
    there = factories.make_receiver(receiver.site)
    move_transmitter(
        registration=stood, to_receiver=there, to_slot=9, settings=settings_of(stood), by=office, at=NOW, reason="moved"
    )
    take_back(office, change=last_change())
    assert in_slot(receiver) == stood


def test_a_move_of_last_week_is_walked_back_and_registered_anew(
    receiver: Receiver, stood: Registration, office: Any
) -> None:
    move_transmitter(
        registration=stood, to_receiver=receiver, to_slot=9, settings=settings_of(stood), by=office, at=NOW,
        reason="moved",
    )  # fmt: skip
    take_back(office, at=LATER)
    now = in_slot(receiver)
    assert now is not None
    assert (now.transmitter, now.registered_at, now.register_again_since) == (stood.transmitter, LATER, LATER)
    assert shown_on(receiver, NOW.date(), 9) == stood.transmitter.serial
    assert in_slot(receiver, 9) is None


def test_a_slot_filled_since_is_not_emptied_by_an_old_move(
    receiver: Receiver, stood: Registration, office: Any
) -> None:
    move_transmitter(
        registration=stood, to_receiver=receiver, to_slot=9, settings=settings_of(stood), by=office, at=NOW,
        reason="moved",
    )  # fmt: skip
    moved = last_change()
    register(receiver, office, at=SOON)
    with pytest.raises(undo.ChangedAfter, match="transmitter registered"):
        take_back(office, change=moved)


def test_a_removal_taken_back_at_once_leaves_no_gap(receiver: Receiver, stood: Registration, office: Any) -> None:
    remove_transmitter(registration=stood, by=office, at=NOW, reason="wrong button")
    take_back(office)
    stood.refresh_from_db()
    assert (stood.removed_at, stood.removed_why) == (None, "")


def test_a_removal_of_last_week_is_put_back_and_the_gap_stays(
    receiver: Receiver, stood: Registration, office: Any
) -> None:
    remove_transmitter(registration=stood, by=office, at=NOW, reason="broken")
    take_back(office, at=LATER)
    now = in_slot(receiver)
    assert now is not None
    assert (now.replaces, now.registered_at) == (stood, LATER)
    assert shown_on(receiver, NOW.date() + timedelta(days=1)) == ""


def test_nothing_is_put_back_on_a_receiver_that_hangs_there_no_more(
    receiver: Receiver, stood: Registration, office: Any
) -> None:
    remove_transmitter(registration=stood, by=office, at=NOW, reason="broken")
    change = last_change()
    remove_receiver(receiver=receiver, by=office, at=SOON, reason="building empty")
    with pytest.raises(undo.CannotUndo, match="taken down"):
        take_back(office, change=change)


def test_a_transmitter_that_stands_elsewhere_by_now_is_not_in_two_places(
    receiver: Receiver, stood: Registration, office: Any
) -> None:
    remove_transmitter(registration=stood, by=office, at=NOW, reason="needed next door")
    change = last_change()
    register(receiver, office, slot=5, transmitter=stood.transmitter, at=SOON)
    with pytest.raises(Exception, match="slot 5"):
        take_back(office, change=change)
    assert in_slot(receiver) is None


def test_putting_back_taken_back_frees_the_slot_again(receiver: Receiver, stood: Registration, office: Any) -> None:
    remove_transmitter(registration=stood, by=office, at=NOW - timedelta(days=3), reason="broken")
    put_back(registration=stood, by=office, at=NOW, reason="mended")
    take_back(office)
    assert in_slot(receiver) is None
    stood.refresh_from_db()
    assert stood.removed_at == NOW - timedelta(days=3)


# ------------------------------------------------------------------------------------------------ marks, absences


def test_registered_again_by_mistake_stands_at_register_again_as_long_as_before(
    receiver: Receiver, stood: Registration, office: Any
) -> None:
    since = NOW - timedelta(days=2)
    Registration.objects.filter(pk=stood.pk).update(register_again_since=since)
    mark_registered(registration=stood, by=office, at=NOW)
    take_back(office, at=LATER)
    stood.refresh_from_db()
    assert stood.register_again_since == since


def test_asked_by_mistake_to_register_again_is_unasked(receiver: Receiver, stood: Registration, office: Any) -> None:
    ask_to_register_again(registration=stood, by=office, at=NOW, reason="jumper")
    take_back(office)
    stood.refresh_from_db()
    assert stood.register_again_since is None


def away_of(stood: Registration, office: Any, at: Any = NOW) -> Away:
    return start_away(
        registration=stood, from_on=date(2026, 11, 20), agreed_until_on=date(2026, 12, 20), agreed_with="matron",
        interim="hourly rounds", by=office, at=at, reason="in hospital",
    )  # fmt: skip


@pytest.mark.parametrize(("at", "ended_on"), [(SOON, date(2026, 11, 20)), (LATER, date(2026, 11, 30))])
def test_an_absence_taken_back_never_was_or_ends_today(
    receiver: Receiver, stood: Registration, office: Any, at: Any, ended_on: date
) -> None:
    away = away_of(stood, office)
    take_back(office, at=at)
    away.refresh_from_db()
    assert away.ended_on == ended_on


def test_back_by_mistake_is_away_still(receiver: Receiver, stood: Registration, office: Any) -> None:
    away = away_of(stood, office, at=NOW - timedelta(days=4))
    end_away(away=away, ended_on=date(2026, 11, 25), by=office, at=NOW)
    take_back(office)
    away.refresh_from_db()
    assert away.ended_on is None


def test_back_last_week_by_mistake_is_away_again_from_today(
    receiver: Receiver, stood: Registration, office: Any
) -> None:
    away = away_of(stood, office, at=NOW - timedelta(days=4))
    end_away(away=away, ended_on=date(2026, 11, 25), by=office, at=NOW)
    take_back(office, at=LATER)
    again = Away.objects.get(registration=stood, ended_on=None)
    assert (again.from_on, again.agreed_with) == (LATER.date(), "matron")
