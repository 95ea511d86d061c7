"""Planned changes that wait, one done and one dropped; a transmitter swapped for one on loan; somebody who is late back. By the usual actions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any

from company.models import User
from devices.actions.away import extend_away, start_away
from devices.actions.plans import carry_out_plan, drop_plan, plan_change
from devices.actions.plans_wish import Wish
from devices.actions.slot_settings import Settings, settings_of
from devices.actions.swaps_transmitter import NewUnit, swap_transmitter
from devices.models import Away, BatteryType, Fitting, Receiver, Registration
from maintenance.management.demo.clock import at
from maintenance.management.demo.install import PLANNED_SERIAL, SWAPPED_SERIAL
from maintenance.models import Round, Visit
from sites.models import Site

QUIET_DAYS = 30
"""How long a slot must have been left alone before somebody plans, swaps or takes away what is in it, some days back."""
LOAN_DAYS = 28
"""From the swap to the day on which the unit on loan is to go back: well ahead, so that it is no finding."""


def load_plans(rounds: Sequence[Round], office: User, technicians: Sequence[User], today: date) -> None:
    """Changes to make on today's and next week's stops, so that sheet, site page and lists have something to show."""
    sites = [visit.site for row in rounds for visit in Visit.objects.filter(round=row).order_by("position", "pk")]
    places = [place for place in (usable_slots(site, today) for site in sites) if place]
    when = at(today - timedelta(days=2), 13, 20)
    for number, rows in enumerate(places[:3]):
        _wait(rows, office, when + timedelta(minutes=7 * number), number)
    for rows in places[3:4]:
        _over(rows, office, technicians[0], when)
    for rows in places[4:5]:
        _late(rows, office, today)
    # Where every check-in reaches us, a unit that fell silent six days ago would be another story to tell.
    quiet = [rows for rows in places[5:] + places[:4] if rows[3].receiver.evidence != "every"]
    for rows in quiet[:1]:
        _swap(rows[3], technicians[0], at(today - timedelta(days=6), 11, 5))


def usable_slots(site: Site, today: date) -> list[Registration]:
    """Four slots of a receiver of known type, set up long ago, with nothing special about them."""
    quiet = at(today - timedelta(days=QUIET_DAYS), 0)
    receivers = Receiver.objects.open().filter(site=site, type__isnull=False).order_by("label", "pk")
    for receiver in receivers:
        rows = (
            Registration.objects.open()
            .filter(
                receiver=receiver, transmitter__type__battery_type__isnull=False, supervision="on", is_shared=False,
                register_again_since=None, input_number=1, transmitter__type__welded_cell=False, registered_at__lt=quiet,
            )
            .exclude(pk__in=Away.objects.values("registration"))
            .exclude(transmitter__faults__isnull=False)
            .exclude(transmitter__in=Fitting.objects.filter(fitted_at__gte=quiet).values("transmitter"))
            .select_related("receiver__type", "receiver__site", "transmitter__type")
        )  # fmt: skip
        found = list(rows.order_by("slot")[:4])
        if len(found) == 4:
            return found
    return []


def _window(row: Registration) -> tuple[Settings, str]:
    """The same slot with another supervision window, and why: shorter where a life hangs on it, else longer."""
    windows, now = sorted(row.receiver.type.windows_s if row.receiver.type else []), row.window_s or 0
    shorter = [s for s in windows if 2 * (row.interval_s or now) <= s < now]
    if row.duty == "life_safety" and shorter:
        return replace(settings_of(row), window_s=shorter[-1]), "Silence shall show sooner, agreed with the site"
    longer = [s for s in windows if s > now]
    if row.duty != "life_safety" and longer:
        return replace(settings_of(row), window_s=longer[0]), "Weak radio path: fewer false calls, agreed with the site"
    words = replace(settings_of(row), note="Cover is screwed on from behind")
    return words, "Note for whoever comes next, asked for by the technician"


def _plan(row: Registration, wish: Wish, by: User, when: datetime, reason: str, slot: int | None = None) -> Any:
    return plan_change(receiver=row.receiver, slot=slot or row.slot, wish=wish, by=by, at=when, reason=reason)


def _free(receiver: Receiver) -> int | None:
    taken = set(Registration.objects.open().filter(receiver=receiver).values_list("slot", flat=True))
    return next((slot for slot in range(1, receiver.n_slots + 1) if slot not in taken), None)


def _wait(rows: Sequence[Registration], office: User, when: datetime, number: int) -> None:
    """What waits: another window, and on the first site also a new room and a removal."""
    settings, why = _window(rows[0])
    _plan(rows[0], Wish("change", settings), office, when, why)
    free = _free(rows[1].receiver)
    if number == 0 and free is not None:
        settings = replace(settings_of(rows[1]), label="New room", note="")
        wish = Wish(
            "register", settings, serial=PLANNED_SERIAL, type=rows[1].transmitter.type if rows[1].transmitter else None
        )
        _plan(
            rows[1], wish, office, when + timedelta(minutes=1), "The new room is ready on the first of the month", free
        )
    if number < 2:
        _plan(
            rows[2],
            Wish("remove"),
            office,
            when + timedelta(minutes=2),
            "Room is being rebuilt, the unit comes back to us",
        )


def _over(rows: Sequence[Registration], office: User, technician: User, when: datetime) -> None:
    settings, why = _window(rows[0])
    plan = _plan(rows[0], Wish("change", settings), office, when - timedelta(days=9), why)
    carry_out_plan(plan=plan, by=technician, at=when - timedelta(days=1))
    plan = _plan(rows[1], Wish("remove"), office, when - timedelta(days=9), "The room was to be given up")
    drop_plan(plan=plan, by=office, at=when - timedelta(days=3), reason="It is kept after all")


def _swap(row: Registration, technician: User, when: datetime) -> None:
    """A broken unit exchanged for one on loan until a new one is delivered; the slot still waits to be registered again."""
    assert row.transmitter is not None
    kind = row.transmitter.type
    cells: BatteryType | None = kind.battery_type if kind else None
    new = NewUnit(
        SWAPPED_SERIAL, type=kind, loan_until=when.date() + timedelta(days=LOAN_DAYS), battery_type=cells,
        n_cells=kind.n_cells if kind else None,
    )  # fmt: skip
    swap_transmitter(
        transmitter=row.transmitter, new=new, by=technician, at=when,
        reason="Case broken, does not send any more; one of ours on loan until the new one is delivered",
    )  # fmt: skip


def _late(rows: Sequence[Registration], office: User, today: date) -> None:
    """One is late although the day was put off once; another is away for longer."""
    first = start_away(
        registration=rows[0], from_on=today - timedelta(days=20), agreed_until_on=today - timedelta(days=8),
        agreed_with="the caretaker", interim="the caretaker looks in every two hours", by=office,
        at=at(today - timedelta(days=20), 8, 30), reason="the room is being painted",
    )  # fmt: skip
    extend_away(
        away=first, agreed_until_on=today - timedelta(days=3), seen_until=first.agreed_until_on, by=office,
        at=at(today - timedelta(days=8), 9, 10), reason="the painters need a few days longer",
    )  # fmt: skip
    start_away(
        registration=rows[1], from_on=today - timedelta(days=4), agreed_until_on=today + timedelta(days=17),
        agreed_with="the house manager", interim="", by=office, at=at(today - timedelta(days=4), 15, 45), reason="the room is closed for works",
    )  # fmt: skip
