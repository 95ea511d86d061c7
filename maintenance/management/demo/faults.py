"""Faults that the receivers showed, out of what happened to cells, links and people."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from random import Random

from maintenance.management.demo.clock import at
from maintenance.management.demo.visits import Diary
from maintenance.management.demo.world import DemoFault, DemoFitting, DemoReceiver, DemoSite, DemoSlot, Truth

SOURCES = {"every": "gateway", "exceptions": "panel log", "visits": "seen on a visit"}


def all_faults(
    rng: Random, today: date, sites: list[DemoSite], fittings: list[DemoFitting], diary: Diary, truth: Truth
) -> list[DemoFault]:
    """Every fault of three years, oldest first."""
    faults: list[DemoFault] = []
    for fitting in fittings:
        faults += _of_cells(diary, fitting, today)
    faults += _outage(sites, truth) + _carried_off(sites, truth, today) + _weak(rng, sites, truth, today)
    for site in sites:
        if rng.random() < 0.4:
            receiver = rng.choice(site.receivers)
            raised = at(today - timedelta(days=rng.randint(20, 700)), rng.randint(0, 23), rng.randint(0, 59))
            faults.append(
                DemoFault(receiver, None, "interference", raised, raised + timedelta(minutes=rng.randint(4, 90)),
                          cause="short and not repeated", source=SOURCES[receiver.evidence])
            )  # fmt: skip
    faults += _open_latch(sites, diary, truth, today)
    return sorted(faults, key=lambda f: (f.raised_at, f.receiver.code, f.slot.slot if f.slot else 0, f.kind))


def _of_cells(diary: Diary, fitting: DemoFitting, today: date) -> list[DemoFault]:
    """Low battery, and missing once dead; both end when new cells are in and the receiver is cleared."""
    found = []
    out = fitting.removed_at
    if not diary.rows[id(fitting.transmitter)]:
        return []
    if fitting.first_low_at:
        row = diary.slot_at(fitting.transmitter, fitting.first_low_at)
        found.append(
            DemoFault(row.receiver, row, "low_battery", fitting.first_low_at, out, True,
                      out + timedelta(minutes=40) if out else None, source=SOURCES[row.receiver.evidence])
        )  # fmt: skip
    if fitting.died_at:
        row = diary.slot_at(fitting.transmitter, fitting.died_at)
        raised = fitting.died_at + timedelta(seconds=row.window_s or 0)
        if row.supervision == "on" and raised.date() < today and (out is None or raised < out):
            found.append(
                DemoFault(row.receiver, row, "missing", raised, out, cause="battery dead" if out else "",
                          source=SOURCES[row.receiver.evidence])
            )  # fmt: skip
    return found


def _outage(sites: list[DemoSite], truth: Truth) -> list[DemoFault]:
    site = next(site for site in sites if site.code == truth.outage_site)
    assert truth.outage_from is not None
    return [
        DemoFault(receiver, None, "receiver_power", truth.outage_from + timedelta(minutes=n), truth.outage_to,
                  cause="power cut after the storm", source="gateway")
        for n, receiver in enumerate(site.receivers)
    ]  # fmt: skip


def row_of(sites: list[DemoSite], serial: str) -> DemoSlot:
    """Open registration of a serial."""
    return next(
        row
        for site in sites
        for receiver in site.receivers
        for row in receiver.slots
        if row.removed_at is None and row.transmitter and row.transmitter.serial == serial
    )


def weekends(today: date, since: datetime) -> list[tuple[datetime, datetime]]:
    """Weekends over which the pendant was carried off: out on Friday at 17:00, back on Monday at 08:10; half a year of them."""
    friday = today - timedelta(days=(today.weekday() - 4) % 7 or 7)
    found = []
    for back in range(26):
        day = friday - timedelta(weeks=back)
        if day > since.date() and day + timedelta(days=3) <= today:
            found.append((at(day, 17), at(day + timedelta(days=3), 8, 10)))
    return found[::-1]


def _carried_off(sites: list[DemoSite], truth: Truth, today: date) -> list[DemoFault]:
    row = row_of(sites, truth.carried_off_serial)
    return [
        DemoFault(row.receiver, row, "missing", out + timedelta(seconds=row.window_s or 0), back, source="gateway")
        for out, back in weekends(today, row.registered_at)
    ]


def _weak(rng: Random, sites: list[DemoSite], truth: Truth, today: date) -> list[DemoFault]:
    """Missing for an hour or two now and then, more often lately."""
    found = []
    for serial in truth.weak_serials:
        row = row_of(sites, serial)
        for ago in sorted({int(70 * rng.random() ** 2) + 2 for _ in range(9)}, reverse=True):
            raised = at(today - timedelta(days=ago), rng.randint(0, 20), rng.randint(0, 59))
            if raised > row.registered_at:
                cleared = raised + timedelta(minutes=rng.randint(20, 170))
                found.append(DemoFault(row.receiver, row, "missing", raised, cleared, source="gateway"))
    return found


def _open_latch(sites: list[DemoSite], diary: Diary, truth: Truth, today: date) -> list[DemoFault]:
    """A low battery on a cold night soon after the last visit: the cell recovered, but the lamp has been latched since."""
    found = []
    for site in sites:
        last = max((day for day in site.visit_days if day < today and day != site.postponed_on), default=today)
        worked = any(day > last for day in diary.days[site.code])
        rows = _there_since(site, last)
        if site.evidence != "visits" and not worked and (today - last).days > 20 and rows:
            found.append((last, site.code, site, rows))
    last, _, site, rows = min(found, key=lambda each: each[:2])
    raised = at(last + timedelta(days=2), 4, 40)
    row = max(rows, key=lambda row: (row.duty == "life_safety", row.supervision == "on", -row.slot))
    truth.latched_serial = row.transmitter.serial  # type: ignore[union-attr]
    return [
        DemoFault(row.receiver, row, "low_battery", raised, raised + timedelta(hours=9), True,
                  cause="cold night, recovered", source=SOURCES[site.evidence])
    ]  # fmt: skip


def _there_since(site: DemoSite, last: date) -> list[DemoSlot]:
    """Slots whose transmitter stood there before a visit already."""
    return [
        row
        for receiver in site.receivers
        for row in receiver.slots
        if row.removed_at is None
        and row.transmitter
        and row.registered_at < at(last, 0)
        and row.transmitter.since < last
    ]


def quiet_until(receiver: DemoReceiver, today: date) -> datetime | None:
    """How far the receiver's source has reported: early this morning, nothing where only visits tell."""
    return None if receiver.evidence == "visits" else at(today, 6)
