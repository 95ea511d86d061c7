"""Registering again: which slots of a receiver still wait for it, how far it is, one tap for each."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.translation import gettext as _

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page
from company.models import ChangeRow
from devices.actions.slot_again import mark_registered
from devices.models import Receiver, Registration
from devices.rules.slot_life import Progress, progress_of
from devices.views.receivers import frame, here, receiver_for
from devices.views.undo_offer import said_with_undo


def _open_rows(request: PersonRequest, receiver: Receiver) -> QuerySet[Registration]:
    rows = Registration.objects.visible_to(request.user).open().filter(receiver=receiver)
    found: QuerySet[Registration] = rows.select_related("transmitter__type").order_by("slot")
    return found


def again_progress(request: PersonRequest, receiver: Receiver) -> tuple[Progress, list[Registration], dict[int, Any]]:
    """How far it is, the slots that wait, and the ones done since the oldest of them was asked for, by registration."""
    rows = list(_open_rows(request, receiver))
    waiting = [row for row in rows if row.register_again_since is not None]
    if not waiting:
        return Progress(0, 0), [], {}
    since = min(row.register_again_since for row in waiting if row.register_again_since is not None)
    marked = ChangeRow.objects.visible_to(request.user).filter(
        subject_kind="registration", subject_id__in=[row.pk for row in rows], verb="mark_registered", at__gte=since,
        undone_by=None,
    )  # fmt: skip
    keys = {row.pk for row in waiting}
    done = {row.subject_id: row for row in marked.select_related("by").order_by("pk") if row.subject_id not in keys}
    return progress_of(n_waiting=len(waiting), n_done=len(done)), waiting, done


@audience("office", "technician")
def register_again(request: PersonRequest, pk: int) -> HttpResponse:
    """The slots of a receiver that must be registered again, each with its button. Asked by htmx: the progress alone."""
    receiver = receiver_for(request, pk)
    if request.method == "POST":
        return _mark(request, receiver)
    progress, waiting, done = again_progress(request, receiver)
    by_key = {row.pk: row for row in _open_rows(request, receiver)} if done else {}
    context = frame(request) | {
        "receiver": receiver,
        "site": receiver.site,
        "progress": progress,
        "waiting": waiting,
        "done": [(by_key[key], change) for key, change in done.items() if key in by_key],
    }
    return page(request, "devices/slots/again.html", context, part="progress")


def _mark(request: PersonRequest, receiver: Receiver) -> HttpResponse:
    text = request.POST.get("slot", "")
    slot = int(text) if text.isascii() and text.isdigit() and len(text) < 5 else 0
    row = _open_rows(request, receiver).filter(slot=slot).first()
    if row is None:
        messages.error(request, _("Nothing stands in that slot any more. Look at the list again."))
    else:
        try:
            mark_registered(registration=row, by=request.user, at=timezone.now())
        except Refused as why:
            messages.error(request, str(why))
        else:
            said_with_undo(request, _("Slot %(slot)s is registered again. Walk-test it.") % {"slot": slot}, row)
    return redirect(here(request, "register_again", receiver.pk))
