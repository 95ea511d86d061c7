"""Reads behind the records of silences that are over: the faults, and the quarter hours in which anything was heard."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from django.apps import apps
from django.db.models import Exists, F, OuterRef, Q

from devices.querysets.days_read import days_of
from devices.querysets.silence import LATELY, SHORTEST_LOOK
from devices.rules.months import CLOSED_AFTER_DAYS
from devices.rules.presence import QUARTER_S, quarters_in
from devices.rules.silence import LATE, MISSING, OUTAGE
from devices.rules.silence_record import HeardAt, Past


def _model(name: str) -> Any:
    return apps.get_model("devices", name)._default_manager


def ended_lately(at: datetime, receiver_ids: Collection[int] | None = None) -> list[Any]:
    """Faults by silence that we saw and that ended lately, with the window that had run out.

    An outage is left out where anything was registered, taken out, or left the site or came back since: what the receiver
    should have heard then cannot be told from what stands there now. So is one that began so long ago that the quarter hours
    before it may be gone: without them it would look as if there had been none.
    """
    rows = _model("Fault").filter(
        kind__in=(MISSING, OUTAGE), found_by="watch", cleared_at__gte=at - LATELY, cleared_at__gt=F("raised_at")
    )
    if receiver_ids is not None:
        rows = rows.filter(receiver__in=receiver_ids)
    of_place = Q(receiver=OuterRef("receiver"))
    moved = _model("Registration").filter(
        of_place, Q(registered_at__gt=OuterRef("raised_at")) | Q(removed_at__gt=OuterRef("raised_at"))
    )
    rows = rows.exclude(cause=LATE).exclude(Q(kind=OUTAGE) & Exists(moved))
    rows = rows.exclude(kind=OUTAGE, raised_at__lt=at - timedelta(days=CLOSED_AFTER_DAYS) + LATELY)
    rows = rows.exclude(kind=MISSING, registration__window_s=None).exclude(kind=MISSING, registration__window_s=0)
    found = list(rows.select_related("registration").order_by("receiver_id", "raised_at", "pk"))
    away = _last_away({fault.receiver_id for fault in found if fault.kind == OUTAGE})
    never = date.min
    return [fault for fault in found if fault.kind != OUTAGE or away.get(fault.receiver_id, never) < _day_before(fault)]


def _day_before(fault: Any) -> date:
    # Days of absences are local ones.
    return (fault.raised_at.astimezone(UTC) - timedelta(days=1)).date()  # type: ignore[no-any-return]


def _last_away(receiver_ids: Collection[int]) -> dict[int, date]:
    """Receiver → the last day on which an absence there began or ended."""
    if not receiver_ids:
        return {}
    rows = _model("Away").filter(registration__receiver__in=receiver_ids)
    found: dict[int, date] = {}
    for pk, *days in rows.values_list("registration__receiver_id", "from_on", "ended_on"):
        found[pk] = max(day for day in (*days, found.get(pk)) if day is not None)
    return found


def past_of(fault: Any) -> Past:
    """A fault as its record is judged."""
    window_s = fault.registration.window_s if fault.registration_id else 0
    return Past(fault.pk, fault.raised_at, fault.cleared_at, fault.cause, fault.transmitter_id, window_s or 0)


@dataclass(slots=True)
class Days:
    """Quarter hours of some transmitters, a mask a day, unfolded only where they are looked at."""

    masks: dict[int, list[tuple[date, bytes, int | None]]] = field(default_factory=lambda: defaultdict(list))

    def between(self, transmitter_pk: int, since: datetime, until: datetime) -> list[HeardAt]:
        """Check-ins of the days from one moment to another one, in order."""
        first, last = since.astimezone(UTC).date(), until.astimezone(UTC).date()
        found: list[HeardAt] = []
        for day, mask, last_s in self.masks.get(transmitter_pk, ()):
            if first <= day <= last:
                found += _unfolded(day, mask, last_s)
        return found


def _unfolded(day: date, mask: bytes, last_s: int | None) -> list[HeardAt]:
    midnight = datetime.combine(day, time.min, tzinfo=UTC)
    found = [
        HeardAt(midnight + timedelta(seconds=q * QUARTER_S), midnight + timedelta(seconds=(q + 1) * QUARTER_S - 1))
        for q in quarters_in(mask)
    ]
    if found and last_s is not None and last_s // QUARTER_S == (found[-1].early - midnight).seconds // QUARTER_S:
        # The last of a day is known to the second.
        found[-1] = HeardAt(midnight + timedelta(seconds=last_s), midnight + timedelta(seconds=last_s))
    return found


def look_back(fault: Any, longest_s: int) -> datetime:
    """From when on check-ins are needed to judge a record."""
    if fault.kind == OUTAGE:
        return fault.raised_at - max(timedelta(seconds=longest_s), SHORTEST_LOOK)  # type: ignore[no-any-return]
    return fault.raised_at - timedelta(seconds=fault.registration.window_s)  # type: ignore[no-any-return]


def days_heard(spans: Mapping[int, tuple[datetime, datetime]]) -> Days:
    """Days of some transmitters, each asked for from one moment to another; one query."""
    found = Days()
    if not spans:
        return found
    since = min(begin for begin, _ in spans.values()).astimezone(UTC).date()
    until = max(end for _, end in spans.values()).astimezone(UTC).date()
    rows = days_of(
        _model("CheckInDay").all(), since=since, until=until, transmitters=list(spans),
        fields=("transmitter_id", "day", "presence", "last_heard_s"),
    )  # fmt: skip
    for pk, day, mask, last_s in rows:
        if mask is not None:
            found.masks[pk].append((day, bytes(mask), last_s))
    return found
