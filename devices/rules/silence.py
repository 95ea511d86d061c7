"""What silence means at one receiver: a missing transmitter, a receiver that hears nothing, or a link that is lost. Pure.

Silence is judged on event time: a window has run out when the source has delivered up to a moment after its end. Only the
link itself is judged by the clock on the wall, and while it is lost nobody else is called silent.

What stands follows from the evidence alone, whenever and however often somebody looks. Kept as they were first seen are
only the beginning of an outage and what was over again before anybody looked.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from devices.rules.supervision import EVERY

MISSING, OUTAGE, LINK_LOST = "missing", "outage", "link_lost"

OUTAGE_FROM = 3
"""Of fewer transmitters nobody can tell a dead receiver from dead cells, and two lines that name the slots send somebody
to the right door at once; from three on, silence of more than half at one time is the receiver's. Decided here."""
QUIET_CHECK_INS = 2
"""A transmitter is quiet once so many check-ins in a row are lost: enough to count it towards an outage, not to call it
missing. At 5 % loss one in 400 is quiet by chance, so half of a receiver never is."""
QUIET_LEAST_S = 900
"""Heard is kept by quarter hours, so nothing shorter counts as quiet [s]."""
AGAIN_WITHIN = {LINK_LOST: timedelta(minutes=15), OUTAGE: timedelta(0)}
"""What is lost again so soon after it came back is the same fault again, as long as nobody has acknowledged it: a link that
comes and goes with every delivery would otherwise raise fifty a day. A receiver that heard in between is another one each
time, because how long it was deaf matters. Decided here."""

ABSORBED = "the receiver heard nothing"
LATE = "check-ins that came in late show it was heard"
AWAY = "away, as agreed"
GONE = "no longer registered here"
NOT_SUPERVISED = "no longer supervised"
NOT_WATCHED = "check-ins do not reach us any more"
CAME_AND_WENT = "came and went: over in between, each time for a quarter of an hour at most"
"""Word with a fault that stood again so soon: it did not stand for all of the time from its beginning to its end."""
ENDED_BY_US = (ABSORBED, LATE, AWAY, GONE, NOT_SUPERVISED, NOT_WATCHED)
"""Causes of an end that is no sign of life."""


@dataclass(frozen=True, slots=True)
class Unit:
    """One transmitter at the receiver, with the shortest window of its slots there.

    Attributes
    ----------
    transmitter_pk, registration_pk : int
        Keys.
    window_s : int or None
        Supervision window [s]; None or 0 = not supervised, or not known.
    interval_s : int or None
        Expected time between check-ins [s].
    since : datetime
        From when on check-ins are expected here.
    heard_at : datetime or None
        Event time of its last check-in, also before `since`.
    back_at : datetime or None
        End of its last absence, or when the receiver last took "missing" back.
    is_away : bool
        Out of use or off the site, as agreed.
    """

    transmitter_pk: int
    registration_pk: int
    window_s: int | None
    interval_s: int | None
    since: datetime
    heard_at: datetime | None = None
    back_at: datetime | None = None
    is_away: bool = False

    @property
    def last_at(self) -> datetime:
        """Last sign of life, or since when one is expected."""
        return max(at for at in (self.since, self.heard_at, self.back_at) if at is not None)

    @property
    def out_at(self) -> datetime:
        """When its window runs out; only of supervised ones."""
        return self.last_at + timedelta(seconds=self.window_s or 0)

    @property
    def quiet_at(self) -> datetime:
        """When it counts towards an outage."""
        quiet_s = self.window_s or 0
        if self.interval_s:
            quiet_s = min(quiet_s, max(QUIET_CHECK_INS * self.interval_s, QUIET_LEAST_S))
        return self.last_at + timedelta(seconds=quiet_s)


@dataclass(frozen=True, slots=True)
class Known:
    """A fault on record: it stands, or `ended_at` says since when it is over. `transmitter_pk` None: of the receiver."""

    pk: int
    kind: str
    raised_at: datetime
    transmitter_pk: int | None = None
    is_reported: bool = False
    ended_at: datetime | None = None
    is_acknowledged: bool = False


@dataclass(frozen=True, slots=True)
class Clock:
    """One supervised way by which a receiver reaches us: its last sign, and how long it may be without one [s]."""

    sign_at: datetime
    allowed_s: int

    @property
    def out_at(self) -> datetime:
        """When it counts as lost."""
        return self.sign_at + timedelta(seconds=self.allowed_s)


@dataclass(frozen=True, slots=True)
class Scene:
    """What is known of one receiver at a moment `now` of the clock on the wall.

    `faults` are those of the kinds of this module: all that stand, and those that ended lately. `grade` is the receiver's
    evidence; `watermark_at` the event time up to which the source has delivered.
    """

    grade: str
    watermark_at: datetime | None
    now: datetime
    units: Sequence[Unit] = ()
    faults: Sequence[Known] = ()
    clocks: Sequence[Clock] = ()


