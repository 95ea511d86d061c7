"""What played gateways send: transmitters with their beat, what happens to them, and the posts that come of it."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

POST_EVERY = timedelta(minutes=15)
QUARTER_S = 900


@dataclass(frozen=True, slots=True)
class Unit:
    """A transmitter: how often it checks in, at which second of that interval, and how long it may be silent (None: for ever)."""

    serial: str
    interval_s: int
    phase_s: int
    margin_db: int
    acts_per_day: float = 0.0
    window_s: int | None = None


@dataclass(frozen=True, slots=True)
class Station:
    """A receiver with its gateway and what hangs on it; `name` is what people call it."""

    code: str
    customer: int
    units: tuple[Unit, ...]
    name: str = ""


@dataclass(slots=True)
class Story:
    """What happens: moments are event times; an end of None means for good.

    `low`: serial → low battery from then on. `silent`: serial → from, to. `deaf`: receiver → from, to (its gateway posts,
    nothing is heard). `down`: receiver → from, to (nothing is posted; afterwards nothing is caught up).
    """

    low: dict[str, datetime] = field(default_factory=dict)
    silent: dict[str, tuple[datetime, datetime | None]] = field(default_factory=dict)
    deaf: dict[str, tuple[datetime, datetime | None]] = field(default_factory=dict)
    down: dict[str, tuple[datetime, datetime | None]] = field(default_factory=dict)


def _within(at: datetime, span: tuple[datetime, datetime | None] | None) -> bool:
    return span is not None and span[0] <= at and (span[1] is None or at < span[1])


@dataclass(frozen=True, slots=True)
class Post:
    """One batch of one receiver: what was heard after `begin` up to `until`, in the run of this name."""

    station: Station
    begin: datetime
    until: datetime
    rows: tuple[dict[str, Any], ...]
    run: str = ""

    @property
    def batch_id(self) -> str:
        """Unique for the run, the receiver and the span to the microsecond, so that a repeat is known as one."""
        span = f"{self.begin:%Y%m%dT%H%M%S.%f}-{self.until:%d%H%M%S.%f}"
        return "-".join(part for part in (self.station.code, span, self.run) if part)

    def body(self) -> bytes:
        """As it is sent."""
        return json.dumps(
            {
                "batch": self.batch_id, "receiver": self.station.code, "until": self.until.isoformat(),
                "rows": list(self.rows),
            }
        ).encode()  # fmt: skip


def rows_of(unit: Unit, begin: datetime, until: datetime, story: Story, seed: int = 1) -> Iterator[dict[str, Any]]:
    """What one transmitter sends after `begin` up to `until`: check-ins on its own beat, activations, its low battery.

    The same span gives the same rows, whatever was asked before.
    """
    first = int((begin.timestamp() - unit.phase_s) // unit.interval_s) + 1
    last = int((until.timestamp() - unit.phase_s) // unit.interval_s)
    for n in range(first, last + 1):
        at = datetime.fromtimestamp(n * unit.interval_s + unit.phase_s, UTC)
        if _within(at, story.silent.get(unit.serial)):
            continue
        chance = random.Random(f"{seed}:{unit.serial}:{n}")
        if chance.random() < 0.01:
            continue
        low = story.low.get(unit.serial)
        row = {"serial": unit.serial, "time": at.isoformat(), "kind": "check_in", "margin_db": unit.margin_db}
        yield row | ({"kind": "low_battery"} if low is not None and at >= low else {})
        if chance.random() < unit.acts_per_day * unit.interval_s / 86_400:
            later = at + timedelta(seconds=chance.randrange(1, max(2, min(unit.interval_s, 60))))
            if later <= until:
                yield {"serial": unit.serial, "time": later.isoformat(), "kind": "activation"}


def posts_of(
    stations: Sequence[Station], begin: datetime, until: datetime, story: Story, run: str = ""
) -> Iterator[Post]:
    """Posts of all stations between two moments, in the order in which they would be sent."""
    moment = begin
    while moment < until:
        end = min(moment + POST_EVERY, until)
        for station in stations:
            if _within(end, story.down.get(station.code)):
                continue
            is_deaf = _within(end, story.deaf.get(station.code))
            rows = () if is_deaf else tuple(row for unit in station.units for row in rows_of(unit, moment, end, story))
            yield Post(station, moment, end, rows, run)
        moment = end
