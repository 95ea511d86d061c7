"""What changed between two days on a receiver or at a whole site, as a page and as a file."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.db.models import Q
from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.utils.text import slugify
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from company.access import PersonRequest, audience
from company.change_words import deed_words, lines_of
from company.htmx import page
from company.lists import page_of
from company.models import ChangeRow
from company.spreadsheets import csv_bytes
from company.undo import offers_undo
from devices.models import Fitting, Receiver, Registration
from devices.querysets import end_of_day
from devices.rules.slot_diff import DIFF_COLUMNS, Moved, SlotChange, diff_slot_maps, moves, tally
from devices.rules.slot_map import SlotRow, day_refused
from devices.views.receivers import frame, receiver_for
from sites.models import Site

DEFAULT_DAYS = 30
MOST_ROWS = 2000
"""Rows of the log that are matched to slots; a longer span is asked for in parts."""
PAGE = "devices/history/changes.html"


@dataclass(frozen=True, slots=True)
class Span:
    """From the end of one day to the end of another, in the site's time zone; `wrong` says what is not possible."""

    first: date
    last: date
    today: date
    wrong: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Told:
    """One slot that differs, with the changes of the log that led there, newest first."""

    change: SlotChange
    log: tuple[ChangeRow, ...]
    moved: str = ""


@dataclass(frozen=True, slots=True)
class ReceiverChanges:
    """What differs on one receiver."""

    receiver: Receiver
    slots: tuple[Told, ...]
    others: tuple[tuple[ChangeRow, list[tuple[str, str, str]]], ...]
    n_undone: int

    @property
    def is_empty(self) -> bool:
        return not self.slots and not self.others


def span_of(request: PersonRequest, today: date) -> Span:
    """The two days asked for: the last 30 days where none are named."""
    wrong = []
    days = []
    for name, default in (("from", today - timedelta(days=DEFAULT_DAYS)), ("to", today)):
        text = request.GET.get(name, "").strip()
        if refusal := day_refused(text, today):
            wrong.append(refusal)
        days.append(date.fromisoformat(text) if text and not refusal else default)
    first, last = days
    if first > last and not wrong:
        wrong.append("The first day lies after the last: exchange them.")
    return Span(first, last, today, tuple(wrong))


def _by_receiver(
    request: PersonRequest, receivers: list[Receiver], at: datetime, zone: Any
) -> dict[int, list[SlotRow]]:
    rows: dict[int, list[SlotRow]] = {}
    found = Registration.objects.visible_to(request.user).filter(receiver__in=receivers).slot_rows(at, zone)
    for row in found:
        rows.setdefault(row.receiver_pk or 0, []).append(row)
    return rows


def _log_of(request: PersonRequest, receivers: list[Receiver], after: datetime, until: datetime) -> list[ChangeRow]:
    keys = [row.pk for row in receivers]
    # Older rows name only the registration, newer ones the receiver too.
    stood = Registration.objects.visible_to(request.user).filter(receiver__in=receivers)
    theirs = Q(after__receiver__in=keys) | Q(subject_kind="registration", subject_id__in=stood.values("pk"))
    rows = ChangeRow.objects.visible_to(request.user).filter(
        theirs, customer_id=receivers[0].customer_id, at__gt=after, at__lte=until
    )
    return list(rows.select_related("by", "undoes").with_fate().order_by("-pk")[:MOST_ROWS])


