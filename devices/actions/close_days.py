"""Days that are over: every transmitter of a receiver whose check-ins reach us gets its row, also one that said nothing."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from django.db import transaction
from django.db.models import Min, Q

from devices.actions.fault_events import lock_for_faults
from devices.actions.rollups import record_days
from devices.models import Away, CheckInDay, Receiver, Registration
from devices.rules.day_merge import DayRow
from devices.rules.presence import DAY_S
from devices.rules.supervision import EVERY

AT_ONCE = 50
"""Receivers whose days are closed in one transaction."""
MOST_DAYS = 31
"""Days closed in one go; after a longer pause the next call goes on."""
LONGEST_BACK = timedelta(days=92)
"""A receiver that was never closed begins with the first day heard, at most so long ago."""


@dataclass(frozen=True, slots=True)
class Closed:
    """What a call did: receivers whose days moved, days of transmitters that were looked at."""

    n_receivers: int
    n_days: int


def to_close() -> list[int]:
    """Keys of the receivers with a day of UTC that is over on their own watermark and not closed yet."""
    rows = Receiver.objects.open().filter(evidence=EVERY, heard_until__isnull=False).order_by("pk")
    return [
        pk
        for pk, until, closed in rows.values_list("pk", "heard_until", "days_closed_until")
        if closed is None or closed < until.astimezone(UTC).date()
    ]


def close_days(*, receiver_ids: Iterable[int] | None = None, at: datetime) -> Closed:
    """Close the days that are over at some receivers, or at all that have any; `days_closed_until` moves.

    A transmitter that was registered there gets a row for each such day, with what was to be expected between its
    registration and its removal (nothing while away, nothing where the interval is not known), so that silence shows as
    what it is. What comes in late is merged into it by the rule of `devices.rules.day_merge`. May be repeated, and catches
    up `MOST_DAYS` a call.
    """
    wanted = sorted(set(receiver_ids)) if receiver_ids is not None else to_close()
    n_receivers = n_days = 0
    for start in range(0, len(wanted), AT_ONCE):
        receivers, days = _close(wanted[start : start + AT_ONCE], at)
        n_receivers, n_days = n_receivers + receivers, n_days + days
    return Closed(n_receivers, n_days)


@transaction.atomic
def _close(receiver_ids: Sequence[int], at: datetime) -> tuple[int, int]:
    lock_for_faults(receiver_ids)
    rows = Receiver.objects.open().filter(pk__in=receiver_ids, evidence=EVERY, heard_until__isnull=False)
    spans: dict[int, tuple[date, date]] = {}
    changed = []
    for row in rows.order_by("pk"):
        first, end = _span(row)
        if first < end:
            spans[row.pk] = first, end
        if row.days_closed_until != max(first, end):
            row.days_closed_until = max(first, end)
            changed.append(row)
    days = _days(spans) if spans else []
    record_days(days)
    Receiver.objects.bulk_update(changed, ["days_closed_until"], batch_size=AT_ONCE)
    return len(changed), len(days)


def _span(receiver: Receiver) -> tuple[date, date]:
    """First day to be closed, and the first one that is not over."""
    assert receiver.heard_until is not None
    over = receiver.heard_until.astimezone(UTC).date()
    first = receiver.days_closed_until or _first_heard(receiver, over)
    return first, min(over, first + timedelta(days=MOST_DAYS))


def _first_heard(receiver: Receiver, over: date) -> date:
    """Day on which check-ins began to reach us; before it nobody was silent, nobody listened."""
    units = list(receiver.registrations.filter(transmitter__isnull=False).values_list("transmitter_id", flat=True))
    heard = CheckInDay.objects.filter(transmitter_id__in=units, day__gte=over - LONGEST_BACK, heard__gt=0)
    first: date | None = heard.aggregate(first=Min("day"))["first"]
    return min(first or over, over)


def _days(spans: dict[int, tuple[date, date]]) -> list[DayRow]:
    first, end = min(span[0] for span in spans.values()), max(span[1] for span in spans.values())
    stood = Registration.objects.filter(
        Q(removed_at=None) | Q(removed_at__gte=_midnight(first)), receiver__in=spans, transmitter__isnull=False,
        registered_at__lt=_midnight(end),
    ).order_by("transmitter_id", "registered_at", "pk")  # fmt: skip
    rows = list(stood.values_list("pk", "receiver_id", "transmitter_id", "interval_s", "registered_at", "removed_at"))
    away = _away([row[0] for row in rows])
    found: dict[tuple[int, date], DayRow] = {}
    for pk, receiver, unit, interval_s, begun, removed in rows:
        day, last = max(spans[receiver][0], begun.astimezone(UTC).date()), spans[receiver][1]
        while day < last and (removed is None or removed > _midnight(day)):
            is_away = any(begins <= day and (ends is None or day < ends) for begins, ends in away.get(pk, ()))
            row = DayRow(
                unit, day, interval_s=None if is_away else interval_s, from_s=_second(begun, day, 0),
                to_s=DAY_S if removed is None else _second(removed, day, DAY_S),
            )  # fmt: skip
            other = found.get((unit, day))
            found[unit, day] = row if other is None else _both(other, row)
            day += timedelta(days=1)
    return list(found.values())


def _both(one: DayRow, two: DayRow) -> DayRow:
    """A transmitter in several slots, or with settings changed on that day: its shortest interval over the whole span."""
    if one.interval_s is None or two.interval_s is None:
        return one if two.interval_s is None else two
    return one._replace(
        interval_s=min(one.interval_s, two.interval_s), from_s=min(one.from_s, two.from_s),
        to_s=max(one.to_s or 0, two.to_s or 0),
    )  # fmt: skip


def _away(registration_ids: Sequence[int]) -> dict[int, list[tuple[date, date | None]]]:
    found: dict[int, list[tuple[date, date | None]]] = defaultdict(list)
    rows = Away.objects.filter(registration__in=registration_ids)
    for pk, begins, ends in rows.values_list("registration_id", "from_on", "ended_on"):
        found[pk].append((begins, ends))
    return found


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time(), tzinfo=UTC)


def _second(moment: datetime, day: date, otherwise: int) -> int:
    """Second of the day at which something began or ended on it, else what holds on every other day."""
    there = moment.astimezone(UTC)
    return int((there - _midnight(day)).total_seconds()) if there.date() == day else otherwise
