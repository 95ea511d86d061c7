"""Faults reported of a transmitter before it had a slot: they wait with its adopted events, and stand once it has one.

Events that were adopted, and those of a transmitter on record that stood in no slot (`intake_in_no_slot`), wait alike.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta

from django.db import transaction
from django.db.models import Q

from devices.actions.fault_events import Signal, lock_for_faults, record_signals
from devices.models import Fault, FaultReport, Fitting, Registration, SetAside
from devices.querysets.silence import last_heard
from devices.rules.events import CLEARS, OF_RECEIVER, RAISES
from devices.rules.fault_spans import Turn, spans_of

LATELY = timedelta(days=90)
"""What was adopted longer ago has had its slot, or will be reported again; our own choice. Not so cells that were low: they
may lie on a shelf for long, and get no better."""
OF_CELLS = ("low_battery", "battery_restored")
KINDS = (RAISES.keys() | CLEARS.keys()) - OF_RECEIVER
"""Events that raise or end a fault of a transmitter."""


@transaction.atomic
def carry_over(
    *, at: datetime, receiver_ids: Iterable[int] | None = None, transmitter_ids: Iterable[int] | None = None
) -> list[Fault]:  # fmt: skip
    """Report what adopted events and the like said of transmitters that had no slot then, at the first slot they had since.

    What still stood when the transmitter was registered stands there, since when it was reported, as if the report had come
    afterwards; what was over by then, or ended by new cells, is left out, and so is a missing that was heard since. Looked at
    are the records as they stand, of some receivers or transmitters or of all. Gives the faults that changed; may be repeated.

    Locks the receivers concerned: whoever locks transmitters in the same transaction must have locked these before.
    """
    events = _adopted(at, receiver_ids, transmitter_ids)
    told = _told(events)
    if all(told.get(_word(row)) for row in events):
        return []
    stays = _stays({row.transmitter_id for row in events if row.transmitter_id is not None})
    here: dict[tuple[Registration, str], list[SetAside]] = defaultdict(list)
    for row in events:
        stay = _first_after(row, stays)
        # What was reported at another receiver is told there.
        if stay is not None and told.get(_word(row), {stay.receiver_id}) == {stay.receiver_id}:
            here[stay, RAISES.get(row.kind) or CLEARS[row.kind]].append(row)
    if not here:
        return []
    lock_for_faults({stay.receiver_id for stay, _ in here})
    ended = _ended({(stay.transmitter_id or 0, kind) for stay, kind in here})
    signals: dict[str, list[Signal]] = defaultdict(list)
    for (stay, kind), rows in here.items():
        is_told = {row.pk for row in rows if told.get(_word(row))}
        for row in _standing(stay, rows, ended[stay.transmitter_id or 0, kind], is_told):
            signals[row.batch.source.name].append(_signal(row, stay))
    done = [fault for name, some in signals.items() for fault in record_signals(signals=some, source=name, at=at)]
    return list({fault.pk: fault for fault in done}.values())


def waiting_kinds(transmitter_id: int) -> list[str]:
    """Kinds of fault that adopted events have reported of a transmitter and not taken back, sorted, where it had no slot yet."""
    rows = SetAside.objects.filter(transmitter=transmitter_id, adopted_at__isnull=False, kind__in=KINDS)
    found: dict[str, set[Turn]] = defaultdict(set)
    for kind, moment in rows.exclude(at=None).values_list("kind", "at"):
        found[RAISES.get(kind) or CLEARS[kind]].add(Turn(moment, kind in CLEARS))
    ended = _ended({(transmitter_id, kind) for kind in found})
    return sorted(
        kind for kind, turns in found.items()
        if (spans := spans_of(turns, dict.fromkeys(ended[transmitter_id, kind], ""))) and spans[-1].end is None
    )  # fmt: skip


def _adopted(
    at: datetime, receiver_ids: Iterable[int] | None, transmitter_ids: Iterable[int] | None
) -> list[SetAside]:  # fmt: skip
    """Adopted events of transmitters that say something of a fault, in their order."""
    rows = SetAside.objects.filter(
        Q(adopted_at__gte=at - LATELY) | Q(adopted_at__isnull=False, kind__in=OF_CELLS),
        transmitter__isnull=False, kind__in=KINDS, at__isnull=False,
    )  # fmt: skip
    if receiver_ids is not None:
        here = Registration.objects.filter(receiver__in=set(receiver_ids), removed_at=None, transmitter__isnull=False)
        rows = rows.filter(transmitter__in=here.values("transmitter_id"))
    if transmitter_ids is not None:
        rows = rows.filter(transmitter__in=set(transmitter_ids))
    # Answers of batches name every row that was set aside: they are not read with each event.
    rows = rows.select_related("batch__source").only(
        "transmitter_id", "receiver_id", "kind", "at", "event", "batch__source__name"
    )
    return list(rows.order_by("at", "pk"))


Word = tuple[int | None, str, datetime | None, bool]
"""Transmitter, kind of fault, moment, and whether it was raised then."""


def _word(row: SetAside) -> Word:
    return row.transmitter_id, RAISES.get(row.kind) or CLEARS[row.kind], row.at, row.kind in RAISES


def _told(events: Sequence[SetAside]) -> Mapping[Word, set[int]]:
    """At which receivers something was reported of these transmitters."""
    found: dict[Word, set[int]] = {}
    if events and events[0].at is not None:
        rows = FaultReport.objects.filter(transmitter__in={row.transmitter_id for row in events}, at__gte=events[0].at)
        for *word, receiver_id in rows.values_list("transmitter_id", "kind", "at", "is_raised", "receiver_id"):
            found.setdefault(tuple(word), set()).add(receiver_id)  # type: ignore[arg-type]
    return found


def _stays(transmitter_ids: Collection[int]) -> Mapping[int, Sequence[Registration]]:
    found: dict[int, list[Registration]] = defaultdict(list)
    for stay in Registration.objects.filter(transmitter__in=transmitter_ids).order_by("registered_at", "pk"):
        found[stay.transmitter_id or 0].append(stay)
    return found


def _first_after(row: SetAside, stays: Mapping[int, Sequence[Registration]]) -> Registration | None:
    """Where the transmitter stood at an event or was put next; a receiver that calls it missing speaks of itself alone."""
    for stay in stays.get(row.transmitter_id or 0, ()):
        is_over = stay.removed_at is not None and row.at is not None and stay.removed_at <= row.at
        is_its_word = row.kind in ("missing", "missing_restored") and row.receiver_id not in (None, stay.receiver_id)
        if not is_over and not is_its_word:
            return stay
    return None


def _ended(keys: Iterable[tuple[int, str]]) -> Mapping[tuple[int, str], set[datetime]]:
    """When something ended that nobody reports: cells were fitted, the transmitter was last heard."""
    found: dict[tuple[int, str], set[datetime]] = defaultdict(set)
    low = {unit for unit, kind in keys if kind == Fault.Kind.LOW_BATTERY}
    cells = Fitting.objects.filter(transmitter__in=low, fitted_at__isnull=False)
    for unit, moment in cells.values_list("transmitter_id", "fitted_at"):
        found[unit, Fault.Kind.LOW_BATTERY].add(moment)
    gone = {unit for unit, kind in keys if kind == Fault.Kind.MISSING}
    for unit, moment in last_heard(gone, date.max).items() if gone else ():
        found[unit, Fault.Kind.MISSING].add(moment)
    return found


def _standing(
    stay: Registration, rows: Sequence[SetAside], ended: Collection[datetime], is_told: Collection[int]
) -> list[SetAside]:  # fmt: skip
    """Those events that began or ended something that stood when the transmitter was registered, or later.

    Also the end of what `is_told` already: of many events, which are counted part by part, the end may come in a later part.
    """
    by_turn = {Turn(row.at, row.kind in CLEARS): row for row in rows if row.at is not None}
    found = []
    for span in spans_of(by_turn, dict.fromkeys(ended, "")):
        if span.end is not None and Turn(span.end, True) not in by_turn:
            continue
        is_over = span.end is not None and span.end <= stay.registered_at
        if is_over and by_turn[Turn(span.begin, False)].pk not in is_told:
            continue
        turns = [Turn(span.begin, False), *([Turn(span.end, True)] if span.end is not None else [])]
        found += [by_turn[turn] for turn in turns]
    return found


def _signal(row: SetAside, stay: Registration) -> Signal:
    assert row.at is not None
    return Signal(
        row.kind, row.at, stay.customer_id, stay.site_id, stay.receiver_id, stay.pk, stay.transmitter_id,
        str(row.event.get("note") or ""),
    )  # fmt: skip