def _slots_of(
    request: PersonRequest, log: Iterable[ChangeRow], maps: Iterable[SlotRow]
) -> dict[int, set[tuple[int, int]]]:
    """Row of the log → the places (receiver, slot) it speaks of."""
    rows = list(log)
    stood = {
        pk: (receiver, slot)
        for pk, receiver, slot in Registration.objects.visible_to(request.user)
        .filter(pk__in={row.subject_id for row in rows if row.subject_kind == "registration"})
        .values_list("pk", "receiver_id", "slot")
    }
    holders = dict(
        Fitting.objects.visible_to(request.user)
        .filter(pk__in={row.subject_id for row in rows if row.subject_kind == "fitting"})
        .values_list("pk", "transmitter_id")
    )
    places: dict[int, set[tuple[int, int]]] = {}
    for slot in maps:
        if slot.transmitter_pk is not None and slot.receiver_pk is not None:
            places.setdefault(slot.transmitter_pk, set()).add((slot.receiver_pk, slot.slot))
    found: dict[int, set[tuple[int, int]]] = {}
    for row in rows:
        if row.subject_kind == "registration" and row.subject_id in stood:
            found[row.pk] = {stood[row.subject_id]}
            was = (row.before or {}).get("slot")
            if row.verb == "move_transmitter" and was and was != stood[row.subject_id][1]:
                found[row.pk].add((stood[row.subject_id][0], was))
        elif row.subject_kind == "fitting":
            found[row.pk] = places.get(holders.get(row.subject_id, 0), set())
    return found


def _told(
    receiver: Receiver, old: list[SlotRow], new: list[SlotRow], log: list[ChangeRow], places: Any
) -> ReceiverChanges:
    walked = {one.serial: one for one in moves(old, new)}
    serials = {row.slot: row.serial for row in (*old, *new) if row.serial}
    told = []
    for change in diff_slot_maps(old, new):
        rows = tuple(row for row in log if (receiver.pk, change.slot) in places.get(row.pk, ()))
        told.append(Told(change, rows, _moved_words(change, walked.get(serials.get(change.slot, "")))))
    slots_told = {(receiver.pk, one.change.slot) for one in told}
    zone = receiver.site.zone
    mine = [
        row
        for row in log
        if (row.after or {}).get("receiver") == receiver.pk
        or any(key == receiver.pk for key, _ in places.get(row.pk, ()))
    ]
    others = [
        (row, lines_of(row.before, row.after, zone, row.subject_kind))
        for row in mine
        if row.subject_kind in ("receiver", "output") and not row.undone_at and row.undoes_id is None  # type: ignore[attr-defined]
    ]
    n_undone = sum(1 for row in mine if places.get(row.pk) and not places[row.pk] & slots_told)
    return ReceiverChanges(receiver, tuple(told), tuple(others), n_undone)


def _moved_words(change: SlotChange, moved: Moved | None) -> str:
    if moved is None:
        return ""
    if change.slot == moved.from_slot:
        return _("%(serial)s moved to slot %(to_slot)s") % {"serial": moved.serial, "to_slot": moved.to_slot}
    return (
        _("%(serial)s came from slot %(from_slot)s") % {"serial": moved.serial, "from_slot": moved.from_slot}
        if change.slot == moved.to_slot
        else ""
    )


def changes_of(request: PersonRequest, receivers: list[Receiver], span: Span) -> list[ReceiverChanges]:
    """What differs on receivers of one site between two days; the number of queries does not grow with them."""
    if not receivers or span.wrong:
        return []
    zone = receivers[0].site.zone
    then, now = end_of_day(span.first, zone), end_of_day(span.last, zone)
    old, new = (_by_receiver(request, receivers, at, zone) for at in (then, now))
    log = _log_of(request, receivers, then, now)
    maps = [row for rows in (*old.values(), *new.values()) for row in rows]
    places = _slots_of(request, log, maps)
    return [_told(row, old.get(row.pk, []), new.get(row.pk, []), log, places) for row in receivers]


def _context(request: PersonRequest, told: list[ReceiverChanges], span: Span) -> dict[str, Any]:
    return frame(request) | {
        "span": span,
        "told": told,
        "shown": [one for one in told if not one.is_empty],
        "counts": [(words, n) for words, n in tally(slot.change for one in told for slot in one.slots).items() if n],
        "is_empty": all(one.is_empty for one in told),
        "query": f"?from={span.first.isoformat()}&to={span.last.isoformat()}",
    }


def _today(site: Site) -> date:
    return timezone.now().astimezone(site.zone).date()


