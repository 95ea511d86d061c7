"""What silence means at one receiver: a missing transmitter, a receiver that hears nothing, or a link that is lost. Pure.

Silence is judged on event time: a window has run out when the source has delivered up to a moment after its end. Only the
link itself is judged by the clock on the wall, and it decides nothing about silence: a way that is lost delivers nothing,
so it moves no watermark and makes nobody silent, and what another way delivers meanwhile counts as ever. That holds because
only who brings check-ins moves the watermark of a receiver that somebody feeds (`devices.actions.intake_marks`).

What stands follows from the evidence alone, whenever and however often somebody looks. Kept as they were first seen are
only the beginning of an outage and what was over again before anybody looked.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from devices.rules.outage import Outage, outage_of
from devices.rules.supervision import EVERY

MISSING, OUTAGE, LINK_LOST = "missing", "outage", "link_lost"

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
EVERY_WAY = "since then nothing comes by any way"
CAME_AND_WENT = "came and went: over in between, each time for a quarter of an hour at most"
"""Word with a fault that stood again so soon: it did not stand for all of the time from its beginning to its end."""
ENDED_BY_US = (ABSORBED, LATE, AWAY, GONE, NOT_SUPERVISED, NOT_WATCHED, EVERY_WAY)
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
    acknowledged_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Clock:
    """One sign by which a receiver is supervised: when it came last, and how long it may be away [s].

    `way` names the way in that it belongs to; one with several clocks is lost once one of them has run out.
    """

    sign_at: datetime
    allowed_s: int
    way: str = ""

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
    _judge_link(scene, verdict)
    _judge_silence(scene, verdict)
    return verdict


def _standing(scene: Scene, kind: str) -> list[Known]:
    return [fault for fault in scene.faults if fault.kind == kind and fault.ended_at is None]


def _judge_link(scene: Scene, verdict: Verdict) -> None:
    """Judge the ways by which the receiver reaches us: any that is lost is told of."""
    lost = _lost_ways(scene)
    standing = _standing(scene, LINK_LOST)
    if lost and not standing:
        verdict.raises.append(_of_receiver(scene, LINK_LOST, min(lost.values())))
    if lost and len(lost) == len({clock.way for clock in scene.clocks}):
        _tell_anew(verdict, standing, lost)
    if not lost:
        signs = [clock.sign_at for clock in scene.clocks]
        for fault in standing:
            # Nobody watches the link any more, or every way has given a sign again.
            end = End(fault.pk, max(min(signs), fault.raised_at)) if signs else End(fault.pk, scene.now, NOT_WATCHED)
            verdict.ends.append(end)


def _lost_ways(scene: Scene) -> dict[str, datetime]:
    """Ways that are lost, each with since when."""
    lost: dict[str, datetime] = {}
    for clock in scene.clocks:
        if clock.out_at < scene.now:
            lost[clock.way] = min(clock.out_at, lost.get(clock.way, clock.out_at))
    return lost


def _tell_anew(verdict: Verdict, standing: Sequence[Known], lost: dict[str, datetime]) -> None:
    """Whoever acknowledged that one way is lost knew that another one still came: that none does is a fault of its own."""
    last_at = max(lost.values())
    for fault in standing:
        if len(lost) > 1 and fault.acknowledged_at is not None and fault.acknowledged_at < last_at:
            at = max(last_at, fault.raised_at)
            verdict.ends.append(End(fault.pk, at, EVERY_WAY))
            verdict.raises.append(Raise(LINK_LOST, at))


def _of_receiver(scene: Scene, kind: str, at: datetime) -> Raise:
    """A fault of the receiver itself: the one that was over for so short a time stands again, else it is a new one.

    Whoever acknowledged the last one has seen that one only: what comes after its end is new, and is told anew. A new one
    begins where the last one ended at the earliest.
    """
    ended = [(fault.ended_at, fault) for fault in scene.faults if fault.kind == kind and fault.ended_at is not None]
    if not ended:
        return Raise(kind, at)
    ended_at, last = max(ended, key=lambda one: (one[0], one[1].raised_at, one[1].pk))
    if last.acknowledged_at is not None or ended_at + AGAIN_WITHIN[kind] < at:
        return Raise(kind, max(at, ended_at))
    return Raise(kind, at, reopens=last.pk)


def _judge_silence(scene: Scene, verdict: Verdict) -> None:
    if scene.grade != EVERY or scene.watermark_at is None:
        if scene.grade != EVERY:
            ours = [fault for kind in (MISSING, OUTAGE) for fault in _standing(scene, kind) if not fault.is_reported]
            verdict.ends += [End(fault.pk, max(scene.now, fault.raised_at), NOT_WATCHED) for fault in ours]
        return
    mark = scene.watermark_at
    counted = [unit for unit in scene.units if unit.window_s and not unit.is_away]
    silent = {unit.transmitter_pk: unit for unit in counted if unit.out_at < mark}
    outage = outage_of(counted, mark) if silent else None
    _judge_outage(scene, verdict, counted, outage)
    members = outage.members if outage else frozenset()
    wanted = {pk: unit for pk, unit in silent.items() if pk not in members}
    _judge_missing(scene, verdict, wanted, outage)


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
        if pk in wanted and not fault.is_reported and wanted[pk].last_at >= fault.raised_at:
            # It was heard in between, as came in late: that silence is over, and this is another one.
            verdict.ends.append(End(fault.pk, wanted[pk].last_at))
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
