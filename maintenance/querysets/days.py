"""A round's day in the form that the rules take: stops with their doors, the technician's hours, what is due there."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, time
from typing import Any

from django.apps import apps
from django.core.exceptions import ObjectDoesNotExist

from maintenance.rules.rounds.packing import DEFAULT_HORIZON_WEEKS, DueThing, change_until, why_stop
from maintenance.rules.rounds.travel import Opening, Place, Stop, Timetable, order_by_route, timetable


@dataclass(frozen=True, slots=True)
class Shift:
    """A technician's day: where and when it begins and ends. `is_off` with the reason where they do not work."""

    start: Place | None
    end: Place | None
    begins_min: int | None
    ends_min: int | None
    is_off: bool = False
    off_reason: str = ""


def to_minutes(at: time) -> int:
    """Minutes from midnight."""
    return at.hour * 60 + at.minute


def place_of(latitude: float | None, longitude: float | None) -> Place | None:
    """A position, or None where half of it is missing."""
    return Place(latitude, longitude) if latitude is not None and longitude is not None else None


def shift_of(user: Any, day: date) -> Shift:
    """The technician's day. A person without details or without any shift on record has no hours to run over."""
    try:
        details = user.technician
    except ObjectDoesNotExist:
        return Shift(None, None, None, None)
    start = place_of(details.start_latitude, details.start_longitude)
    end = place_of(details.end_latitude, details.end_longitude) or start
    for off in details.days_off.all():
        if off.day == day:
            return Shift(start, end, None, None, is_off=True, off_reason=off.reason or "day off")
    shifts = list(details.shifts.all())
    for shift in shifts:
        if shift.weekday == day.weekday():
            return Shift(start, end, to_minutes(shift.begins), to_minutes(shift.ends))
    return Shift(start, end, None, None, is_off=bool(shifts), off_reason="no shift on this weekday" if shifts else "")


def stop_of(visit: Any) -> Stop:
    """A visit as a stop. A site without any visiting hours on record is open all day."""
    site, day = visit.site, visit.planned_on
    hours = list(site.visiting_hours.all())
    openings = tuple(
        Opening(to_minutes(row.opens), to_minutes(row.closes)) for row in hours if row.weekday == day.weekday()
    )
    closed = any(row.kind == "no_access" and row.from_on <= day < row.to_on for row in site.closures.all())
    return Stop(
        key=visit.pk,
        place=place_of(site.latitude, site.longitude),
        minutes=visit.planned_minutes,
        openings=openings if hours else None,
        is_closed=closed,
    )


def day_plan(round: Any, visits: Sequence[Any]) -> Timetable:
    """Times of a round's stops in the order given; the visits must carry what `VisitQuerySet.for_plan` reads."""
    shift = shift_of(round.technician, round.day)
    return timetable(
        [stop_of(visit) for visit in visits], start=shift.start, end=shift.end, starts_min=to_minutes(round.starts)
    )


def route_order(round: Any, visits: Sequence[Any]) -> list[int]:
    """Ids of the visits, nearest next with doors respected."""
    shift = shift_of(round.technician, round.day)
    stops = order_by_route([stop_of(visit) for visit in visits], start=shift.start, starts_min=to_minutes(round.starts))
    return [stop.key for stop in stops]


def cells_to_fit(item: Any) -> tuple[str, int]:
    """IEC code and number of cells that belong into the transmitter: its type's, else what is in it now."""
    kind = item.transmitter.type if item.transmitter_id else None
    if kind is not None and kind.battery_type_id:
        return kind.battery_type.iec_code, kind.n_cells
    fitting = item.fitting
    if fitting is not None:
        return (fitting.battery_type.iec_code if fitting.battery_type_id else ""), fitting.n_cells
    return "", 1


def piece_name(item: Any) -> str:
    """What a standby battery or a whole unit is called on a packing list; empty for cells and unknown types."""
    if item.kind == "standby":
        return str(item.receiver.label)
    if item.kind == "unit" and item.transmitter_id and item.transmitter.type_id:
        return str(item.transmitter.type.label)
    return ""


CELLS_PATHS = ("fitting__battery_type", "transmitter__type__battery_type", "receiver")
"""What `things_by_site` reads of a due item."""


def things_by_site(items: Iterable[Any]) -> dict[int, list[DueThing]]:
    """Due items of several sites as the packing rules take them."""
    by_site: dict[int, list[DueThing]] = {}
    for item in items:
        cells, n_cells = cells_to_fit(item)
        thing = DueThing(item.duty, item.due_on, cells, n_cells, item.kind, piece_name(item))
        by_site.setdefault(item.site_id, []).append(thing)
    return by_site


