"""A few changes by hand, so that the pages of history have something to tell: a slip taken back, words, registering again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

from company.models import ChangeRow, User
from company.undo import undo
from devices.actions.slot_settings import settings_of
from devices.actions.slots import ask_to_register_again, change_slot, mark_registered
from devices.models import Away, Registration
from maintenance.management.demo.clock import at

N_AGAIN, N_DONE = 6, 2


def load_history(office: User, technicians: Sequence[User], today: date) -> None:
    """One receiver with a slip and a corrected word, and one in the middle of being registered again. By the usual actions."""
    places = _quiet_receivers()
    if len(places) < 2:
        return
    _slip_and_words(places[0], office, today)
    _registering_again(places[1], technicians[0], today)


def _quiet_receivers() -> list[list[Registration]]:
    """Slots of receivers on which nothing else is going on, only those that visits alone tell of."""
    rows = Registration.objects.open().filter(
        receiver__evidence="visits", receiver__removed_at=None, register_again_since=None, is_shared=False,
        transmitter__isnull=False, supervision="on", receiver__planned_changes=None,
    )  # fmt: skip
    found: dict[int, list[Registration]] = {}
    for row in rows.exclude(pk__in=Away.objects.values("registration")).order_by("-receiver", "slot"):
        found.setdefault(row.receiver_id, []).append(row)
    return [places for places in found.values() if len(places) >= N_AGAIN]


def _slip_and_words(rows: list[Registration], office: User, today: date) -> None:
    row, named = rows[0], rows[1]
    when = at(today - timedelta(days=4), 9, 12)
    shorter = replace(settings_of(row), note="Call the porter first", duty="convenience")
    change_slot(
        registration=row, settings=shorter, by=office, at=when, reason="wrong slot on the screen", entered_at=when
    )
    slip = ChangeRow.objects.filter(verb="change_slot", by=office).order_by("-pk")[0]
    undo(change=slip, by=office, at=when + timedelta(minutes=2))
    change_slot(
        registration=named, settings=replace(settings_of(named), label=f"{named.label}, window side"), by=office,
        at=when + timedelta(minutes=9), reason="the caretaker calls it so",
    )  # fmt: skip


def _registering_again(rows: list[Registration], technician: User, today: date) -> None:
    when = at(today - timedelta(days=1), 14, 5)
    for row in rows[:N_AGAIN]:
        ask_to_register_again(registration=row, by=technician, at=when, reason="receiver was set back to its defaults")
    for n, row in enumerate(rows[:N_DONE]):
        mark_registered(registration=row, by=technician, at=when + timedelta(minutes=6 * (n + 1)))
