"""One slot's whole life as dated moments, for its page: who did what there, when and why."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, tzinfo
from typing import Any

from django.db.models import Q
from django.utils.translation import gettext

from company.access import PersonRequest
from company.change_words import deed_words, lines_of
from company.manner import day_said
from company.models import ChangeRow
from devices.models import Away, Fault, Fitting, Receiver, Registration
from devices.rules.fault_causes import is_shown_otherwise, note_and_end
from devices.rules.slot_life import never_stood
from devices.views.shown import registration_lines
from devices.views.slot_last import Hands, LastChange, hands_of, last_of_cells, last_of_slot, swaps_of

MARKS = frozenset({"mark_registered", "ask_to_register_again"})
SPAN = frozenset({"in force since", "ended"})
"""Lines that say only which row of the ledger holds; the moments themselves tell when."""
NOWHERE = "nobody knows by what"


@dataclass(frozen=True, slots=True)
class Moment:
    """One thing that happened in a slot. `lines` are (name, before, after); `kind` groups it for the eye."""

    at: datetime
    kind: str
    title: str
    text: str = ""
    lines: tuple[tuple[str, str, str], ...] = ()
    who: str = ""
    why: str = ""
    is_taken_back: bool = False
    registration_pk: int = 0
    is_day_only: bool = False

    @property
    def is_of_slot(self) -> bool:
        """Whether it changed what stands in the slot or how that is set; cells, faults and absences do not."""
        return self.kind in ("slot", "words") and not self.is_taken_back


@dataclass(frozen=True, slots=True)
class Story:
    """A slot's moments, newest first, the last change of the slot itself, and that of the cells in it."""

    moments: list[Moment]
    last_change: LastChange | None
    last_cells: LastChange | None


def _who(row: ChangeRow | None) -> str:
    return row.by.name if row is not None and row.by is not None else ""


Words = Mapping[str, str]
"""Place and area (`label`, `area`) as they were worded at a moment; words that did not change since may be left out."""


def _settings(row: Registration, zone: tzinfo, words: Words) -> dict[str, str]:
    serial = row.transmitter.serial if row.transmitter else NOWHERE
    place, area = words.get("label", row.label), words.get("area", row.area)
    return {"Transmitter": serial, "Place": place, "Area": area} | dict(registration_lines(row, zone))


def differences(
    old: Registration,
    new: Registration,
    zone: tzinfo,
    *,
    old_words: Words | None = None,
    new_words: Words | None = None,
) -> tuple[tuple[str, str, str], ...]:
    """What differs between two registrations, line by line; the words are those of today unless they are given."""
    before, after = _settings(old, zone, old_words or {}), _settings(new, zone, new_words or {})
    names = [*before, *(name for name in after if name not in before)]
    return tuple(
        (name, before.get(name) or "nothing", after.get(name) or "nothing")
        for name in names
        if (before.get(name) or "") != (after.get(name) or "")
    )


class _Log:
    """The rows of the change log about a slot's registrations, by registration."""

    def __init__(self, rows: Sequence[ChangeRow], swaps: Sequence[ChangeRow] = ()) -> None:
        self.swaps = {row.at: row for row in reversed(swaps)}
        # A move within a receiver has one row, about the slot that it led to.
        self.moves = {row.at: row for row in reversed(rows) if row.verb == "move_transmitter"}
        self.by_pk: dict[int, list[ChangeRow]] = {}
        for row in rows:
            self.by_pk.setdefault(row.subject_id, []).append(row)

    def begin(self, row: Registration) -> ChangeRow | None:
        """The change that began a registration: the first row that tells of its first moment."""
        rows = reversed(self.by_pk.get(row.pk, []))
        own = next((one for one in rows if one.at == row.registered_at and one.verb not in MARKS), None)
        return own or self.swaps.get(row.registered_at)

    def end(self, row: Registration) -> ChangeRow | None:
        """The change that ended it."""
        own = next((one for one in self.by_pk.get(row.pk, ()) if one.at == row.removed_at), None)
        if own is not None or row.removed_at is None:
            return own
        moved = self.moves.get(row.removed_at) if row.removed_why.startswith("moved") else None
        return moved or self.swaps.get(row.removed_at)

    def words(self, row: Registration, at: datetime) -> dict[str, str]:
        """How place and area of a registration were worded at a moment, as far as they were corrected later."""
        said: dict[str, str] = {}
        for one in self.by_pk.get(row.pk, ()):  # newest first: the first correction after the moment has the last word
            before, after = one.before or {}, one.after or {}
            if one.at > at and "label" in before and before.get("registered_at") == after.get("registered_at"):
                said.update({name: before[name] for name in ("label", "area") if name in before})
        return said

    def away(self, pk: int, verb: str, name: str, day: date) -> ChangeRow | None:
        """The change that began or ended an absence on a day."""
        rows = (one for one in self.by_pk.get(pk, ()) if one.verb == verb)
        return next((one for one in rows if (one.after or {}).get(name) == day.isoformat()), None)