@audience("office", "technician")
@require_safe
def receiver_changes(request: PersonRequest, pk: int) -> HttpResponse:
    """Slots filled, emptied, swapped and changed on one receiver between two days."""
    receiver = receiver_for(request, pk)
    span = span_of(request, _today(receiver.site))
    context = _context(request, changes_of(request, [receiver], span), span)
    context |= {"receiver": receiver, "site": receiver.site, "name": "receiver_changes", "key": receiver.pk}
    return page(request, PAGE, context, part="changes", status=422 if span.wrong else 200)


def _site_and_receivers(request: PersonRequest, site_pk: int) -> tuple[Site, list[Receiver]]:
    site: Site = get_object_or_404(Site.objects.visible_to(request.user).select_related("customer"), pk=site_pk)
    rows = Receiver.objects.visible_to(request.user).filter(site=site)
    return site, list(rows.select_related("site", "customer", "type").order_by("label", "pk"))


@audience("office", "technician")
@require_safe
def site_changes(request: PersonRequest, site_pk: int) -> HttpResponse:
    """The same for every receiver of a site, those taken down too."""
    site, receivers = _site_and_receivers(request, site_pk)
    span = span_of(request, _today(site))
    context = _context(request, changes_of(request, receivers, span), span)
    context |= {"receiver": None, "site": site, "name": "site_changes", "key": site.pk}
    return page(request, PAGE, context, part="changes", status=422 if span.wrong else 200)


def _lines(told: list[ReceiverChanges]) -> Iterable[tuple[str, ...]]:
    for one in told:
        label, zone = one.receiver.label, one.receiver.site.zone
        for slot in one.slots:
            last = slot.log[0] if slot.log else None
            who = (
                last.by.name if last and last.by else "",
                last.at.astimezone(zone).strftime("%Y-%m-%d %H:%M") if last else "",
                last.reason if last else "",
            )
            for line in slot.change.lines:
                yield (label, str(slot.change.slot), slot.change.kind, line.what, line.old, line.new, *who)
        for row, lines in one.others:
            at = row.at.astimezone(zone).strftime("%Y-%m-%d %H:%M")
            who = (row.by.name if row.by else "", at, row.reason)
            for name, before, after in lines or [(row.subject_text, "", "")]:
                yield (label, "", deed_words(row.verb), name, before, after, *who)


def _file(told: list[ReceiverChanges], name: str, span: Span) -> HttpResponse:
    if span.wrong:
        return HttpResponse(" ".join(span.wrong), status=400, content_type="text/plain; charset=utf-8")
    answer = HttpResponse(csv_bytes(DIFF_COLUMNS, list(_lines(told))), content_type="text/csv; charset=utf-8")
    title = slugify(f"changes {name} {span.first} {span.last}") or "changes"
    answer.headers["Content-Disposition"] = f'attachment; filename="{title}.csv"'
    return answer


@audience("office", "technician")
@require_safe
def receiver_changes_csv(request: PersonRequest, pk: int) -> HttpResponse:
    """The differences of one receiver, line by line."""
    receiver = receiver_for(request, pk)
    span = span_of(request, _today(receiver.site))
    return _file(changes_of(request, [receiver], span), str(receiver), span)


@audience("office", "technician")
@require_safe
def site_changes_csv(request: PersonRequest, site_pk: int) -> HttpResponse:
    """The differences of every receiver of a site, line by line."""
    site, receivers = _site_and_receivers(request, site_pk)
    span = span_of(request, _today(site))
    return _file(changes_of(request, receivers, span), site.name, span)


@audience("office")
@require_safe
def receiver_log(request: PersonRequest, pk: int) -> HttpResponse:
    """Everything that was changed on a receiver, newest first; the last change of each record can be taken back."""
    receiver = receiver_for(request, pk)
    changes = (
        ChangeRow.objects.visible_to(request.user)
        .filter(customer_id=receiver.customer_id, after__receiver=receiver.pk)
        .select_related("by", "undoes", "customer")
        .with_fate()
        .order_by("-pk")
    )
    shown = page_of(changes, request)
    context = frame(request) | {
        "receiver": receiver,
        "site": receiver.site,
        "page": shown,
        "rows": [(row, offers_undo(row, request.user)) for row in shown],
    }
    return page(request, "devices/receivers/log.html", context)
