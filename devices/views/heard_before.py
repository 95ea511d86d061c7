"""What was heard from a slot before anything was registered there: the day it began is proposed as that of registering."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta, tzinfo
from typing import Any

from django.db.models import Max, Min, QuerySet
from django.utils.translation import gettext as _

from company.access import PersonRequest
from company.local_time import NoSuchTime, local_moment
from company.templatetags.days import day as day_said
from devices.models import Receiver, Registration, SetAside
from devices.rules.set_aside_units import unit_key


def waiting_in_slot(request: PersonRequest, receiver: Receiver, slot: int) -> QuerySet[Any]:
    """Events of a slot that wait until something is registered there."""
    unit = unit_key(serial="", receiver_id=receiver.pk, slot=slot, named="")
    rows: QuerySet[Any] = SetAside.objects.visible_to(request.user).open().filter(unit=unit, receiver=receiver)
    return rows


def propose_since(form: Any, request: PersonRequest, receiver: Receiver, slot: int, waiting: QuerySet[Any]) -> None:
    """Fill in the day from which on a unit was heard, and say why: only events from the registration on are counted.

    Known from events that wait under the slot, or from the address (`since`), for a unit that was adopted. Never before
    what stood in the slot last.
    """
    zone = receiver.site.zone
    first = waiting.aggregate(first=Min("at"))["first"]
    since = first.astimezone(zone).date() if first else _day(request.GET.get("since", ""))
    if since is None:
        return
    ended = (
        Registration.objects.visible_to(request.user)
        .filter(receiver=receiver, slot=slot)
        .aggregate(last=Max("removed_at"))
    )
    wall = _begin(since, zone, first)
    if (last := ended["last"]) is not None:
        # The field shows whole minutes: the next one, so that it is not before.
        wall = max(wall, (last.astimezone(zone) + timedelta(seconds=59)).replace(tzinfo=None, second=0, microsecond=0))
    form.fields["at"].help_text = _(
        "It was first heard on %(day)s. Only what came after the registration is counted, so that day is filled in."
        " Time of the site."
    ) % {"day": day_said(since)}
    form.initial["at"] = wall


def _begin(day: date, zone: tzinfo, first: datetime | None) -> datetime:
    """The beginning of a day by the clock there; where the clocks jump over it, the moment of the event itself."""
    wall = datetime.combine(day, time())
    try:
        local_moment(wall, zone)
    except NoSuchTime:
        return first.astimezone(zone).replace(tzinfo=None, second=0, microsecond=0) if first else wall.replace(hour=2)
    return wall


def _day(word: str) -> date | None:
    try:
        return date.fromisoformat(word)
    except ValueError:
        return None
