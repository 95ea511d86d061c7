"""Hang receivers and transmitters at the sites: outputs, slots, settings, everything as a careful fitter leaves it."""

from __future__ import annotations

import re
from datetime import date, timedelta
from random import Random
from typing import Any

from devices.rules.presence import QUARTER_S
from maintenance.management.demo import buildings, island
from maintenance.management.demo.clock import at
from maintenance.management.demo.people import FIRST_NAMES, LAST_NAMES
from maintenance.management.demo.world import (
    DemoReceiver,
    DemoSite,
    DemoSlot,
    DemoTransmitter,
    seeded_code,
    seeded_uuid,
)

KM_PER_DEGREE = 111.2
COS_LATITUDE = 0.497
"""Cosine of 60.2 degrees: how much shorter a degree of longitude is there."""


SWAPPED_SERIAL = "SK-90417"
"""The unit that came in for a broken one."""
PLANNED_SERIAL = "SK-90422"
"""The unit that a planned change waits for."""
UNKNOWN_SERIAL = "SK-90431"
"""Heard by a gateway, on no record."""
SPARE_PART_SERIAL = "SK-90437"
"""Put up by somebody at another site, and on no record either."""
NEIGHBOUR_SERIAL = "SK-90452"
"""Of somebody else's system next door, heard now and then."""
QUIET_S = 4 * 3600
"""Longer than this no window is made only to be quiet: life safety asks for so much."""
SPOKEN_FOR = frozenset({SWAPPED_SERIAL, PLANNED_SERIAL, UNKNOWN_SERIAL, SPARE_PART_SERIAL, NEIGHBOUR_SERIAL})


class Serials:
    """Serial numbers as a maker's label shows them, rising with gaps; never twice, and none that is spoken for."""

    def __init__(self, rng: Random) -> None:
        self.rng, self.last = rng, 1170

    def next(self) -> str:
        self.last += self.rng.choice((1, 1, 1, 2, 3, 7))
        serial = f"SK-{self.last:05}"
        # A large firm gets as far as the numbers that are given out by hand.
        return self.next() if serial in SPOKEN_FOR else serial


def make_sites(rng: Random, today: date, n_transmitters: int) -> list[DemoSite]:
    """Choose and place the sites: the island's list from its top, over again with a number behind the name if need be."""
    sites: list[DemoSite] = []
    left, lap = n_transmitters, 0
    ten = sum(place.n_transmitters for place in island.PLACES[:10])
    while left > 0 or len(sites) < 10:
        for place in island.PLACES:
            if left <= 0 and len(sites) >= 10:
                break
            n = place.n_transmitters
            if n_transmitters < ten:
                n = max(5, round(n * n_transmitters / ten))
            if len(sites) >= 10:
                n = min(n, max(left, 4))
            sites.append(_site(rng, today, place, n, lap))
            left -= n
        lap += 1
    return sites


def _site(rng: Random, today: date, place: island.Place, n: int, lap: int) -> DemoSite:
    north, east = place.north_km + rng.uniform(-0.05, 0.05), place.east_km + rng.uniform(-0.05, 0.05)
    if lap:
        north, east = north + rng.uniform(-3, 3), east + rng.uniform(-3, 3)
    share = n / place.n_transmitters
    days_ago = rng.randint(1500, 5200) if rng.random() < 0.88 else rng.randint(200, 900)
    return DemoSite(
        code=place.code if not lap else f"{place.code}-{lap + 1}",
        name=place.name if not lap else f"{place.name} {lap + 1}",
        kind=place.kind,
        customer=place.code[:3],
        town=place.town,
        latitude=round(island.CENTRE[0] + north / KM_PER_DEGREE, 5),
        longitude=round(island.CENTRE[1] + east / (KM_PER_DEGREE * COS_LATITUDE), 5),
        beat=f"{place.beat}{lap or ''}",
        profile=place.profile,
        person=f"{rng.choice(FIRST_NAMES)} {rng.choice(LAST_NAMES)}",
        n_transmitters=n,
        n_receivers=max(1, min(place.n_receivers, round(place.n_receivers * share + 0.3))),
        evidence=place.evidence,
        centre=place.centre,
        installed_on=today - timedelta(days=days_ago),
        uuid=seeded_uuid(rng),
        hours=island.WEEKDAYS[place.profile],
    )


