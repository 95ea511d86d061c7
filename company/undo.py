"""Taking back what the change log records: one registry of what can be undone, one action that does it.

An app says how its own verbs are undone, in a module of its `actions` that its AppConfig imports in `ready()`:

    @undoes("save_thing")
    def _undo_save_thing(change, *, by, at): ...

The handler puts the record right and returns `Undone` (or None); `undo` locks, refuses what came too late, and writes the
row that says so. Nothing is wiped from the log: the change stays, marked as taken back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Protocol
from uuid import UUID

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from company.access import OFFICE, TECHNICIAN, may_call
from company.change_words import deed_words, model_of
from company.errors import Refused
from company.models import ChangeRow, User

TAKE_BACK = "take_back"
"""Verb of the row that takes another one back."""
CUSTOMER_NAME = "customer_name"
"""Fact of a row whose customer went off the records with an import taken back: the column cannot name it any more."""


class CannotUndo(Refused):
    """A kind of change that is not taken back here."""


class TakenBackAlready(Refused):
    """A change is taken back once."""


class ChangedAfter(Refused):
    """Something later rests on the change; `changes` are the rows of the log, newest first."""

    def __init__(self, message: str, changes: list[ChangeRow]) -> None:
        super().__init__(message)
        self.changes = changes


@dataclass(frozen=True, slots=True)
class Undone:
    """What a handler did: facts of the record before and after, as the log keeps them; `others` are the facts after for
    companions of the change, by their key, where they differ, and `others_before` those before.
    """

    before: dict[str, Any] | None = None
    after: dict[str, Any] | None = None
    others: Mapping[int, dict[str, Any]] = field(default_factory=dict)
    others_before: Mapping[int, dict[str, Any]] = field(default_factory=dict)


class Undo(Protocol):
    """Puts one record right again. Refusals are `Refused`; the transaction is open and the record locked."""

    def __call__(self, change: ChangeRow, *, by: User, at: datetime) -> Undone | None: ...


def _alone(change: ChangeRow) -> list[ChangeRow]:
    return []


def _the_subject(change: ChangeRow) -> Q:
    return Q(subject_kind=change.subject_kind, subject_id=change.subject_id)


@dataclass(frozen=True, slots=True)
class Handler:
    """How one verb is undone.

    `touched` gives the rows of the log that speak of the same record (a later one forbids the undo); `companions` the
    other rows of the same deed, taken back with it; `lock` takes the locks under which this is decided; `audiences`
    may press the button, which is shown where `offered` holds (never where the handler would refuse for certain).
    """

    write: Undo
    touched: Callable[[ChangeRow], Q]
    companions: Callable[[ChangeRow], list[ChangeRow]]
    lock: Callable[[ChangeRow], object]
    audiences: frozenset[str]
    offered: Callable[[ChangeRow], bool]


_HANDLERS: dict[str, Handler] = {}


def undoes(
    *verbs: str,
    touched: Callable[[ChangeRow], Q] = _the_subject,
    companions: Callable[[ChangeRow], list[ChangeRow]] = _alone,
    lock: Callable[[ChangeRow], object] = lambda change: None,
    audiences: tuple[str, ...] = (OFFICE, TECHNICIAN),
    offered: Callable[[ChangeRow], bool] = lambda change: True,
) -> Callable[[Undo], Undo]:
    """Register how these verbs are undone; see `Handler` for the rest. A verb has one handler (ValueError)."""

    def register(write: Undo) -> Undo:
        for verb in verbs:
            if verb in _HANDLERS:
                raise ValueError(f"{verb} has a handler already")
            _HANDLERS[verb] = Handler(write, touched, companions, lock, frozenset(audiences), offered)
        return write

    return register


Locks = Callable[[Sequence[ChangeRow]], object]
_LOCKS: list[Locks] = []


def locks_together(take: Locks) -> Locks:
    """Register what takes the locks of several changes in the one order of everybody, before the first is taken back."""
    _LOCKS.append(take)
    return take


def known_verbs() -> frozenset[str]:
    """Verbs that can be undone at all."""
    return frozenset(_HANDLERS)


def may_undo(change: ChangeRow, user: User) -> bool:
    """Whether this person may press the button: the right audience, and a technician only their own changes."""
    handler = _HANDLERS.get(change.verb)
    if handler is None or change.undoes_id is not None or not may_call(user, handler.audiences):
        return False
    return handler.offered(change) and (not user.is_technician or change.by_id == user.pk)


def refuse_person(change: ChangeRow, user: User) -> None:
    """Refuse whoever has not the right to take back this kind of change.

    Raises
    ------
    CannotUndo
        For everybody but a manager, of what only a manager may do.
    """
    handler = _HANDLERS.get(change.verb)
    if handler is not None and change.undoes_id is None and not may_call(user, handler.audiences):
        raise CannotUndo(_("Only a manager may take this back."))


def is_on_record(kind: str, pk: int) -> bool:
    """Whether the record that a row of the log speaks of is still there; True for a kind that is no record of ours."""
    model = model_of(kind)
    return model is None or model._default_manager.filter(pk=pk).exists()


def gone_from_record(rows: Iterable[ChangeRow]) -> set[tuple[str, int]]:
    """Kind and key of every record that these rows speak of and that is not there any more; a query for each kind."""
    keys: dict[str, set[int]] = {}
    for row in rows:
        keys.setdefault(row.subject_kind, set()).add(row.subject_id)
    gone: set[tuple[str, int]] = set()
    for kind, wanted in keys.items():
        if (model := model_of(kind)) is not None:
            there = set(model._default_manager.filter(pk__in=wanted).values_list("pk", flat=True))
            gone.update((kind, pk) for pk in wanted - there)
    return gone


def offers_undo(row: Any, user: User) -> bool:
    """Whether a list offers the button beside a row read `with_fate`; asks the database nothing."""
    return may_undo(row, user) and row.undone_at is None and not row.has_later


def goes_back_whole(change: ChangeRow) -> bool:
    """Whether taking this row back takes back everything that was changed in one go with it."""
    handler = _HANDLERS.get(change.verb)
    return change.batch is not None and handler is not None and handler.companions is not _alone


def what_came_after(change: ChangeRow) -> list[ChangeRow]:
    """Later rows of the log about the same record, newest first; what was itself taken back does not count."""
    handler = _HANDLERS[change.verb]
    same_deed = [row.pk for row in handler.companions(change)]
    later = ChangeRow.objects.filter(handler.touched(change), pk__gt=change.pk, undoes=None, undone_by=None)
    return list(later.exclude(pk__in=same_deed).select_related("by").order_by("-pk")[:5])


def can_undo(change: ChangeRow) -> bool:
    """Whether `undo` would go through as far as the log knows; asks the database, so not for every row of a list."""
    if change.verb not in _HANDLERS or change.undoes_id is not None or change.undone_by.exists():
        return False
    return not what_came_after(change)


def _refuse(row: ChangeRow) -> None:
    if row.undoes_id is not None:
        raise CannotUndo(_("This is itself a change taken back. Make the change again if you want it after all."))
    if row.verb not in _HANDLERS:
        raise CannotUndo(_("This kind of change cannot be taken back here. Change the record by hand."))
    back = row.undone_by.select_related("by").first()
    if back is not None:
        who = back.by.name if back.by else _("the program")
        raise TakenBackAlready(_("%(who)s has taken this back already.") % {"who": who})


def _refuse_later(row: ChangeRow) -> None:
    later = what_came_after(row)
    if later:
        last = later[0]
        who = last.by.name if last.by else _("the program")
        raise ChangedAfter(
            _(
                "This can no longer be taken back: %(who)s changed the same record later (%(deed)s, %(subject)s). "
                "Take that back first, or change the record by hand."
            )
            % {"who": who, "deed": deed_words(last.verb), "subject": last.subject_text},
            later,
        )


def _say(row: ChangeRow, done: Undone, by: User, at: datetime, reason: str) -> ChangeRow:
    return ChangeRow.objects.create(
        at=at, by=by, customer_id=row.customer_id, verb=TAKE_BACK, subject_kind=row.subject_kind,
        subject_id=row.subject_id, subject_text=row.subject_text, before=done.before, after=done.after,
        reason=reason[:300], batch=row.batch, undoes=row,
    )  # fmt: skip


@transaction.atomic
def undo(*, change: ChangeRow, by: User, at: datetime, reason: str = "") -> ChangeRow:
    """Take one change back and say so in the log; returns the row that says it.

    Raises
    ------
    CannotUndo, TakenBackAlready, ChangedAfter, or what the handler refuses
        Nothing is written.
    """
    # Not for its key: the row that takes back a companion of this one names it, and is written under the other's locks.
    row = ChangeRow.objects.select_for_update(of=("self",), no_key=True).get(pk=change.pk)
    _refuse(row)
    handler = _HANDLERS[row.verb]
    handler.lock(row)
    _refuse_later(row)
    others = [other for other in handler.companions(row) if not other.undone_by.exists()]
    done = handler.write(row, by=by, at=at) or Undone()
    why = reason or row.reason
    for other in others:
        after, before = done.others.get(other.pk, done.after), done.others_before.get(other.pk, done.before)
        _say(other, replace(done, before=before, after=after), by, at, why)
    return _say(row, done, by, at, why)


@transaction.atomic
def undo_batch(*, batch: UUID, by: User, at: datetime, reason: str = "") -> int:
    """Take back everything that was changed in one go, last first: all of it or nothing. Returns the number of changes.

    Raises
    ------
    CannotUndo, ChangedAfter, or what a handler refuses
        Nothing is written; the text names the first change that could not be taken back.
    """
    rows = ChangeRow.objects.filter(batch=batch, undoes=None, undone_by=None).order_by("pk")
    locked = list(rows.select_for_update(of=("self",), no_key=True))
    for take in _LOCKS:
        take(locked)
    n_done = 0
    for row in reversed(locked):
        if not row.undone_by.exists():
            undo(change=row, by=by, at=at, reason=reason)
            n_done += 1
    if not n_done:
        raise TakenBackAlready(_("All of this was taken back already."))
    return n_done