def _began(row: Registration, before: Registration | None, log: _Log, zone: tzinfo) -> tuple[str, str, tuple[Any, ...]]:
    serial = row.transmitter.serial if row.transmitter else NOWHERE
    words = log.words(row, row.registered_at)
    place = f"{serial}, {words.get('label', row.label)}"
    if before is None:
        return gettext("Registered"), place, ()
    lines = differences(before, row, zone, old_words=log.words(before, row.registered_at), new_words=words)
    if row.receiver.replaces_id == before.receiver_id and row.slot == before.slot:
        return gettext("Receiver swapped"), gettext("another unit hangs here"), lines
    if before.receiver.replaces_id == row.receiver_id and row.slot == before.slot:
        return gettext("Receiver swapped back"), gettext("the unit before it hangs here again"), lines
    if (before.receiver_id, before.slot) != (row.receiver_id, row.slot):
        return (
            gettext("Moved here"),
            gettext("%(serial)s from %(receiver)s, slot %(slot)s")
            % {"serial": serial, "receiver": before.receiver, "slot": before.slot},
            lines,
        )
    if before.removed_at is not None and before.removed_at < row.registered_at:
        return gettext("Put back"), place, lines
    return gettext("Settings changed"), "", lines


def _of_registrations(past: Sequence[Registration], log: _Log, zone: tzinfo) -> Iterable[Moment]:
    goes_on = {(row.replaces_id, row.registered_at) for row in past if row.replaces_id}
    for row in past:
        change = log.begin(row)
        title, text, lines = _began(row, row.replaces, log, zone)
        gone = never_stood(row.registered_at, row.removed_at)
        yield Moment(
            row.registered_at, "slot", title, text, lines, _who(change), change.reason if change else "", gone, row.pk
        )
        if row.removed_at is None or gone or (row.pk, row.removed_at) in goes_on:
            continue
        end = log.end(row)
        if end is not None and end.subject_kind == "receiver":
            continue  # The swap of the receiver is told by itself, and what stood there went along.
        serial = row.transmitter.serial if row.transmitter else NOWHERE
        title = gettext("Moved away") if row.removed_why.startswith("moved") else gettext("Removed")
        yield Moment(row.removed_at, "slot", title, serial, (), _who(end), row.removed_why)


def _of_log(rows: Iterable[ChangeRow], zone: tzinfo) -> Iterable[Moment]:
    """What changed within a registration: words, marks, and what was taken back."""
    for row in rows:
        before, after = row.before or {}, row.after or {}
        is_gone = bool(getattr(row, "undone_at", None))
        if row.verb == "area_renamed":
            lines = tuple(lines_of(before, after, zone))
            yield Moment(row.at, "words", gettext("Area renamed or merged"), "", lines, _who(row), row.reason, is_gone)
        elif row.verb in MARKS:
            yield Moment(row.at, "mark", deed_words(row.verb).capitalize(), "", (), _who(row), row.reason, is_gone)
        elif row.undoes is not None:
            text = deed_words(row.undoes.verb)
            yield Moment(
                row.at, "slot", gettext("Taken back"), text, tuple(lines_of(before, after, zone)), _who(row), row.reason
            )
        elif "label" in before and before.get("registered_at") == after.get("registered_at"):
            lines = tuple(line for line in lines_of(before, after, zone) if line[0] in ("place", "area", "note"))
            if lines:
                yield Moment(row.at, "words", gettext("Words corrected"), "", lines, _who(row), row.reason, is_gone)


def _of_cells(
    fittings: Iterable[Fitting], past: Sequence[Registration], changes: dict[int, ChangeRow], hands: Hands
) -> Iterable[Moment]:
    stays: dict[int, list[tuple[datetime, datetime | None]]] = {}
    for row in past:
        if row.transmitter_id is not None and not never_stood(row.registered_at, row.removed_at):
            stays.setdefault(row.transmitter_id, []).append((row.registered_at, row.removed_at))

    def was_here(pk: int, at: datetime) -> bool:
        return any(begun <= at and (ended is None or at <= ended) for begun, ended in stays.get(pk, ()))

    for one in fittings:
        change = changes.get(one.pk)
        cells = f"{one.n_cells} × {one.battery_type.iec_code if one.battery_type else 'unknown'}"
        if one.fitted_at is not None and was_here(one.transmitter_id, one.fitted_at):
            lot = f", lot {one.lot}" if one.lot else ""
            why = change.reason if change else ""
            yield Moment(
                one.fitted_at, "cells", gettext("Cells fitted"), cells + lot, (), _who(change) or hands.of(one), why
            )
        if one.removed_at is not None and was_here(one.transmitter_id, one.removed_at):
            volts = f", {one.removed_v:.2f} V" if one.removed_v is not None else ""
            yield Moment(
                one.removed_at, "cells", gettext("Cells taken out"), f"{cells}: {one.get_removed_why_display()}{volts}"
            )


def _agreed(away: Away) -> str:
    if not away.agreed_with:
        return ""
    if away.agreed_until_on is None:
        return gettext("agreed with %(with)s") % {"with": away.agreed_with}
    told = {"with": away.agreed_with, "until": day_said(away.agreed_until_on)}
    return gettext("agreed with %(with)s, agreed until %(until)s") % told