@dataclass(frozen=True, slots=True)
class Raise:
    """Raise a fault; `reopens` names the row that stands again instead."""

    kind: str
    at: datetime
    unit: Unit | None = None
    reopens: int | None = None


@dataclass(frozen=True, slots=True)
class End:
    """End a fault; `cause` is empty where a sign of life ended it. `is_reported`: reports may have come since."""

    pk: int
    at: datetime
    cause: str = ""
    is_reported: bool = False


@dataclass(frozen=True, slots=True)
class Move:
    """A fault began at another moment than was known: a check-in came in late."""

    pk: int
    at: datetime


@dataclass(slots=True)
class Verdict:
    """What to write; ends come before what is raised."""

    raises: list[Raise] = field(default_factory=list)
    ends: list[End] = field(default_factory=list)
    moves: list[Move] = field(default_factory=list)

    def __bool__(self) -> bool:
        return bool(self.raises or self.ends or self.moves)


@dataclass(frozen=True, slots=True)
class Outage:
    """Transmitters that fell quiet together, of how many that count, and since when that is an outage."""

    members: frozenset[int]
    n_counted: int
    at: datetime


def judge_receiver(scene: Scene) -> Verdict:
    """Say which faults are to be raised, ended or moved at one receiver.

    Parameters
    ----------
    scene : Scene
        Aware times. A transmitter comes once.

    Returns
    -------
    Verdict
        Empty where everything is on record as it is. Applied and asked again on the same evidence, it is empty.
    """
    verdict = Verdict()
    is_lost = _judge_link(scene, verdict)
    silence = _judge_silence(scene)
    verdict.ends += silence.ends
    if not is_lost:
        verdict.raises += silence.raises
        verdict.moves += silence.moves
    return verdict


def _standing(scene: Scene, kind: str) -> list[Known]:
    return [fault for fault in scene.faults if fault.kind == kind and fault.ended_at is None]


def _judge_link(scene: Scene, verdict: Verdict) -> bool:
    """Judge the ways by which the receiver reaches us; tells whether one is lost."""
    lost = [clock for clock in scene.clocks if clock.out_at < scene.now]
    standing = _standing(scene, LINK_LOST)
    if lost and not standing:
        verdict.raises.append(_of_receiver(scene, LINK_LOST, min(clock.out_at for clock in lost)))
    if not lost:
        signs = [clock.sign_at for clock in scene.clocks]
        for fault in standing:
            # Nobody watches the link any more, or every way has given a sign again.
            end = End(fault.pk, max(min(signs), fault.raised_at)) if signs else End(fault.pk, scene.now, NOT_WATCHED)
            verdict.ends.append(end)
    return bool(lost)


def _of_receiver(scene: Scene, kind: str, at: datetime) -> Raise:
    """A fault of the receiver itself: the one that was over for so short a time stands again, else it is a new one.

    Whoever acknowledged the last one has seen that one only: what comes after its end is new, and is told anew. A new one
    begins where the last one ended at the earliest.
    """
    ended = [(fault.ended_at, fault) for fault in scene.faults if fault.kind == kind and fault.ended_at is not None]
    if not ended:
        return Raise(kind, at)
    ended_at, last = max(ended, key=lambda one: (one[0], one[1].raised_at, one[1].pk))
    if last.is_acknowledged or ended_at + AGAIN_WITHIN[kind] < at:
        return Raise(kind, max(at, ended_at))
    return Raise(kind, at, reopens=last.pk)


def _judge_silence(scene: Scene) -> Verdict:
    verdict = Verdict()
    if scene.grade != EVERY or scene.watermark_at is None:
        if scene.grade != EVERY:
            ours = [fault for kind in (MISSING, OUTAGE) for fault in _standing(scene, kind) if not fault.is_reported]
            verdict.ends += [End(fault.pk, max(scene.now, fault.raised_at), NOT_WATCHED) for fault in ours]
        return verdict
    mark = scene.watermark_at
    counted = [unit for unit in scene.units if unit.window_s and not unit.is_away]
    silent = {unit.transmitter_pk: unit for unit in counted if unit.out_at < mark}
    outage = outage_of(counted, mark) if silent else None
    _judge_outage(scene, verdict, counted, outage)
    members = outage.members if outage else frozenset()
    wanted = {pk: unit for pk, unit in silent.items() if pk not in members}
    _judge_missing(scene, verdict, wanted, outage)
    return verdict


