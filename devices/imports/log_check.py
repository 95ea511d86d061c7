"""What an event log would do to the records, worked out without writing anything."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from datetime import date, datetime
from typing import Any

from devices.imports.log_places import KnownPlaces
from devices.models import CheckInDay, IntakeSource, Registration, Transmitter
from devices.querysets.days_read import days_of
from devices.rules.event_log import Part
from devices.rules.events import HEARD, OF_RECEIVER, Event, RowProblem
from devices.rules.serials import Serials

MOST_LISTED = 200
MOST_PROBLEMS = 20_000
"""More problems than this are counted, not listed: the same slip stands in every row."""
MOST_LEFT = 2_000
"""Different words of rows left out that are counted one by one: a column of free text would fill the memory."""
_AT_ONCE = 400
_QUOTED = re.compile("^“[^”]*”(?= is no )")


def _alike(why: str) -> str:
    """A reason without the cell that it quotes, where it begins with it: what is wrong in the same way is counted together."""
    return _QUOTED.sub("“…”", why)


class Check:
    """Adds up what the parts of a file hold and would change.

    Parameters
    ----------
    source : IntakeSource
        Whose file it is; units that it does not speak for count as unknown.
    places : KnownPlaces
        Its receivers.
    """

    def __init__(self, source: IntakeSource, places: KnownPlaces) -> None:
        self._codes = {one.code: one.pk for one in places.known}
        self._only = places.only
        self._load(source)
        self.problems: list[RowProblem] = []
        self._kinds: Counter[str] = Counter()
        self._whys: Counter[str] = Counter()
        self._unread: Counter[str] = Counter()
        self._unknown: Counter[str] = Counter()
        self._nowhere: Counter[str] = Counter()
        self._spare: Counter[str] = Counter()
        self._left: Counter[str] = Counter()
        self._days: set[tuple[int, date]] = set()
        self._n: Counter[str] = Counter()
        self._from: datetime | None = None
        self._until: datetime | None = None

    def _load(self, source: IntakeSource) -> None:
        units = Transmitter.objects.all()
        slots = Registration.objects.filter(receiver_id__in=self._codes.values(), transmitter__isnull=False)
        if source.customer_id:
            units = units.filter(customer_id=source.customer_id)
        if source.site_id:
            units = units.filter(pk__in=Registration.objects.filter(site_id=source.site_id).values("transmitter_id"))
        rows = list(units.values_list("serial", "pk", "retired_at"))
        self._by_serial = {serial: pk for serial, pk, _ in rows}
        self._serials = Serials(self._by_serial, {serial for serial, _, retired in rows if retired})
        self._meant: dict[str, int | None] = {}
        self._slots: dict[tuple[int, int], list[tuple[datetime, datetime | None, int]]] = {}
        for receiver, slot, since, until, unit in slots.values_list(
            "receiver_id", "slot", "registered_at", "removed_at", "transmitter_id"
        ):
            self._slots.setdefault((receiver, slot), []).append((since, until, unit or 0))

    def add(self, part: Part) -> None:
        """Add one part."""
        self._n["rows"] += part.n_rows
        self._n["ignored"] += part.n_ignored
        self._n["clamped"] += part.n_clamped
        self._n["events"] += len(part.events)
        self._n["refused"] += len(part.problems)
        self._n["batches"] += bool(part.events or part.problems)
        for problem in part.problems:
            self._whys[_alike(problem.why)] += 1
        for value in part.unread:
            self._n["unread"] += 1
            self._unread[_alike(value.why)] += 1
        for word, n in part.left.items():
            if word in self._left or len(self._left) < MOST_LEFT:
                self._left[word] += n
        self.problems.extend(part.problems[: max(MOST_PROBLEMS - len(self.problems), 0)])
        for event in part.events:
            self._add_event(event)

    def _add_event(self, event: Event) -> None:
        self._kinds[event.kind] += 1
        self._from = event.at if self._from is None or event.at < self._from else self._from
        self._until = event.at if self._until is None or event.at > self._until else self._until
        if event.kind in OF_RECEIVER:
            if (event.receiver or self._only) not in self._codes:
                self._nowhere[event.receiver] += 1
                self._n["set_aside"] += 1
            return
        unit = self._unit(event)
        if unit is None:
            self._n["set_aside"] += 1
        elif event.kind in HEARD:
            self._days.add((unit, event.at.date()))

    def _unit(self, event: Event) -> int | None:
        """Whose event it is; None where the office will find it set aside."""
        if event.serial:
            key = event.serial
            if key not in self._meant:
                meant = self._serials.meant(key)
                self._meant[key] = self._by_serial[meant] if meant else None
            if self._meant[key] is None:
                self._unknown[key] += 1
            return self._meant[key]
        receiver = self._codes.get(event.receiver or self._only)
        if receiver is None:
            self._nowhere[event.receiver] += 1
            return None
        for since, until, unit in self._slots.get((receiver, event.slot or 0), ()):
            if since <= event.at and (until is None or event.at < until):
                return unit
        self._spare[f"{event.receiver or self._only} {event.slot}"] += 1
        return None

    def result(self) -> dict[str, Any]:
        """Give the counts as a job keeps them."""
        n_heard = self._n_days_on_record()
        return {
            **{f"n_{name}": self._n[name] for name in ("rows", "events", "refused", "ignored", "clamped", "set_aside", "batches", "unread")},
            "from": self._from.isoformat() if self._from else "", "until": self._until.isoformat() if self._until else "",
            "kinds": self._kinds.most_common(), "whys": self._whys.most_common(10),
            "unread": self._unread.most_common(10),
            "unknown": self._unknown.most_common(MOST_LISTED), "n_unknown": len(self._unknown),
            "nowhere": self._nowhere.most_common(MOST_LISTED), "n_nowhere": len(self._nowhere),
            "spare": self._spare.most_common(MOST_LISTED), "n_spare": len(self._spare),
            "left": self._left.most_common(MOST_LISTED), "n_left": len(self._left), "n_listed": len(self.problems),
            "n_units": len({unit for unit, _ in self._days}), "n_days": len(self._days), "n_days_heard": n_heard,
        }  # fmt: skip

    def _n_days_on_record(self) -> int:
        """Days of the file on which the transmitter is on record as heard already."""
        return sum(pair in self._days for pair in self._on_record())

    def _on_record(self) -> Iterator[tuple[int, date]]:
        units = sorted({unit for unit, _ in self._days})
        days = [day for _, day in self._days]
        if not days:
            return
        first, last = min(days), max(days)
        heard = CheckInDay.objects.filter(heard__gt=0)
        for start in range(0, len(units), _AT_ONCE):
            some = units[start : start + _AT_ONCE]
            rows = days_of(heard, since=first, until=last, transmitters=some, fields=("transmitter_id", "day"))
            yield from rows.iterator(chunk_size=5_000)
