"""What changed in the slots over three years: settings changed, units swapped, transmitters moved to another slot."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from random import Random
from typing import Any

from maintenance.management.demo.clock import at
from maintenance.management.demo.install import Serials
from maintenance.management.demo.oddities import Planter, code_of, free_slot
from maintenance.management.demo.world import DemoSite, DemoSlot, DemoTransmitter

CHANGED_SHARE = 0.05
RECENT_DAYS = 900


def make_history(rng: Random, planter: Planter, serials: Serials, today: date) -> list[DemoTransmitter]:
    """Give about one slot in twenty a past; retired units come back, the past rows are added to their receivers."""
    retired: list[DemoTransmitter] = []
    for site in planter.sites:
        for receiver in site.receivers:
            for row in list(receiver.slots):
                planted = row.transmitter is None or id(row) in planter.used
                if planted or row.replaces or rng.random() > CHANGED_SHARE:
                    continue
                longest = (today - row.registered_at.date()).days - 40
                if longest < 60:
                    continue
                changed = _visit_day(site, today - timedelta(days=rng.randint(20, min(RECENT_DAYS, longest))))
                if changed <= row.registered_at.date() or changed >= today:
                    continue
                past, old_unit = _past(rng, row, at(changed, 8, row.slot % 35), serials)
                receiver.slots.append(past)
                retired += [old_unit] if old_unit else []
    return retired


def _visit_day(site: DemoSite, day: date) -> date:
    """The site's visit nearest before a day, the day itself where there is none."""
    earlier = [each for each in site.visit_days if each <= day]
    return earlier[-1] if earlier else day


def _past(rng: Random, row: DemoSlot, when: Any, serials: Serials) -> tuple[DemoSlot, DemoTransmitter | None]:
    """Split a registration in two at a moment; a swapped unit is retired then."""
    past = replace(row, outputs=list(row.outputs), removed_at=when, note="", away=None, register_again_since=None)
    row.registered_at, row.replaces = when, past
    what = rng.random()
    unit = row.transmitter
    assert unit is not None
    if what < 0.45 and not unit.serial.startswith("-") and code_of(row) and not row.is_portable:
        past.transmitter = DemoTransmitter(
            serials.next(), unit.type, unit.site, unit.since, made_on=unit.made_on, retired_on=when.date(),
            note=rng.choice(("case cracked", "water inside", "button worn out", "fell into the harbour")),
        )  # fmt: skip
        past.removed_why = "unit broken, replaced"
        unit.since, unit.made_on = when.date(), when.date() - timedelta(days=120)
        return past, past.transmitter
    if what < 0.75 and row.window_s and row.receiver.type:
        shorter = [w for w in row.receiver.type["windows_s"] if w != row.window_s and w >= 2 * (row.interval_s or 0)]
        if shorter:
            past.window_s = rng.choice(shorter)
            past.removed_why = "supervision window changed"
            return past, None
    spare = free_slot(row.receiver)
    if spare is not None and what > 0.85:
        past.slot = spare
        past.removed_why = f"moved to slot {row.slot}"
        return past, None
    past.label = f"{past.label} (old name)"[:80]
    past.removed_why = "room renamed"
    return past, None