def outage_of(units: Sequence[Unit], mark: datetime) -> Outage | None:
    """Tell whether the receiver hears nothing: more than half of its transmitters fell quiet together.

    Parameters
    ----------
    units : sequence of Unit
        Supervised ones that are not away.
    mark : datetime
        Event time up to which the source has delivered.

    Returns
    -------
    Outage or None
        None where fewer than `OUTAGE_FROM` count, where not more than half of them are quiet, or where no window of theirs
        has run out yet. Transmitters that were silent before the others fell quiet do not count on either side.
    """
    quiet = [unit for unit in units if unit.quiet_at < mark]
    together = _together(quiet)
    n_counted = len(units) - (len(quiet) - len(together))
    out = [unit.out_at for unit in together if unit.out_at < mark]
    if n_counted < OUTAGE_FROM or 2 * len(together) <= n_counted or not out:
        return None
    half_at = sorted(unit.quiet_at for unit in together)[n_counted // 2]
    return Outage(frozenset(unit.transmitter_pk for unit in together), n_counted, max(half_at, min(out)))


def _together(quiet: Sequence[Unit]) -> list[Unit]:
    """The largest group of quiet ones that were all still in order at one moment; of equal ones the latest."""
    turns = sorted([(unit.last_at, 0) for unit in quiet] + [(unit.quiet_at, 1) for unit in quiet])
    best, moment, n = 0, None, 0
    for at, is_end in turns:
        n += -1 if is_end else 1
        if not is_end and n >= best:
            best, moment = n, at
    return [unit for unit in quiet if moment is not None and unit.last_at <= moment <= unit.quiet_at]


def _judge_outage(scene: Scene, verdict: Verdict, counted: Sequence[Unit], outage: Outage | None) -> None:
    standing = _standing(scene, OUTAGE)
    if outage is not None and not standing:
        verdict.raises.append(_of_receiver(scene, OUTAGE, outage.at))
    if outage is None:
        verdict.ends += [End(fault.pk, _heard_again(scene, counted, fault)) for fault in standing]


def _heard_again(scene: Scene, counted: Sequence[Unit], fault: Known) -> datetime:
    """When the majority was heard again, as well as last check-ins tell."""
    mark = scene.watermark_at or scene.now
    back = sorted(unit.last_at for unit in counted if unit.quiet_at >= mark)
    needed = len(counted) - len(counted) // 2
    at = back[min(needed, len(back)) - 1] if back else mark
    return max(at, fault.raised_at)


def _judge_missing(scene: Scene, verdict: Verdict, wanted: dict[int, Unit], outage: Outage | None) -> None:
    units = {unit.transmitter_pk: unit for unit in scene.units}
    standing = {fault.transmitter_pk: fault for fault in _standing(scene, MISSING)}
    for pk, fault in list(standing.items()):
        if fault.is_reported and (end := _heard_since(fault, units.get(pk or 0))) is not None:
            # The receiver called it missing and has not taken that back; a check-in since does.
            verdict.ends.append(end)
            del standing[pk]
            continue
        if pk in wanted:
            if not fault.is_reported and fault.raised_at != wanted[pk].out_at:
                verdict.moves.append(Move(fault.pk, wanted[pk].out_at))
            continue
        end = _end_of(scene, fault, units.get(pk or 0), outage)
        if end is not None:
            verdict.ends.append(end)
    for pk, unit in wanted.items():
        if pk not in standing:
            verdict.raises.append(Raise(MISSING, unit.out_at, unit, _same_silence(scene, unit)))


def _same_silence(scene: Scene, unit: Unit) -> int | None:
    """The fault of this very silence that was ended for another reason than a sign of life, as by an outage."""
    for fault in scene.faults:
        if fault.kind != MISSING or fault.transmitter_pk != unit.transmitter_pk or fault.is_reported:
            continue
        if fault.ended_at is not None and fault.raised_at <= unit.out_at <= fault.ended_at:
            return fault.pk
    return None


def _heard_since(fault: Known, unit: Unit | None) -> End | None:
    if unit is None or unit.heard_at is None or unit.heard_at < fault.raised_at:
        return None
    return End(fault.pk, unit.heard_at, is_reported=True)


def _end_of(scene: Scene, fault: Known, unit: Unit | None, outage: Outage | None) -> End | None:
    """How a missing fault ends that the evidence no longer carries; None: it stays."""
    mark = scene.watermark_at or scene.now
    if fault.is_reported:
        return None
    if unit is None:
        return End(fault.pk, max(mark, fault.raised_at), GONE)
    if unit.is_away:
        return End(fault.pk, max(mark, fault.raised_at), AWAY)
    if not unit.window_s:
        return End(fault.pk, max(mark, fault.raised_at), NOT_SUPERVISED)
    if outage is not None and unit.transmitter_pk in outage.members:
        return End(fault.pk, max(outage.at, fault.raised_at), ABSORBED)
    if unit.last_at >= fault.raised_at:
        return End(fault.pk, unit.last_at)
    return End(fault.pk, fault.raised_at, LATE)


def supervised_once(units: Iterable[Unit]) -> list[Unit]:
    """Put the slots of one transmitter together: its shortest window counts, and it is away only where all of them are."""
    found: dict[int, Unit] = {}
    for unit in units:
        other = found.get(unit.transmitter_pk)
        if other is None or _stricter(unit, other):
            found[unit.transmitter_pk] = unit
    return list(found.values())


def _stricter(one: Unit, two: Unit) -> bool:
    return (one.is_away, not one.window_s, one.window_s or 0) < (two.is_away, not two.window_s, two.window_s or 0)