def install(rng: Random, site: DemoSite, types: dict[str, Any], serials: Serials, today: date) -> list[DemoTransmitter]:
    """Hang the receivers of a site and register its transmitters."""
    purposes = buildings.PURPOSES[site.profile][: site.n_receivers]
    if site.n_receivers == 1:
        purposes = ("plant",) if site.profile == "plant" else ("mixed",)
    numbers = _shares(site.n_transmitters, purposes, types)
    transmitters: list[DemoTransmitter] = []
    seen: dict[str, int] = {}
    for index, (purpose, n) in enumerate(zip(purposes, numbers, strict=True), start=1):
        receiver = _receiver(rng, site, purpose, n, index, types)
        site.receivers.append(receiver)
        codes = _type_codes(rng, purpose, n, receiver)
        slots = _slot_numbers(rng, receiver.n_slots, n)
        for slot, code in zip(slots, codes, strict=True):
            transmitter, row = _register(rng, receiver, slot, types["transmitters"][code], seen, serials, today)
            receiver.slots.append(row)
            transmitters.append(transmitter)
    floors = buildings.FLOORS[site.profile]
    site.areas = sorted(
        {row.area for receiver in site.receivers for row in receiver.slots} | {r.area for r in site.receivers},
        key=lambda path: walk_key(path, floors),
    )
    return transmitters


def walk_key(path: str, floors: tuple[str, ...]) -> tuple[int, list[tuple[int, str]]]:
    """Place of an area in a walk: the cellar, then floors from the entrance up, rooms as people count (2 before 10)."""
    floor, _, room = path.partition(" / ")
    parts = [(int(part), "") if part.isdigit() else (0, part) for part in re.split(r"(\d+)", room)]
    if floor == "Cellar":
        return (-1, parts)
    return (floors.index(floor) if floor in floors else len(floors), parts)


def _shares(n: int, purposes: tuple[str, ...], types: dict[str, Any]) -> list[int]:
    """Spread n transmitters over the receivers by purpose, no more than the largest type takes."""
    weights = [buildings.SHARES[purpose] for purpose in purposes]
    limits = [types["receivers"][buildings.RECEIVER_TYPES[purpose][-1]]["n_slots"] - 1 for purpose in purposes]
    numbers = [min(limit, max(1, int(n * w / sum(weights)))) for w, limit in zip(weights, limits, strict=True)]
    index = 0
    while sum(numbers) < n:
        if numbers[index % len(numbers)] < limits[index % len(numbers)]:
            numbers[index % len(numbers)] += 1
        index += 1
    while sum(numbers) > n:
        numbers[numbers.index(max(numbers))] -= 1
    return numbers


def _receiver(rng: Random, site: DemoSite, purpose: str, n: int, index: int, types: dict[str, Any]) -> DemoReceiver:
    fitting = [types["receivers"][code] for code in buildings.RECEIVER_TYPES[purpose]]
    # A spare slot is left wherever somebody thought ahead; behind the help calls of small places nobody did.
    wanted = n if purpose == "aid" else n + 1
    kind = next(t for t in fitting if t["n_slots"] >= wanted or t is fitting[-1])
    floor = buildings.FLOORS[site.profile][(index - 1) % len(buildings.FLOORS[site.profile])]
    cable = round(rng.uniform(4, 45), 0)
    installed = site.installed_on + timedelta(days=rng.randint(0, 20))
    receiver = DemoReceiver(
        site=site, code=seeded_code(rng), label=f"R{index} {buildings.PURPOSE_WORDS[purpose]}", purpose=purpose,
        area=f"{floor} / {rng.choice(('electrical cupboard', 'riser', 'office', 'plant cupboard', 'porch'))}",
        type=kind, n_slots=kind["n_slots"], serial=f"RX-{rng.randint(10000, 99999)}", evidence=site.evidence,
        installed_on=installed,
    )  # fmt: skip
    receiver.facts = {
        "supply_v": kind["supply_v_nominal"],
        "fed_from": rng.choice(
            ("panel, auxiliary output", "own supply unit beside it", "fire panel, auxiliary output")
        ),
        "cable_m": cable,
        "cable_gauge": rng.choice(("0.5 mm²", "0.75 mm²", "1.0 mm²", "AWG 18")),
        "measured_v": round(kind["supply_v_nominal"] * rng.uniform(1.02, 1.13) - cable * kind["supply_ma"] * 4e-5, 1),
    }
    receiver.outputs = _outputs(rng, receiver, purpose)
    return receiver


