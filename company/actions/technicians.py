"""Every write of what the planner must know of a technician: working hours, days off, skills."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, time

from django.db import transaction

from company.actions.log import facts_of, record_change
from company.errors import Refused
from company.models import Technician, TechnicianShift, User


@transaction.atomic
def save_technician(
    *, technician: Technician, hours: Mapping[int, tuple[time, time] | None], by: User, at: datetime
) -> Technician:
    """Say where a technician's day begins and ends, and the working hours per weekday (0 = Monday; None: not at work).

    Refused for a person who is no technician.
    """
    if not technician.user.is_technician:
        raise Refused(f"{technician.user.name} is no technician.")
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
