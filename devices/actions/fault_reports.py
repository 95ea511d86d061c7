"""Reports of faults kept as they come, and the faults that follow from them: in whatever order they came, the same ones."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, NamedTuple

from django.db.models import Exists, OuterRef, Q, Subquery, Value
from django.db.models.functions import Coalesce

from devices.actions.fault_clearings import Clearing
from devices.models import Fault, FaultReport, Fitting, Registration
from devices.querysets.silence import last_heard
from devices.querysets.standby import standby_changed
from devices.rules.events import CLEARS, RAISES
from devices.rules.fault_causes import (
    CELLS,
    CLEARED,
    SAID_OVER,
    STANDBY,
    ended_by,
    with_end,
    with_note,
    without_end,
)
from devices.rules.fault_spans import CLEARED_BY_HAND, Span, Turn, is_listed, matched, spans_of
from devices.rules.silence import GONE

MOVED = ("raised_at", "cleared_at", "found_by", "source", "registration_id", "cause", "latch_cleared_at")
"""What a report may change of a fault on record."""


@dataclass(frozen=True, slots=True)
class Signal:
    """One reported event with whose it is: keys of the receiver, and of the registration and transmitter it concerns.

    `kind` is an `EventKind` of `RAISES` or `CLEARS`; `note` a word of the sender.
    """

    kind: str
    at: datetime
    customer_id: int
    site_id: int
    receiver_id: int
    registration_id: int | None = None
    transmitter_id: int | None = None
    note: str = ""


class Key(NamedTuple):
    """What one fault at a time can be open for."""

    receiver_id: int
    transmitter_id: int
    """0: the receiver itself."""
    kind: str


Reports = dict[Turn, FaultReport]
"""What was reported of one key."""


@dataclass(slots=True)
class Changes:
    """Faults to be written; `gone` are rows that came to nothing, `joined` those of them that lie within another one now."""

    changed: list[Fault] = field(default_factory=list)
    new: list[Fault] = field(default_factory=list)
    gone: list[Fault] = field(default_factory=list)
    joined: list[Fault] = field(default_factory=list)


# --- reports ----------------------------------------------------------------------------------------------------------


def read_reports(keys: Collection[Key], since: datetime) -> dict[Key, Reports]:
    """What was reported of some keys since a moment."""
    found: dict[Key, Reports] = {key: {} for key in keys}
    for row in FaultReport.objects.filter(_about(keys), at__gte=since):
        mine = found.get(key_of(row))
        if mine is not None:
            mine[Turn(row.at, not row.is_raised)] = row
    return found


def add_reports(known: dict[Key, Reports], signals: Iterable[Signal], source: str, at: datetime) -> list[FaultReport]:
    """Put signals beside what is known; gives those that nobody had reported before, to be written."""
    new = []
    for signal in signals:
        kind = RAISES.get(signal.kind) or CLEARS[signal.kind]
        mine = known[Key(signal.receiver_id, signal.transmitter_id or 0, kind)]
        turn = Turn(signal.at, signal.kind in CLEARS)
        if turn in mine:
            continue
        mine[turn] = FaultReport(
            customer_id=signal.customer_id, site_id=signal.site_id, receiver_id=signal.receiver_id, kind=kind,
            registration_id=signal.registration_id, transmitter_id=signal.transmitter_id, at=signal.at,
            is_raised=not turn.is_end, note=signal.note[:120], source=source[:40], received_at=at,
        )  # fmt: skip
        new.append(mine[turn])
    return new


def key_of(row: Fault | FaultReport) -> Key:
    """What a fault or report is about."""
    return Key(row.receiver_id, row.transmitter_id or 0, row.kind)


def is_of_person(report: FaultReport) -> bool:
    """Whether a person said that it is over, instead of a receiver: what comes in always has a source."""
    return not report.source and report.note == SAID_OVER


def _about(keys: Iterable[Key]) -> Q:
    """Rows of these keys, and some more: of their receivers, transmitters and kinds crosswise."""
    receivers, units, kinds = (set(column) for column in zip(*keys, strict=True))
    of_units = Q(transmitter__in=units - {0}) | (Q(transmitter=None) if 0 in units else Q())
    return of_units & Q(receiver__in=receivers, kind__in=kinds)


# --- what else is known -----------------------------------------------------------------------------------------------


def read_faults(keys: Collection[Key], since: datetime) -> dict[Key, list[Fault]]:
    """Faults of some keys that stood at a moment or later, oldest first; each with the note of the report that it began with."""
    found: dict[Key, list[Fault]] = {key: [] for key in keys}
    rows = Fault.objects.filter(_about(keys), Q(cleared_at=None) | Q(cleared_at__gte=since))
    began = FaultReport.objects.alias(unit=Coalesce("transmitter", 0)).filter(
        receiver=OuterRef("receiver"), unit=Coalesce(OuterRef("transmitter"), 0), kind=OuterRef("kind"),
        at=OuterRef("raised_at"), is_raised=True,
    )  # fmt: skip
    for row in rows.annotate(begin_note=Subquery(began.values("note")[:1])).order_by("raised_at", "pk"):
        if (mine := found.get(key_of(row))) is not None:
            mine.append(row)
    return found


def known_ends(
    keys: Collection[Key], since: datetime, at: datetime, listened: Collection[int]
) -> dict[Key, dict[datetime, str]]:
    """Moments since then, up to `at`, at which faults ended though no receiver says so, with the cause: cells or standby
    battery changed, transmitter gone; or heard (without a word), at receivers of which every check-in reaches us.
    """
    found: dict[Key, dict[datetime, str]] = defaultdict(dict)
    of_standby = {key.receiver_id: key for key in keys if key.kind == Fault.Kind.RECEIVER_STANDBY}
    if of_standby:
        for receiver, moments in standby_changed(of_standby, at).items():
            found[of_standby[receiver]] |= dict.fromkeys((one for one in moments if one >= since), STANDBY)
    mine = [key for key in keys if key.transmitter_id]
    if not mine:
        return found
    fitted, left = _moments({key.transmitter_id for key in mine}, since)
    of_missing = [key for key in mine if key.kind == Fault.Kind.MISSING and key.receiver_id in listened]
    heard = last_heard([key.transmitter_id for key in of_missing], since.astimezone(UTC).date()) if of_missing else {}
    for key in mine:
        if key.kind == Fault.Kind.LOW_BATTERY:
            found[key] |= dict.fromkeys(fitted[key.transmitter_id], CELLS)
        found[key] |= dict.fromkeys(left[key[:2]], GONE)
    for key in of_missing:
        # Whoever is heard is not missing, whatever became of the restore.
        if (moment := heard.get(key.transmitter_id)) is not None and moment >= since:
            found[key][moment] = ""
    return found


def _moments(
    units: Collection[int], since: datetime
) -> tuple[dict[int, set[datetime]], dict[tuple[int, int], set[datetime]]]:
    """When cells were fitted into transmitters, and when these left their receivers; in one query."""
    cells = Fitting.objects.filter(transmitter__in=units, fitted_at__gte=since)
    stays = Registration.objects.filter(Q(removed_at=None) | Q(removed_at__gte=since), transmitter__in=units)
    rows = stays.values_list("transmitter_id", "receiver_id", "registered_at", "removed_at").union(
        cells.values_list("transmitter_id", Value(0), "fitted_at", "fitted_at"), all=True
    )
    fitted: dict[int, set[datetime]] = defaultdict(set)
    begun: dict[tuple[int, int], set[datetime]] = defaultdict(set)
    left: dict[tuple[int, int], set[datetime]] = defaultdict(set)
    for unit, receiver, begins, ends in rows:
        if not receiver:
            fitted[unit].add(begins)
            continue
        begun[receiver, unit].add(begins)
        if ends is not None:
            left[receiver, unit].add(ends)
    # Changed settings end one registration and begin the next at the same moment: nobody has left then.
    return fitted, defaultdict(set, {place: ends - begun[place] for place, ends in left.items()})


def first_moved(signals: Sequence[Signal]) -> datetime:
    """A moment before everything that some signals can change: the first of them, or when a tamper was raised of which only
    now comes that it was over, after a clearing had been taken for its end.
    """
    oldest = min(signal.at for signal in signals)
    ends = [
        (Key(one.receiver_id, one.transmitter_id or 0, CLEARS[one.kind]), one.at)
        for one in signals if one.kind in CLEARS and CLEARS[one.kind] in CLEARED_BY_HAND
    ]  # fmt: skip
    if not ends:
        return oldest
    # Where another one has begun before, the restore is that one's: nothing before it has to be read, every time anew.
    since = Fault.objects.alias(unit=Coalesce("transmitter", 0)).filter(
        receiver=OuterRef("receiver"), unit=Coalesce(OuterRef("transmitter"), 0), kind=OuterRef("kind"),
        raised_at__gt=OuterRef("raised_at"), raised_at__lte=min(at for _, at in ends),
    )  # fmt: skip
    cleared: dict[Key, list[Fault]] = defaultdict(list)
    rows = Fault.objects.filter(
        _about([key for key, _ in ends]), cause__endswith=CLEARED, cleared_at__lt=max(at for _, at in ends)
    )
    for row in rows.exclude(Exists(since)):
        cleared[key_of(row)].append(row)
    for key, at in ends:
        begun = [row.raised_at for row in cleared[key] if row.cleared_at is not None and row.cleared_at < at]
        oldest = min(oldest, max(begun, default=oldest))
    return oldest


# --- faults -----------------------------------------------------------------------------------------------------------


def settle(
    changes: Changes, key: Key, reports: Reports, rows: Sequence[Fault], ends: Mapping[datetime, str], *,
    latches: bool, clearings: Sequence[Clearing] = (), source: str, at: datetime,
) -> None:  # fmt: skip
    """Work the faults of one key out of its reports and note what must be written.

    `reports` and `rows` reach back to one and the same moment; what was before it is in the rows that stood then. What we
    saw ourselves follows from other evidence and is left to `actions/silence.py`; only where a report comes for what we have
    seen to stand, the same row goes on as reported.
    """
    # What a person said stands among the reports, so that whatever comes in late is put before or after it.
    ends = {**ends, **{turn.at: SAID_OVER for turn, row in reports.items() if turn.is_end and is_of_person(row)}}
    told = [row for row in rows if row.found_by == Fault.FoundBy.SIGNAL]
    seen = next((row for row in rows if row.found_by == Fault.FoundBy.WATCH and row.cleared_at is None), None)
    before = [Span(row.raised_at, row.cleared_at) for row in told]
    # Ends that no report tells of stay ends: a swap, a fault that was put on record otherwise.
    turns = {Turn(one.begin, False) for one in before} | {
        Turn(row.cleared_at, True) for row in told if row.cleared_at is not None and ended_by(row.cause) != CLEARED
    }
    spans = [
        span for span in spans_of(turns | reports.keys(), ends, _by_hand(key, told, clearings, latches=latches))
        if is_listed(span, key.kind, is_latched=latches)
    ]  # fmt: skip
    goes_on = _goes_on(told, before, spans)
    for span in spans:
        if (row := goes_on.get(span)) is not None:
            if (row.raised_at, row.cleared_at) != (span.begin, span.end):
                _move(row, span, reports)
                changes.changed.append(row)
        elif span.end is None and seen is not None:
            seen.raised_at, seen.found_by, seen.source = span.begin, Fault.FoundBy.SIGNAL, source[:40]
            changes.changed.append(seen)
        else:
            whole = next((told[n] for n, one in enumerate(before) if _holds(one, span)), None)
            changes.new.append(_new(key, span, reports, whole, latches=latches, source=source, at=at))
    gone = [row for row in told if row not in goes_on.values()]
    changes.gone += gone
    changes.joined += [row for row in gone if any(_holds(one, Span(row.raised_at, None)) for one in goes_on)]


def _goes_on(told: Sequence[Fault], before: Sequence[Span], spans: Sequence[Span]) -> dict[Span, Fault]:
    """Span → the fault on record that goes on as it.

    A clearing ends nothing by itself: where it was taken back, the fault that it ended goes on, and not the one after it.
    """
    lasting = [
        Span(row.raised_at, None) if ended_by(row.cause) == CLEARED else one
        for row, one in zip(told, before, strict=True)
    ]
    seen_at = {n: met_at for n, row in enumerate(told) if (met_at := _seen_at(row)) is not None}
    return {spans[m]: told[n] for n, m in matched(lasting, spans, seen_at).items()}


def _by_hand(key: Key, told: Sequence[Fault], clearings: Sequence[Clearing], *, latches: bool) -> list[datetime]:
    """When a person cleared what has the fault, where that says something of it."""
    is_shown = latches or any(row.is_latched for row in told)
    return [one.at for one in clearings] if is_shown and key.kind in CLEARED_BY_HAND else []


def _seen_at(row: Fault) -> datetime | None:
    """When somebody saw to a fault first: what is reported as begun after that is another one."""
    cleared = row.latch_cleared_at if row.kind in CLEARED_BY_HAND else None
    return min((at for at in (row.acknowledged_at, cleared) if at is not None), default=None)


def _holds(one: Span, part: Span) -> bool:
    return one.begin <= part.begin and (one.end is None or part.begin <= one.end)


def _move(row: Fault, span: Span, reports: Reports) -> None:
    """Another beginning or end, as the reports say now."""
    cause, end = without_end(row.cause), ended_by(row.cause) if row.cleared_at == span.end else span.cause
    if span.end is None and ended_by(row.cause) == CLEARED:
        # With the clearing goes its word: what stands bears none.
        cause = row.begin_note or ""  # type: ignore[attr-defined]
    first = reports.get(Turn(span.begin, False))
    if row.raised_at != span.begin and first is not None:
        # A word that somebody has put there instead stays.
        if cause == (row.begin_note or ""):  # type: ignore[attr-defined]
            cause = first.note
        # The source stays: from it we knew first, at `recorded_at`; who reported the new beginning is in the reports.
        row.registration_id = first.registration_id
        if row.latch_cleared_at is not None and row.latch_cleared_at < span.begin:
            row.latch_cleared_at = None
    row.cause = with_end(cause, end)
    row.raised_at, row.cleared_at = span.begin, span.end


def _new(
    key: Key, span: Span, reports: Reports, whole: Fault | None, *, latches: bool, source: str, at: datetime
) -> Fault:
    """A fault that is new on record: reported as such, or part of one that a late end has split."""
    first: Any = reports.get(Turn(span.begin, False)) or whole
    note = first.note if isinstance(first, FaultReport) else without_end(first.cause)
    fault = Fault(
        customer_id=first.customer_id, site_id=first.site_id, receiver_id=key.receiver_id, kind=key.kind,
        registration_id=first.registration_id, transmitter_id=key.transmitter_id or None, raised_at=span.begin,
        cleared_at=span.end, is_latched=latches, cause=with_end(note, span.cause), source=first.source or source[:40],
        found_by=Fault.FoundBy.SIGNAL, recorded_at=at,
    )  # fmt: skip
    if whole is not None:
        # A part that was reported as begun reached us with that report; only for one that was not do we go by the whole.
        came_at = first.received_at if isinstance(first, FaultReport) else whole.recorded_at
        fault.is_latched, fault.recorded_at = whole.is_latched, max(came_at, whole.recorded_at)
        if whole.acknowledged_at is not None and whole.acknowledged_at >= span.begin:
            # Whoever has seen the whole has seen its parts.
            fault.acknowledged_at, fault.acknowledged_by_id = whole.acknowledged_at, whole.acknowledged_by_id
            fault.acknowledged_note = whole.acknowledged_note
    return fault


def note_clearings(faults: Sequence[Fault], clearings: Mapping[int, Sequence[Clearing]]) -> None:
    """A latched fault that reached us late may have been cleared on site meanwhile; what is over bears the word for that,
    where no better one is known.
    """
    for fault in faults:
        for one in clearings.get(fault.receiver_id, ()) if fault.is_latched else ():
            if one.at < fault.raised_at:
                continue
            if fault.latch_cleared_at is None:
                fault.latch_cleared_at = one.at
            if fault.latch_cleared_at == one.at and fault.cleared_at is not None:
                fault.cause = with_note(fault.cause, one.why)


def write(changes: Changes) -> list[Fault]:
    """Write the faults; gives those that changed. What came to nothing goes, unless somebody has seen it or was told of it."""
    if changes.gone:
        for row in _spoken_of(changes.gone, changes.joined):
            if row.cleared_at != row.raised_at:
                row.cleared_at = row.raised_at
                changes.changed.append(row)
            changes.gone.remove(row)
        Fault.objects.filter(pk__in=[row.pk for row in changes.gone]).delete()
    # Ends before beginnings: of one kind only one may be open at any moment.
    for is_open in (False, True):
        rows = [row for row in changes.changed if (row.cleared_at is None) is is_open]
        Fault.objects.bulk_update(rows, MOVED, batch_size=200)
    Fault.objects.bulk_create(changes.new, batch_size=500)
    return [*changes.changed, *changes.new]


def _spoken_of(rows: Sequence[Fault], joined: Sequence[Fault]) -> list[Fault]:
    """Faults that somebody has acknowledged or ended, that the receiver goes on showing, or that other records point at.

    What is `joined` to another fault the receiver shows as that one.
    """
    keys, shown_else = {row.pk for row in rows}, {row.pk for row in joined}
    held = {
        row.pk for row in rows
        if row.acknowledged_at is not None or (row.is_latched and row.pk not in shown_else)
        or ended_by(row.cause) == SAID_OVER
    }  # fmt: skip
    for relation in Fault._meta.related_objects:
        other: Any = relation.related_model
        name = relation.field.attname
        held |= set(other._base_manager.filter(**{f"{name}__in": keys}).values_list(name, flat=True))
    return [row for row in rows if row.pk in held]