def _outputs(rng: Random, receiver: DemoReceiver, purpose: str) -> list[dict[str, Any]]:
    assert receiver.type is not None
    rows: list[dict[str, Any]] = []
    for number, (drives, behaviour, clears) in enumerate(buildings.OUTPUTS[purpose], start=1):
        known = behaviour if behaviour in receiver.type["behaviours"] else "follower"
        rows.append(
            {
                "number": number, "kind": "signal", "drives": drives, "terminals": f"{3 * number - 2}–{3 * number - 1}",
                "contact": "no", "rest": "released", "load": rng.choice(("20 mA of 1 A", "0.1 A of 1 A", "0.3 A of 1 A")),
                "clears": clears, "eol": "4.7 kΩ in the box" if "panel" in drives else "", "behaviour": known,
                "seen_days_ago": rng.randint(10, 330),
            }
        )  # fmt: skip
    number = receiver.type["n_outputs"]
    rows.append(
        {
            "number": number, "kind": "fault", "drives": buildings.FAULT_OUTPUT[purpose],
            "terminals": f"{3 * number - 2}–{3 * number - 1}", "contact": "nc", "rest": "energised",
            "load": "20 mA of 1 A", "clears": "", "eol": "", "behaviour": "",
            "seen_days_ago": rng.randint(10, 350) if rng.random() < 0.93 else None,
        }
    )  # fmt: skip
    return rows


def _type_codes(rng: Random, purpose: str, n: int, receiver: DemoReceiver) -> list[str]:
    """Types of the n transmitters in the purpose's proportions; a receiver that cannot leave a slot unsupervised gets no portable one."""
    assert receiver.type is not None
    shares = [
        (code, weight)
        for code, weight in buildings.TRANSMITTERS[purpose]
        if (code != "pendant-portable" or receiver.type["can_switch_supervision_off"])
        and (code != "smoke-short" or 180 in receiver.type["windows_s"])
        and (code != "repeater-mains" or n >= 14)
    ]
    # One of each where there is room: a small firm shall have every kind that a large one has.
    codes = [code for code, _ in shares] if n >= len(shares) + 1 else []
    codes += rng.choices([code for code, _ in shares], [weight for _, weight in shares], k=n - len(codes))
    rng.shuffle(codes)
    return codes


