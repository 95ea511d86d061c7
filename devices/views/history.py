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
    """What differs on one receiver. `before` hung in its place on the first day: its slots are what is compared with.
    `heir` took its place in these days: what became of its slots is told there.
    """

    receiver: Receiver
    slots: tuple[Told, ...]
    others: tuple[tuple[ChangeRow, list[tuple[str, str, str]]], ...]
    n_undone: int
    before: Receiver | None = None
    heir: Receiver | None = None

    @property
    def is_empty(self) -> bool:
        return not self.slots and not self.others and self.heir is None


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
        wrong.append(_("The first day lies after the last: exchange them."))
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
    # A swap is logged on the unit that came, and tells of the one that went.
    theirs = (
        Q(after__receiver__in=keys)
        | Q(verb="swap_receiver", after__replaces__in=keys)
        | Q(subject_kind="registration", subject_id__in=stood.values("pk"))
    )
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
    receiver: Receiver, old: list[SlotRow], new: list[SlotRow], log: list[ChangeRow], places: Any, former: Former
) -> ReceiverChanges:
    walked = {one.serial: one for one in moves(old, new)}
    serials = {row.slot: row.serial for row in (*old, *new) if row.serial}
    keys = {receiver.pk, *(row.pk for row in former.chain)}
    swaps = tuple(row for row in log if _is_swap_of(row, receiver))
    told = []
    for change in diff_slot_maps(old, new):
        rows = tuple(row for row in log if any((key, change.slot) in places.get(row.pk, ()) for key in keys)) or swaps
        told.append(Told(change, rows, _moved_words(change, walked.get(serials.get(change.slot, "")))))
    slots_told = {(key, one.change.slot) for one in told for key in keys}
    zone = receiver.site.zone
    mine = [
        row
        for row in log
        if (row.after or {}).get("receiver") == receiver.pk
        or row in swaps
        or any(key == receiver.pk for key, _ in places.get(row.pk, ()))
    ]
    others = [
        (row, lines_of(row.before, row.after, zone, row.subject_kind))
        for row in mine
        if row.subject_kind in ("receiver", "output") and not row.undone_at and row.undoes_id is None  # type: ignore[attr-defined]
    ]
    n_undone = 0 if former.heir else sum(1 for row in mine if places.get(row.pk) and not places[row.pk] & slots_told)
    before = former.chain[-1] if former.chain else None
    return ReceiverChanges(receiver, tuple(told), tuple(others), n_undone, before, former.heir)


def _is_swap_of(row: ChangeRow, receiver: Receiver) -> bool:
    """Whether a row of the log tells that this receiver came or went in a swap that stands."""
    is_his = row.subject_id == receiver.pk or (row.after or {}).get("replaces") == receiver.pk
    return row.verb == "swap_receiver" and is_his and not row.undone_at  # type: ignore[attr-defined]


@dataclass(frozen=True, slots=True)
class Former:
    """Receivers that hung in a receiver's place before it in the days compared, the first day's last; and the `heir`, on
    the same page, that took its own place in those days.
    """

    chain: tuple[Receiver, ...] = ()
    heir: Receiver | None = None


def _former_of(
    request: PersonRequest, receivers: list[Receiver], then: datetime, now: datetime
) -> tuple[dict[int, Former], list[Receiver]]:
    """How receivers took each other's place after `then` and until `now`, and those of them that the page leaves out."""
    known = {row.pk: row for row in receivers}
    wanted = {row.replaces_id for row in receivers if row.replaces_id} - known.keys()
    hung = Q(removed_at__gt=then, removed_at__lte=now)
    gone = Receiver.objects.visible_to(request.user).filter(hung, site=receivers[0].site_id) if wanted else []
    known |= {row.pk: row for row in gone if row.pk not in known}
    chains: dict[int, tuple[Receiver, ...]] = {}
    for row in receivers:
        chain: list[Receiver] = []
        old = known.get(row.replaces_id or 0)
        while old is not None and old.removed_at is not None and then < old.removed_at <= now and old not in chain:
            chain.append(old)
            old = known.get(old.replaces_id or 0)
        # One that hung only between the two days leaves its slots to the one that hangs there at the end of them.
        chains[row.pk] = tuple(chain)
    shown = {row.pk for row in receivers}
    heirs = {
        old.pk: row for row in receivers if row.removed_at is None or row.removed_at > now for old in chains[row.pk]
    }
    former = {row.pk: Former(() if row.pk in heirs else chains[row.pk], heirs.get(row.pk)) for row in receivers}
    others = {old.pk: old for one in former.values() for old in one.chain if old.pk not in shown}
    return former, list(others.values())


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
    former, others = _former_of(request, receivers, then, now)
    old, new = (_by_receiver(request, [*receivers, *others], at, zone) for at in (then, now))
    log = _log_of(request, [*receivers, *others], then, now)
    maps = [row for rows in (*old.values(), *new.values()) for row in rows]
    places = _slots_of(request, log, maps)

    def told(row: Receiver) -> ReceiverChanges:
        mine = former[row.pk]
        if mine.heir is not None:
            return _told(row, [], [], log, places, mine)
        first = next((old[one.pk] for one in (row, *mine.chain) if one.pk in old), [])
        return _told(row, first, new.get(row.pk, []), log, places, mine)

    return [told(row) for row in receivers]


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
