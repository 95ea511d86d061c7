"""Writes of recalls: open one, add to it, say what has become of an item, close it. What a change of cells settles follows by itself (`recall_states`)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext, ngettext

from company import jobs
from company.actions import ensure_firm, facts_of, record_change
from company.errors import Refused
from company.jobs import Handle
from company.manner import day_said
from company.models import Firm, User
from devices.models import Fitting, Receiver, Transmitter
from maintenance.actions.due import refresh_receivers
from maintenance.actions.recall_states import follow
from maintenance.models import Recall, RecallItem
from maintenance.querysets.recalls import Affected, affected, places_of
from maintenance.rules.recalls import RecallFilter

AT_ONCE = 40
"""Receivers whose due dates are worked out while the person waits; more are done in the background."""
RECEIVERS_A_STEP = 100
RECALL_FACTS = ("title", "why", "what", "due_on", "closed_at", "closed_why")
ITEM_FACTS = ("state", "note")


class NotAFilter(Refused):
    """What was named cannot make a list."""


class NothingAffected(Refused):
    """A recall of nothing is not worth opening."""


class DayPast(Refused):
    """Nothing can be done by a day that is over."""


class ListChanged(Refused):
    """Cells were changed, or lots noted, between the preview and the opening."""


class RecallClosed(Refused):
    """The recall has been closed."""


class NotSettled(Refused):
    """Something is still to do, and nobody may wave that through without saying why."""


class NoteMissing(Refused):
    """Whoever sets a transmitter aside says what they saw."""


class NothingToSet(Refused):
    """The item is in that state already, or its state follows from the records."""


class ReasonMissing(Refused):
    """Whoever adds to a list says how that came to light."""


class NothingAdded(Refused):
    """Everything asked for is on the list already, or stands in no slot."""


@dataclass(frozen=True, slots=True)
class RecallPlan:
    """What the office decides about a recall.

    `key` makes a double click one recall, and `n_seen` refuses a list that is no longer as long as the one that was
    looked at; empty or None asks for no such check.
    """

    title: str
    why: str
    due_on: date
    filter: RecallFilter = field(default_factory=RecallFilter)
    what: str = Recall.What.CELLS
    key: str = ""
    n_seen: int | None = None


@transaction.atomic
def open_recall(*, plan: RecallPlan, by: User, at: datetime, today: date) -> Recall:
    """Make a recall with one item for each transmitter in service that the filter names, and bring their dates forward.

    The list is fixed from then on; `add_to_recall` adds what comes to light later. Repeating it with the same key gives
    the recall that is there.

    Raises
    ------
    NotAFilter, NothingAffected, DayPast, ListChanged
        Nothing is written.
    """
    problems = plan.filter.problems()
    if problems:
        raise NotAFilter(" ".join(text for _, text in problems))
    if not plan.title.strip() or not plan.why.strip():
        raise NotAFilter(gettext("Give the recall a title, and say what is wrong with them."))
    # One row that every new recall locks: a form sent twice at once finds the recall that the first one made.
    ensure_firm()
    Firm.objects.select_for_update().get(pk=1)
    if plan.key:
        made = Recall.objects.filter(filter__key=plan.key).first()
        if made is not None:
            return made
    if plan.due_on < today:
        raise DayPast(gettext("The day by which it is to be done is over. Choose today or a later day."))
    found = affected(plan.filter, what=plan.what)
    if not found:
        raise NothingAffected(gettext("No transmitter in service is like that, so there is nothing to recall."))
    if plan.n_seen not in (None, len(found)):
        raise ListChanged(
            gettext("The list holds %(n)s now, and %(n_seen)s when you looked. Look at it again.")
            % {"n": len(found), "n_seen": plan.n_seen}
        )
    kept = plan.filter.to_json() | ({"key": plan.key} if plan.key else {})
    recall = Recall.objects.create(
        title=plan.title.strip()[:120], why=plan.why.strip()[:500], what=plan.what, filter=kept, due_on=plan.due_on,
        opened_at=at, opened_by=by,
    )  # fmt: skip
    _list(recall, found)
    facts = facts_of(recall, *RECALL_FACTS) | {"n": len(found), "filter": plan.filter.to_json()}
    record_change(by=by, at=at, verb="open_recall", subject=recall, after=facts)
    _refresh(recall, {row.receiver_id for row in found}, by, at)
    return recall


def _list(recall: Recall, found: Iterable[Affected]) -> list[RecallItem]:
    return RecallItem.objects.bulk_create(
        [
            RecallItem(
                customer_id=row.customer_id, recall=recall, site_id=row.site_id, receiver_id=row.receiver_id,
                registration_id=row.registration_id, transmitter_id=row.transmitter_id,
                fitting_id=row.fitting_id if recall.what == Recall.What.CELLS else None,
            )
            for row in found
        ]
    )  # fmt: skip


@transaction.atomic
def add_to_recall(
    *, recall: Recall, transmitters: Sequence[Transmitter], by: User, at: datetime, reason: str = ""
) -> list[RecallItem]:
    """Put further transmitters on the list; those on it already, and those that stand in no slot, are passed over.

    Raises
    ------
    RecallClosed, NothingAdded, ReasonMissing
        Nothing is written.
    """
    recall = _lock(recall)
    listed = set(recall.items.values_list("transmitter_id", flat=True))
    new = {row.pk: row for row in transmitters if row.pk not in listed}
    places = places_of(new)
    if places and not reason.strip():
        raise ReasonMissing(gettext("Say how these came to light, such as who found them."))
    cells = dict(Fitting.objects.open().filter(transmitter_id__in=list(places)).values_list("transmitter_id", "pk"))
    items = RecallItem.objects.bulk_create(
        [
            RecallItem(
                customer_id=new[pk].customer_id, recall=recall, site_id=place["site_id"], transmitter_id=pk,
                receiver_id=place["receiver_id"], registration_id=place["pk"], note="added later",
                fitting_id=cells.get(pk) if recall.what == Recall.What.CELLS else None,
            )
            for pk, place in places.items()
        ]
    )  # fmt: skip
    if not items:
        raise NothingAdded(gettext("Nothing was added: on the list already, or in no slot."))
    serials = sorted(new[pk].serial for pk in places)
    record_change(
        by=by, at=at, verb="add_to_recall", subject=recall, after={"serials": serials[:200], "n": len(items)},
        reason=reason,
    )  # fmt: skip
    _refresh(recall, {place["receiver_id"] for place in places.values()}, by, at)
    return items


@transaction.atomic
def set_item_state(*, item: RecallItem, state: str, note: str, by: User, at: datetime) -> RecallItem:
    """Say that somebody has looked at a transmitter and found it not affected, or take that back.

    "Done" and "no longer in service" follow from the records and cannot be set by hand.

    Raises
    ------
    RecallClosed, NoteMissing, NothingToSet
        Nothing is written.
    """
    recall = _lock(item.recall)
    item = RecallItem.objects.select_for_update(of=("self",)).get(pk=item.pk)
    before = facts_of(item, *ITEM_FACTS)
    _refuse_state(item, state, note)
    item.state, item.note = state, note.strip()[:200]
    item.state_at, item.state_by = (at, by) if state != RecallItem.State.OPEN else (None, None)
    item.save(update_fields=["state", "note", "state_at", "state_by"])
    if state == RecallItem.State.OPEN:
        # Meanwhile the cells may have been changed: then it is done and not open.
        follow([item], at)
        item.refresh_from_db()
    record_change(
        by=by, at=at, verb="set_recall_state", subject=item, customer_id=item.customer_id, before=before,
        after=facts_of(item, *ITEM_FACTS), reason=note.strip(),
    )  # fmt: skip
    _refresh(recall, {item.receiver_id} if item.receiver_id else set(), by, at)
    return item


def _refuse_state(item: RecallItem, state: str, note: str) -> None:
    settable = {
        RecallItem.State.OPEN: RecallItem.State.NOT_AFFECTED,
        RecallItem.State.NOT_AFFECTED: RecallItem.State.OPEN,
    }
    if state not in settable:
        raise NothingToSet(gettext("That state follows from the records: record the change where it was made."))
    if item.state != settable[RecallItem.State(state)]:
        raise NothingToSet(
            gettext("It is “%(state)s” now, so there is nothing to set. Look at the list again.")
            % {"state": item.get_state_display()}
        )
    if state == RecallItem.State.NOT_AFFECTED and not note.strip():
        raise NoteMissing(gettext("Say what was seen there, such as the lot that stands on the cells."))


@transaction.atomic
def close_recall(*, recall: Recall, by: User, at: datetime, reason: str = "") -> Recall:
    """Close a recall; its list stays. Before all is settled only a manager may, with a reason.

    Raises
    ------
    RecallClosed, NotSettled
        Nothing is written.
    """
    recall = _lock(recall)
    n_open = recall.items.filter(state=RecallItem.State.OPEN).count()
    if n_open and not (by.is_manager and reason.strip()):
        left = ngettext("%(n)s is still to do.", "%(n)s are still to do.", n_open) % {"n": n_open}
        if by.is_manager:
            who = gettext("Say why it is closed all the same.")
        else:
            who = gettext("Until then only a manager may close it.")
        raise NotSettled(f"{left} {who}")
    before = facts_of(recall, *RECALL_FACTS)
    recall.closed_at, recall.closed_by, recall.closed_why = at, by, reason.strip()[:200]
    recall.save(update_fields=["closed_at", "closed_by", "closed_why"])
    after = facts_of(recall, *RECALL_FACTS) | {"n_left": n_open}
    record_change(by=by, at=at, verb="close_recall", subject=recall, before=before, after=after, reason=reason)
    open_at = recall.items.filter(state=RecallItem.State.OPEN, receiver__isnull=False)
    _refresh(recall, set(open_at.values_list("receiver_id", flat=True)), by, at)
    return recall


def _lock(recall: Recall) -> Recall:
    """Lock a recall.

    Raises
    ------
    RecallClosed
        Saying who closed it and when.
    """
    recall = Recall.objects.select_for_update(of=("self",)).select_related("closed_by").get(pk=recall.pk)
    if recall.closed_at is not None:
        raise RecallClosed(
            gettext("This recall was closed by %(who)s on %(day)s; nothing was changed.")
            % {
                "who": recall.closed_by and recall.closed_by.name,
                "day": day_said(timezone.localtime(recall.closed_at)),
            }
        )
    return recall


# --- due dates ----------------------------------------------------------------------------------------------------------


def _refresh(recall: Recall, receiver_ids: set[int], by: User, at: datetime) -> None:
    """Have the due dates at these receivers worked out once the change is kept: at once for a few, else by a job."""
    if len(receiver_ids) > AT_ONCE:
        jobs.enqueue(
            handler="maintenance.actions.recalls.refresh_recalled",
            key=f"recall:{recall.pk}:{at.isoformat()}",
            title=(gettext("Due dates of the recall “%(title)s”") % {"title": recall.title})[:120],
            args={"receiver_ids": sorted(receiver_ids)},
            by=by,
        )
    elif receiver_ids:
        transaction.on_commit(lambda: _refresh_at_once(sorted(receiver_ids)), robust=True)


def _refresh_at_once(receiver_ids: list[int]) -> None:
    refresh_receivers(receiver_ids=receiver_ids, at=timezone.now())


def refresh_recalled(handle: Handle, *, receiver_ids: Sequence[int], **unknown: Any) -> None:
    """Job handler: work out the due dates at the receivers of a recall. A second run writes nothing."""
    there = list(Receiver.objects.filter(pk__in=receiver_ids).order_by("pk").values_list("pk", flat=True))
    moved = 0
    for start in range(0, len(there), RECEIVERS_A_STEP):
        handle.progress(start, len(there), gettext("%(start)s of %(n)s receivers") % {"start": start, "n": len(there)})
        done = refresh_receivers(receiver_ids=there[start : start + RECEIVERS_A_STEP], at=timezone.now())
        moved += done.n_moved
    handle.progress(len(there), len(there), gettext("%(n)s of %(n)s receivers") % {"n": len(there)})
    handle.finish({"moved": moved})
