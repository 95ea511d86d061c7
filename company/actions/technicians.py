"""Every write of what the planner must know of a technician: working hours, days off, skills."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, time

from django.db import transaction
from django.utils.translation import gettext

from company.actions.log import facts_of, record_change
from company.errors import Refused
from company.models import Technician, TechnicianDayOff, TechnicianShift, User


@transaction.atomic
def save_technician(
    *, technician: Technician, hours: Mapping[int, tuple[time, time] | None], by: User, at: datetime
) -> Technician:
    """Say where a technician's day begins and ends, and the working hours per weekday (0 = Monday; None: not at work).

    Refused for a person who is no technician.
    """
    if not technician.user.is_technician:
        raise Refused(gettext("%(user)s is no technician.") % {"user": technician.user.name})
    technician.full_clean()
    technician.save()
    for weekday in range(7):
        span = hours.get(weekday)
        if span is None:
            technician.shifts.filter(weekday=weekday).delete()
        else:
            TechnicianShift.objects.update_or_create(
                technician=technician, weekday=weekday, defaults={"begins": span[0], "ends": span[1]}
            )
    record_change(
        by=by,
        at=at,
        verb="save_technician",
        subject=technician,
        after=facts_of(technician, "start_place", "end_place", "skills")
        | {"hours": {str(day): [f"{t:%H:%M}" for t in span] for day, span in hours.items() if span}},
    )
    return technician


@transaction.atomic
def add_days_off(*, person: User, days: Sequence[date], reason: str, by: User, at: datetime) -> int:
    """Note days on which a technician is not at work; days noted before keep their reason. Returns how many are new.

    Refused for a person who is no technician.
    """
    if not person.is_technician:
        raise Refused(gettext("%(person)s is no technician.") % {"person": person.name})
    technician, _ = Technician.objects.get_or_create(user=person)
    have = set(TechnicianDayOff.objects.filter(technician=technician, day__in=days).values_list("day", flat=True))
    new = [day for day in days if day not in have]
    TechnicianDayOff.objects.bulk_create(
        TechnicianDayOff(technician=technician, day=day, reason=reason.strip()) for day in new
    )
    if new:
        record_change(
            by=by, at=at, verb="add_days_off", subject=technician, reason=reason,
            after={"from_on": new[0].isoformat(), "to_on": new[-1].isoformat(), "n_days": len(new)},
        )  # fmt: skip
    return len(new)


@transaction.atomic
def remove_days_off(*, person: User, from_on: date, to_on: date, by: User, at: datetime) -> int:
    """Put a technician back to work on these days, both ends included. Refused when none of them was off."""
    rows = TechnicianDayOff.objects.filter(technician__user=person, day__gte=from_on, day__lte=to_on)
    n_removed, _ = rows.delete()
    if not n_removed:
        raise Refused(gettext("No day off is noted there any more."))
    record_change(
        by=by, at=at, verb="remove_days_off", subject=person.technician,
        before={"from_on": from_on.isoformat(), "to_on": to_on.isoformat(), "n_days": n_removed},
    )  # fmt: skip
    return n_removed