def until_of(visit: Any) -> date:
    """Last due date of what is changed on a visit: as planned; on a call-out only what is late, else four weeks on."""
    for row in visit.why:
        if row.get("code") == "until":
            return date.fromisoformat(row["on"])
    if visit.kind == "call_out":
        return visit.planned_on
    return change_until(visit.planned_on, DEFAULT_HORIZON_WEEKS)


def why_rows(visit: Any) -> list[dict[str, Any]]:
    """Why the site is visited, worst first: words in `text`, and `is_grave` for life safety that is late."""
    return [
        {"text": row["text"], "is_grave": row.get("code") == "late" and row.get("duty") == "life_safety"}
        for row in visit.why
        if row.get("text")
    ]


def whys_now(visit: Any, things: Sequence[DueThing], today: date) -> list[dict[str, Any]]:
    """Why the site is visited, worked out anew from what is in service there: dates move after a round is planned.

    What is late is counted on the day of the visit, or today where that day has passed. A call's own words stay.
    """
    called = [{"text": row["text"], "is_grave": False} for row in visit.why if row.get("code") == "call"]
    whys = why_stop(things, day=max(visit.planned_on, today), until=until_of(visit))
    return called + [{"text": why.text, "is_grave": why.code == "late" and why.duty == "life_safety"} for why in whys]


def why_texts(visit: Any) -> list[str]:
    """Why the site is visited, in words, worst first."""
    return [row["text"] for row in why_rows(visit)]


def work_until(visit: Any) -> date:
    """Last due date of what the sheet offers to do: on a call-out the usual weeks ahead, though only late things bind."""
    if visit.kind == "call_out":
        return max(until_of(visit), change_until(visit.planned_on, DEFAULT_HORIZON_WEEKS))
    return until_of(visit)


def due_on_visit(visit: Any, until: date | None = None) -> list[Any]:
    """Due items that a visit must answer for, or all due by a day; life safety first, then by date."""
    items = apps.get_model("maintenance", "DueItem")._default_manager
    rows = items.open().filter(site_id=visit.site_id, due_on__lte=until or until_of(visit))
    return list(rows.select_related("receiver", "registration", "transmitter").order_by("harm", "due_on", "pk"))


def warnings_of(round: Any, visits: Sequence[Any], plan: Timetable) -> tuple[list[str], dict[int, list[str]]]:
    """What a person should look at before publishing: of the whole day, and per visit. Nothing here is refused."""
    shift = shift_of(round.technician, round.day)
    of_day: list[str] = []
    if shift.is_off:
        of_day.append(f"{round.technician.name} does not work on that day: {shift.off_reason}.")
    if shift.begins_min is not None and to_minutes(round.starts) < shift.begins_min:
        of_day.append(f"The round sets out before the shift begins at {clock(shift.begins_min)}.")
    if shift.ends_min is not None and plan.ends_min > shift.ends_min and plan.calls:
        over = plan.ends_min - shift.ends_min
        of_day.append(
            f"The day ends about {clock(plan.ends_min)}, {span(over)} after the shift ({clock(shift.ends_min)})."
        )
    by_key = {visit.pk: visit for visit in visits}
    of_stop: dict[int, list[str]] = {}
    for call in plan.calls:
        texts = [_problem_words(code, by_key[call.key]) for code in call.problems]
        if call.waits_min:
            texts.append(f"{span(call.waits_min)} to wait until the door opens.")
        if texts:
            of_stop[call.key] = texts
    return of_day, of_stop


def _problem_words(code: str, visit: Any) -> str:
    site, day = visit.site, visit.planned_on
    if code == "closed":
        reasons = [
            row.reason for row in site.closures.all() if row.kind == "no_access" and row.from_on <= day < row.to_on
        ]
        reason = next((text for text in reasons if text), "")
        return f"No access on that day{f': {reason}' if reason else ''}."
    if code == "no_hours":
        return "Never open on that weekday."
    hours = ", ".join(
        f"{row.opens:%H:%M}–{row.closes:%H:%M}"
        for row in sorted(site.visiting_hours.all(), key=lambda r: r.opens)
        if row.weekday == day.weekday()
    )
    return f"The work does not fit into the visiting hours ({hours})."


def clock(minutes: int) -> str:
    """Minutes from midnight as a time of day; past midnight says so."""
    days, rest = divmod(minutes, 24 * 60)
    return f"{rest // 60:02}:{rest % 60:02}{' the next day' if days else ''}"


def span(minutes: int) -> str:
    """A length of time: "40 min", "2 h 05"."""
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02}"