def _slot_numbers(rng: Random, n_slots: int, n: int) -> list[int]:
    """Slots from one upwards with a few left free, as years of changes leave them."""
    spare = min(n_slots - n, n // 9)
    return sorted(rng.sample(range(1, n + spare + 1), n))


def place_words(rng: Random, site: DemoSite, kind: str, code: str, seen: dict[str, int]) -> tuple[str, str]:
    """Give a new transmitter its label and area."""
    floor = rng.choice(buildings.FLOORS[site.profile])
    if kind in ("pendant", "pull_cord", "wall_button") and site.profile in ("care", "home"):
        seen[kind] = seen.get(kind, 0) + 1
        room = f"{'Room' if site.profile == 'care' else 'Flat'} {seen[kind]}"
        floors = buildings.FLOORS[site.profile]
        floor = floors[min(seen[kind] // 14, len(floors) - 1)]
        words = {"pendant": "pendant", "pull_cord": "bathroom cord", "wall_button": "bedside button"}[kind]
        return f"{room}, {words}", f"{floor} / {room}"
    spots: dict[str, tuple[str, ...]] = {
        "door_contact": buildings.DOORS, "contact": buildings.PLANT_ROOMS, "other": buildings.WET,
        "temperature": buildings.COLD if code == "temperature-cold" else buildings.ROOMS,
    }  # fmt: skip
    spot = rng.choice(spots.get(kind, buildings.ROOMS))
    suffix = {
        "smoke": ", smoke detector", "motion": ", motion sensor", "temperature": ", temperature", "contact": ", running",
        "other": ", water", "pull_cord": ", help cord", "wall_button": ", help button", "pendant": ", pendant",
        "repeater": ", repeater", "door_contact": "",
    }[kind]  # fmt: skip
    key = f"{floor}/{spot}{suffix}"
    seen[key] = seen.get(key, 0) + 1
    number = f" {seen[key]}" if seen[key] > 1 else ""
    return f"{spot.capitalize()}{number}{suffix}", f"{floor} / {spot}"


def _register(
    rng: Random,
    receiver: DemoReceiver,
    slot: int,
    kind: dict[str, Any],
    seen: dict[str, int],
    serials: Serials,
    today: date,
) -> tuple[DemoTransmitter, DemoSlot]:
    site = receiver.site
    late = rng.random() < 0.09
    since = today - timedelta(days=rng.randint(60, 1000)) if late else receiver.installed_on
    since = max(since, receiver.installed_on)
    if kind["welded_cell"]:
        # Whole units with their cell: each has been swapped for a new one before its cell could run down.
        since = max(since, today - timedelta(days=rng.randint(30, 1398)))
    elif kind.get("unit_life_years"):
        # Units with an end of life have been exchanged in time, with everything in them.
        since = max(since, today - timedelta(days=rng.randint(200, int(kind["unit_life_years"] * 340))))
    made_on = since - timedelta(days=rng.randint(60, 300))
    transmitter = DemoTransmitter(serials.next(), kind, site, since, made_on=made_on)
    label, area = place_words(rng, site, kind["kind"], kind["code"], seen)
    portable = kind["is_portable"]
    row = DemoSlot(
        receiver=receiver, slot=slot, transmitter=transmitter, label=label, area=area, duty=kind["default_duty"],
        registered_at=at(since, 9 + slot % 7, slot * 7 % 60), is_portable=portable,
        supervision="off" if portable else "on", window_s=None if portable else window_for(receiver, kind),
        interval_s=kind["default_interval_s"],
        contact={"none": "none", "nc": "nc", "no": "no"}.get(kind["contact"], rng.choice(("nc", "no"))),
    )  # fmt: skip
    row.outputs = outputs_for(receiver, kind["kind"], area)
    return transmitter, row


def window_for(receiver: DemoReceiver, kind: dict[str, Any]) -> int:
    """Shortest window of the receiver's type that is not under the transmitter's usual one, nor so narrow that it cries wolf.

    A few check-ins lost in a row make no fault: eight of them fit into the window, as far as four hours allow. Windows under
    half an hour, as for smoke, stay: there the transmitter checks in every minute.
    """
    assert receiver.type is not None
    wanted_s = usual_s = kind["default_window_s"]
    if usual_s >= 2 * QUARTER_S:
        wanted_s = max(usual_s, min(8 * max(kind["default_interval_s"], QUARTER_S), QUIET_S))
    windows = sorted(receiver.type["windows_s"])
    return next((w for w in windows if w >= wanted_s), windows[-1])


def outputs_for(receiver: DemoReceiver, kind: str, area: str) -> list[tuple[int, str, float | None]]:
    """Outputs that a kind of transmitter drives there; calls also go to the paging system."""
    number = buildings.OUTPUT_OF_KIND.get(receiver.purpose, {}).get(kind, 1)
    if number == 0:
        return []
    if receiver.purpose == "fire" and not area.startswith(buildings.FLOORS[receiver.site.profile][0]):
        number = 2
    by_number = {row["number"]: row for row in receiver.outputs}
    numbers = [number, 2] if receiver.purpose == "call" else [number]
    rows = []
    for each in numbers:
        behaviour = by_number[each]["behaviour"]
        rows.append((each, behaviour, 5.0 if behaviour == "momentary" else None))
    return rows
