"""The page of one slot: what stands there, when it was last changed and by whom, and its whole life."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.http import require_safe

from company.access import PersonRequest, audience
from company.htmx import page
from devices.models import Away, Fitting, LinkWatch, Receiver, Registration
from devices.querysets import end_of_day
from devices.querysets.radio_records import weak_one
from devices.rules.findings_radio import weak_words
from devices.rules.receiver_alarm import Alarm, slot_alarms
from devices.rules.slot_life import never_stood
from devices.rules.slot_map import day_asked, due_words, ticks_left
from devices.rules.supervision import EVERY, faults_of
from devices.rules.words import day_words
from devices.views.receivers import frame, standing_faults
from devices.views.shown import registration_lines
from devices.views.slot_before import before_of
from devices.views.slot_story import story_of
from devices.views.slots import next_free_slot, slot_of

SHOWN = 20
"""Moments of the story that stand open on the page; older ones fold away."""


def _fitted(request: PersonRequest, registration: Registration | None) -> dict[str, Any]:
    """Absence, cells, and whether the unit is sealed, of what stands in the slot now."""
    if registration is None:
        return {"away": None, "fittings": [], "is_sealed": False}
    away = Away.objects.visible_to(request.user).filter(registration=registration, ended_on=None).first()
    if registration.transmitter is None:
        return {"away": away, "fittings": [], "is_sealed": False}
    kind = registration.transmitter.type
    cells = Fitting.objects.visible_to(request.user).newest_first().filter(transmitter=registration.transmitter)
    return {"away": away, "fittings": list(cells), "is_sealed": kind is not None and kind.welded_cell}


def _weak(request: PersonRequest, registration: Registration | None) -> str:
    """How the link of what stands here fell, where it is called weak; empty where it is away."""
    if registration is None or registration.transmitter_id is None:
        return ""
    links = LinkWatch.objects.visible_to(request.user).filter(
        registration=registration, transmitter=registration.transmitter_id, registration__receiver__evidence=EVERY
    )
    weak = weak_one(links)
    if weak is None:
        return ""
    if weak.fine_on is None:
        return weak_words(weak)
    fine = gettext("It was as usual until %(day)s.") % {"day": day_words(weak.fine_on, today=timezone.localdate())}
    return f"{weak_words(weak)} {fine}"


def _now(request: PersonRequest, receiver: Receiver, slot: int, registration: Registration | None) -> dict[str, Any]:
    """The slot as it stands today: due date, faults, months left."""
    zone = receiver.site.zone
    today = timezone.now().astimezone(zone).date()
    rows = Registration.objects.visible_to(request.user).filter(receiver=receiver, slot=slot)
    then = end_of_day(today, zone)
    row = next(iter(rows.with_failed_tests(rows.slot_rows(then, zone), then, zone)), None)
    standing = standing_faults(request, receiver)
    return {
        "row": row,
        "due_state": row.urgency(today) if row else "",
        "due_text": due_words(row.due_on, today) if row else "",
        "ticks": ticks_left(row.due_on, today) if row and row.due_on else None,
        "faults": [
            Alarm(fault.pk, fault.words(today, with_place=False), is_deaf=False) for fault in faults_of(row, standing)
        ]
        if row
        else [],
        "alarms": slot_alarms(standing, today),
    }


@audience("office", "technician")
@require_safe
def slot_detail(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    receiver, registration = slot_of(request, pk, slot)
    zone = receiver.site.zone
    today = timezone.now().astimezone(zone).date()
    on = day_asked(request.GET.get("on", ""), today)
    then = end_of_day(on, zone)
    past = list(
        Registration.objects.visible_to(request.user)
        .in_slot(receiver, slot)
        .select_related("receiver", "transmitter__type", "replaces__transmitter", "replaces__receiver__site")
        .prefetch_related("replaces__outputs__output")
    )
    story = story_of(request, receiver, past, zone)
    stood = [one for one in past if not never_stood(one.registered_at, one.removed_at)]
    in_force = (
        one.pk for one in stood if one.registered_at <= then and (one.removed_at is None or one.removed_at > then)
    )
    context = frame(request) | _now(request, receiver, slot, registration) | _fitted(request, registration)
    context |= {
        "weak": "" if context["away"] else _weak(request, registration),
        "receiver": receiver,
        "site": receiver.site,
        "slot": slot,
        "registration": registration,
        # Not simply the newest: that one may have been taken back, and an older one goes on.
        "settings": next(
            (registration_lines(one, zone) for one in past if registration and one.pk == registration.pk), []
        ),
        "on": on if on != today else None,
        "pk_then": next(in_force, 0),
        "last_change": story.last_change,
        "last_cells": story.last_cells,
        "moments": story.moments[:SHOWN],
        "older": story.moments[SHOWN:],
        # Without a row of the log: what stands there now tells since when, else what happened here last.
        "since": registration.registered_at
        if registration
        else next((m.at for m in story.moments if m.is_of_slot), None),
        "before": before_of(request, receiver, slot),
        "past": [(one, registration_lines(one, zone)) for one in stood],
        "neighbours": (slot - 1 if slot > 1 else None, slot + 1 if slot < receiver.n_slots else None),
        "last": stood[0] if stood and registration is None else None,
        "next_free": next_free_slot(request, receiver, slot),
        "is_new": request.GET.get("done") == "registered" and registration is not None,
    }
    return page(request, "devices/slots/detail.html", context)
