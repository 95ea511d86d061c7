"""What a real firm also has: mis-set windows, a carried-off pendant, unknown things, an open latch. All of it is in the truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from random import Random
from typing import Any

from maintenance.management.demo.clock import at
from maintenance.management.demo.install import Serials
from maintenance.management.demo.lives import Cells, Change
from maintenance.management.demo.world import DemoReceiver, DemoSite, DemoSlot, DemoTransmitter, Truth

Pick = Callable[[DemoSlot], bool]
N_NARROW = 6
"""Sites at which one window is to cry wolf."""


class Planter:
    """Picks places for oddities, each slot at most once."""

    def __init__(self, rng: Random, today: date, sites: list[DemoSite], truth: Truth) -> None:
        self.rng, self.today, self.sites, self.truth = rng, today, sites, truth
        self.used: set[int] = set()

    def slots(self) -> list[DemoSlot]:
        return [row for site in self.sites for receiver in site.receivers for row in receiver.slots]

    def pick(self, wanted: Pick) -> DemoSlot:
        """Take one slot that holds something now and fits.

        Raises
        ------
        ValueError
            If no slot fits: the firm is too small to be told about.
        """
        fitting = [
            row
            for row in self.slots()
            if row.removed_at is None and row.transmitter and id(row) not in self.used and wanted(row)
        ]
        if not fitting:
            raise ValueError("No slot fits an oddity that was to be planted: choose a larger scale.")
        row = self.rng.choice(fitting)
        self.used.add(id(row))
        return row

    def pick_kind(self, *codes: str, also: Pick = lambda row: True) -> DemoSlot:
        """Take one slot whose transmitter is of one of these types."""
        return self.pick(lambda row: code_of(row) in codes and also(row))


def code_of(row: DemoSlot) -> str:
    """Type code of the transmitter in a slot, empty if there is none or it is unknown."""
    return row.transmitter.type["code"] if row.transmitter and row.transmitter.type else ""


def can_switch_off(row: DemoSlot) -> bool:
    """Whether the receiver lets a slot go unsupervised."""
    return bool(row.receiver.type and row.receiver.type["can_switch_supervision_off"])


def has_window(seconds: int) -> Pick:
    """Whether the receiver knows a window of so many seconds."""
    return lambda row: bool(row.receiver.type and seconds in row.receiver.type["windows_s"])


def stands_at(site: DemoSite) -> Pick:
    """Whether the slot is at this site."""
    return lambda row: row.receiver.site is site


def is_every(row: DemoSlot) -> bool:
    """Whether every check-in of its receiver reaches us."""
    return row.receiver.evidence == "every"


def plant(planter: Planter, serials: Serials, types: dict[str, Any]) -> list[DemoTransmitter]:
    """Plant every oddity of the set-up; transmitters that stand in no slot come back."""
    truth, today = planter.truth, planter.today
    _links_and_outage(planter)
    _supervision(planter)
    _away(planter)
    row = planter.pick_kind("door-contact-short", "contact-input", "contact-input-two")
    row.register_again_since = at(today - timedelta(days=9), 14, 20)
    row.note = "contact jumper moved to normally open"
    truth.register_again_serial = row.transmitter.serial  # type: ignore[union-attr]
    _two_inputs(planter)
    _nothing_answers(planter)
    _receivers(planter)
    return _spares(planter, serials, types)


def _links_and_outage(planter: Planter) -> None:
    truth, today = planter.truth, planter.today
    old = at(today - timedelta(days=430), 0)
    weak = [
        planter.pick_kind("pull-cord", "wall-button", also=lambda row: is_every(row) and row.registered_at < old)
        for _ in range(2)
    ]
    truth.weak_serials = [row.transmitter.serial for row in weak if row.transmitter]
    others = [s for s in planter.sites if s.evidence == "every" and all(row.receiver.site is not s for row in weak)]
    site = planter.rng.choice(others or [s for s in planter.sites if s.evidence == "every"])
    truth.outage_site = site.code
    truth.outage_from = at(today - timedelta(days=73), 21, 10)
    truth.outage_to = truth.outage_from + timedelta(hours=36)


def _supervision(planter: Planter) -> None:
    truth = planter.truth
    row = planter.pick_kind("pendant-portable", also=lambda r: is_every(r) and has_window(86400)(r))
    row.supervision, row.window_s = "on", 86400
    row.label = row.label.replace("pendant", "pendant for going out")
    truth.carried_off_serial = row.transmitter.serial  # type: ignore[union-attr]
    row = planter.pick_kind("pull-cord", "wall-button", also=can_switch_off)
    row.supervision, row.window_s = "off", None
    row.note = "switched off after too many missing faults"
    truth.unsupervised_serial = row.transmitter.serial  # type: ignore[union-attr]
    row = planter.pick_kind("door-contact-long", also=has_window(3600))
    row.window_s = 3600
    truth.short_window_serial = row.transmitter.serial  # type: ignore[union-attr]
    row = planter.pick_kind("pull-cord", "wall-button", also=has_window(86400))
    row.window_s = 86400
    truth.long_window_serial = row.transmitter.serial  # type: ignore[union-attr]


def _away(planter: Planter) -> None:
    today = planter.today
    row = planter.pick_kind("pendant-long", "pendant-short", "pendant-portable")
    row.away = {
        "from_on": today - timedelta(days=12), "agreed_until_on": today + timedelta(days=9),
        "reason": "resident in hospital", "agreed_with": row.receiver.site.person,
        "interim": "room is empty, checked by the night round",
    }  # fmt: skip
    planter.truth.away_serial = row.transmitter.serial  # type: ignore[union-attr]
    row = planter.pick_kind("door-contact-long", "door-contact-short", "motion")
    row.away = {
        "from_on": today - timedelta(days=40), "agreed_until_on": today - timedelta(days=6), "reason": "door being rebuilt",
        "agreed_with": row.receiver.site.person, "interim": "builder locks up and signs",
    }  # fmt: skip


def _two_inputs(planter: Planter) -> None:
    """One transmitter with two inputs, declared to stand in two slots of one receiver."""
    free = lambda row: free_slot(row.receiver) is not None  # noqa: E731
    row = planter.pick_kind("contact-input-two", "door-contact-short", also=free)
    second = replace(
        row, slot=free_slot(row.receiver) or 0, input_number=2, is_shared=True, label=f"{row.label}, second contact"[:80],
        outputs=list(row.outputs), contact="no",
    )  # fmt: skip
    row.is_shared = True
    row.receiver.slots.append(second)
    planter.used.add(id(second))
    planter.truth.shared_serial = row.transmitter.serial  # type: ignore[union-attr]


def _nothing_answers(planter: Planter) -> None:
    row = planter.pick(
        lambda r: free_slot(r.receiver) is not None and r.receiver.site.profile in ("public", "home", "office")
    )
    receiver = row.receiver
    slot = free_slot(receiver) or 0
    receiver.slots.append(
        DemoSlot(
            receiver=receiver, slot=slot, transmitter=None, label="taken, nothing answers", area="", duty="security",
            registered_at=at(receiver.installed_on, 15), supervision="unknown", contact="unknown",
            note="found at the take-over; nobody knows what it was",
        )
    )  # fmt: skip
    planter.truth.nothing_answers = (receiver.code, slot)


def _receivers(planter: Planter) -> None:
    """Two receivers of unknown type, one fed too low, one output asked for two things, one latch without a name."""
    rng = planter.rng
    visits = [r for s in planter.sites for r in s.receivers if r.evidence == "visits" and not r.slots[0].is_portable]
    for receiver in rng.sample(visits, 2):
        receiver.type, receiver.serial = None, ""
        receiver.facts |= {"supply_v": None, "fed_from": "", "cable_m": None, "cable_gauge": "", "measured_v": None}
        planter.truth.unknown_receiver_codes.append(receiver.code)
    known = [r for s in planter.sites for r in s.receivers if r.type]
    low = rng.choice(known)
    low.facts |= {
        "cable_m": 85.0, "cable_gauge": "0.5 mm²", "measured_v": round(low.type["supply_v_min"] - 0.4, 1),  # type: ignore[index]
    }  # fmt: skip
    for receiver in known:
        if receiver.purpose == "watch" and receiver.type and "momentary" in receiver.type["behaviours"]:
            row = next((r for r in receiver.slots if code_of(r).startswith("motion")), None)
            if row:
                row.outputs = [(number, "momentary", 5.0) for number, _, _ in row.outputs]
                break
    aid = [r for r in known if r.purpose == "aid"] or known
    rng.choice(aid).outputs[0]["clears"] = ""
    rng.choice([r for r in known if r is not low]).outputs[-1] |= {"drives": "", "terminals": "", "seen_days_ago": None}


def _spares(planter: Planter, serials: Serials, types: dict[str, Any]) -> list[DemoTransmitter]:
    """Transmitters in no slot: two in the van, one found in a drawer whose type nobody can read."""
    site = planter.sites[0]
    since = planter.today - timedelta(days=80)
    made = [
        DemoTransmitter(serials.next(), types["transmitters"][code], site, since, note=note)
        for code, note in (
            ("pull-cord", "spare, in the van"),
            ("pendant-long", "loan unit, back by the end of the month"),
        )
    ]
    made.append(DemoTransmitter(serials.next(), None, site, since, note="found in a drawer, label rubbed off"))
    return made


def free_slot(receiver: DemoReceiver) -> int | None:
    """Lowest slot that never held anything, None if there is none."""
    taken = {row.slot for row in receiver.slots}
    return next((number for number in range(1, receiver.n_slots + 1) if number not in taken), None)


def unknown_ages(planter: Planter, begin: date, n: int) -> None:
    """Take the fitting date of first cells away where it was lost before the records began."""

    def is_first(row: DemoSlot) -> bool:
        cells = row.transmitter.fittings if row.transmitter else []
        return (
            len(cells) == 1
            and cells[0].removed_at is None
            and cells[0].entered_at.date() == begin
            and not row.is_shared
        )

    for _ in range(n):
        try:
            row = planter.pick(is_first)
        except ValueError:
            return
        assert row.transmitter is not None
        fitting = row.transmitter.fittings[0]
        # The drawn life stays the truth; what is lost is only what the records know.
        fitting.fitted_at, fitting.lot, fitting.made_on = None, "", None
        fitting.entered_at = at(planter.today - timedelta(days=planter.rng.randint(300, 745)), 12)
        fitting.note = "age unknown when first seen"
        planter.truth.unknown_age_serials.append(row.transmitter.serial)


def mixed_lots(planter: Planter) -> None:
    """One set of two cells from two deliveries."""
    row = planter.pick(
        lambda r: (
            code_of(r) in ("pull-cord", "motion-wide", "contact-input-two")
            and bool(r.transmitter and r.transmitter.fittings)
        )
    )
    fitting = row.transmitter.fittings[-1]  # type: ignore[union-attr]
    fitting.lot = f"{fitting.lot} + 23-40D"
    planter.truth.mixed_lot_serial = row.transmitter.serial  # type: ignore[union-attr]


def open_ends(planter: Planter) -> None:
    """Cells that have just begun to signal, one past its grace, and one transmitter that died without a word."""
    for duty, ago, says in (
        ("life_safety", 3, True), ("life_safety", 11, True), ("security", 5, True), ("life_safety", 2, False),
    ):  # fmt: skip
        row = _oldest(planter, duty)
        fitting = row.transmitter.fittings[-1]  # type: ignore[union-attr]
        ended = at(planter.today - timedelta(days=ago), 2 + ago, 17)
        fitting.life_u = (ended - fitting.fitted_at).days * fitting.rate_per_day  # type: ignore[operator]
        if says:
            fitting.first_low_at = ended
        else:
            fitting.died_at = fitting.last_alive_at = ended
            planter.truth.silent_serial = row.transmitter.serial  # type: ignore[union-attr]


def _oldest(planter: Planter, duty: str) -> DemoSlot:
    """A supervised slot whose check-ins we get, with cells as far in their life as can be had: new ones do not just end."""
    scale = planter.truth.scale_by_type
    for share in (0.55, 0.45, 0.35, 0.25, 0.1):

        def fits(row: DemoSlot, share: float = share) -> bool:
            unit = row.transmitter
            if unit is None or unit.type is None or unit.type["welded_cell"] or not unit.fittings:
                return False
            if row.duty != duty or row.is_portable or not is_every(row) or row.supervision != "on":
                return False
            last = unit.fittings[-1]
            if last.fitted_at is None or not last.lot or last.first_low_at or last.died_at:
                return False
            used = (planter.today - last.fitted_at.date()).days * last.rate_per_day
            return used > share * scale[code_of(row)]

        try:
            return planter.pick(fits)
        except ValueError:
            continue
    raise ValueError("No cells are old enough to end: choose a larger scale.")


def narrow_windows(planter: Planter) -> None:
    """Windows that hold three check-ins, as somebody left them years ago at a few sites: they cry wolf."""

    def fits(row: DemoSlot) -> bool:
        return (
            id(row) not in planter.used and row.removed_at is None and row.supervision == "on" and not row.is_shared
            and code_of(row) in ("pull-cord", "wall-button") and is_every(row) and has_window(3600)(row)
            and row.interval_s == 1200
        )  # fmt: skip

    for site in [site for site in planter.sites if site.evidence == "every"][:N_NARROW]:
        row = next((row for receiver in site.receivers for row in receiver.slots if fits(row)), None)
        if row is not None and row.transmitter is not None:
            row.window_s = 3600
            planter.used.add(id(row))
            planter.truth.narrow_window_serials.append(row.transmitter.serial)


def something_due(planter: Planter, cells: Cells, beats: dict[str, list[DemoSite]], changes: list[Change]) -> None:
    """Whatever the dice said: each stop of today has some cells due, and two life-safety ones are late in nobody's round."""
    order = list(beats)
    last = {id(change.new): change for change in changes}
    for site in beats[order[0]]:
        for ahead in (6, 13, 24, 44):
            _make_due(planter, cells, stands_at(site), ahead, last)
    later = {site.code for site in [site for beat in order[3:] for site in beats[beat]] or beats[order[-1]]}
    for late in (6, 17):
        _make_due(
            planter, cells, lambda row: row.duty == "life_safety" and row.receiver.site.code in later, -late, last
        )


def _make_due(planter: Planter, cells: Cells, wanted: Pick, ahead: int, last: dict[int, Change]) -> None:
    """Make one set of cells due about so many days from today, if any can be."""

    def fits(row: DemoSlot) -> bool:
        unit = row.transmitter
        if unit is None or unit.type is None or row.removed_at or not unit.fittings or unit.type["welded_cell"]:
            return False
        cells = unit.fittings[-1]
        fresh = cells.fitted_at and not cells.removed_at and not cells.first_low_at and not cells.died_at
        return bool(fresh) and not row.replaces and cells.lot != planter.truth.bad_lot and wanted(row)

    for _ in range(40):
        try:
            row = planter.pick(fits)
        except ValueError:
            return
        fitting = row.transmitter.fittings[-1]  # type: ignore[union-attr]
        if cells.make_due(fitting, last.get(id(fitting)), row.duty, planter.today + timedelta(days=ahead)):
            return