def _of_away(rows: Iterable[Away], past: dict[int, Registration], log: _Log, zone: tzinfo) -> Iterable[Moment]:
    for away in rows:
        home = past[away.registration_id]
        gone = log.away(home.pk, "start_away", "away_from", away.from_on)
        is_over = away.ended_on is not None and away.ended_on != away.from_on
        began_on = home.registered_at.astimezone(zone).date()
        if gone is not None or not home.replaces_id or away.from_on != began_on:
            # Otherwise it was carried on under changed settings: nobody went away that day.
            text = _agreed(away)
            yield Moment(
                _midnight(away.from_on, zone), "away", gettext("Away"), text + (f". Meanwhile: {away.interim}" if away.interim else ""),
                (), _who(gone), away.reason, away.ended_on == away.from_on, is_day_only=True,
            )  # fmt: skip
        if is_over and away.ended_on is not None:
            back = log.away(home.pk, "end_away", "away_ended", away.ended_on)
            if back is not None or home.removed_at is None:
                why = back.reason if back else ""
                yield Moment(
                    _midnight(away.ended_on, zone), "away", gettext("Back"), "", (), _who(back), why, is_day_only=True
                )


def _midnight(day: date, zone: tzinfo) -> datetime:
    return datetime.combine(day, time.min, tzinfo=zone)


def _of_faults(faults: Iterable[Fault]) -> Iterable[Moment]:
    for fault in faults:
        kind = fault.get_kind_display()
        note, end = note_and_end(fault.cause)
        yield Moment(fault.raised_at, "fault", f"Fault: {kind}", note)
        if fault.cleared_at is not None:
            is_shown = fault.is_latched and fault.latch_cleared_at is None
            told = [end, gettext("still shown on the receiver") if is_shown else ""]
            text = "; ".join(word for word in told if word)
            # One that its receiver has now, or that never was, is not over.
            title = gettext("Fault over: %(kind)s")
            if is_shown_otherwise(fault.cause):
                title = gettext("Fault no longer told as such: %(kind)s")
            yield Moment(fault.cleared_at, "fault", title % {"kind": kind}, text)


def _of_swaps(swaps: Iterable[ChangeRow], receiver: Receiver) -> Iterable[Moment]:
    """Swaps of the receiver that the ledger of its slots does not tell: those by another unit, and those taken back."""
    for row in swaps:
        if row.undoes is not None:
            yield Moment(row.at, "slot", gettext("Taken back"), deed_words(row.undoes.verb), (), _who(row), row.reason)
        elif row.subject_id != receiver.pk:
            gone = bool(getattr(row, "undone_at", None))
            yield Moment(row.at, "slot", gettext("Receiver swapped"), "", (), _who(row), row.reason, gone)


def story_of(request: PersonRequest, receiver: Receiver, past: Sequence[Registration], zone: tzinfo) -> Story:
    """Everything that happened in a slot, newest first, and its last change; at most seven queries for any length.

    `past` are its registrations as `in_slot` reads them, with what they replaced.
    """
    pks = [row.pk for row in past]
    user = request.user
    heirs = Registration.objects.visible_to(user).filter(replaces__in=pks)
    # Those of what was replaced, perhaps elsewhere, tell how that was worded then; those of heirs, who moved it there.
    told = list(
        ChangeRow.objects.visible_to(user)
        .filter(
            Q(subject_id__in={*pks, *(row.replaces_id for row in past if row.replaces_id)})
            | Q(subject_id__in=heirs.values("pk"), verb="move_transmitter"),
            subject_kind="registration",
        )
        .select_related("by", "undoes")
        .with_fate()
        .order_by("-pk")
    )
    rows = [row for row in told if row.subject_id in set(pks)]
    swaps = swaps_of(request, receiver, past)
    log = _Log(told, swaps)
    transmitters = {row.transmitter_id for row in past if row.transmitter_id}
    fittings = list(
        Fitting.objects.visible_to(user).filter(transmitter__in=transmitters).select_related("battery_type")
    )
    fitted = ChangeRow.objects.visible_to(user).filter(
        subject_kind="fitting", subject_id__in=[one.pk for one in fittings], verb="fit_battery"
    )
    changes = {row.subject_id: row for row in fitted.select_related("by")}
    hands = hands_of(request, fittings, changes)
    aways = Away.objects.visible_to(user).filter(registration__in=pks).order_by("from_on", "pk")
    faults = Fault.objects.visible_to(user).filter(registration__in=pks)
    moments = [
        *_of_registrations(past, log, zone),
        *_of_log(rows, zone),
        *_of_swaps(swaps, receiver),
        *_of_cells(fittings, past, changes, hands),
        *_of_away(aways, {row.pk: row for row in past}, log, zone),
        *_of_faults(faults),
    ]
    # New cells go in after the old ones came out, and a change ends one registration before it begins the next.
    out = gettext("Cells taken out")
    moments.sort(key=lambda one: (one.at, one.title != out, one.registration_pk), reverse=True)
    return Story(
        moments, last_of_slot([*rows, *swaps, *log.moves.values()]), last_of_cells(past, fittings, changes, hands)
    )
