"""How changes of the slot ledger are taken back.

A change entered today did not happen, once it is taken back: what it began ends the moment it began (a span in which
nothing ever stood), what it ended goes on. A change of an earlier day did happen, because the slot map of the days since
was shown with it: it is turned round from now on, and those days keep what they showed. Either way both rows stay in the
log. Imported by the app's `ready()`.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db.models import Q
from django.utils.translation import gettext as _

from company.models import ChangeRow, User
from company.undo import CannotUndo, Undone, locks_together, undoes
from devices.actions.ledger import lock_receivers, registration_facts, touch
from devices.actions.rollups import settle_slot
from devices.actions.slot_settings import in_force, problems_with, settings_of
from devices.actions.slots import _begin, _carry_away, _end, _own_transmitter, _refuse_problems
from devices.actions.unused_units import take_off_if_unused
from devices.models import Away, Receiver, Registration
from devices.rules.slot_life import NO_TIME, recorded_on, taken_back_words

WORDS = ("label", "area", "note")


def subject_of(change: ChangeRow) -> Registration:
    """The registration that a row of the log is about.

    Raises
    ------
    CannotUndo
        If it is not on record any more.
    """
    rows = Registration.objects.select_related("transmitter__type", "receiver__site", "receiver__type", "site")
    row = rows.filter(pk=change.subject_id).first() if change.subject_kind == "registration" else None
    if row is None:
        raise CannotUndo(_("What was changed is not on record any more."))
    return row


def _chain(change: ChangeRow) -> list[Registration]:
    """The registration a change began, and the one it ended for it."""
    row = subject_of(change)
    rows = [row]
    if change.verb == "move_transmitter" and row.replaced_by.exists() and row.removed_at is not None:
        # The half of a move that was logged where the transmitter left.
        rows = [subject_of_key(row.replaced_by.order_by("-pk").values_list("pk", flat=True)[0]), row]
    elif row.replaces_id is not None and change.verb in ("move_transmitter", "change_slot"):
        rows.append(subject_of_key(row.replaces_id))
    return rows


def subject_of_key(pk: int) -> Registration:
    rows = Registration.objects.select_related("transmitter__type", "receiver__site", "receiver__type", "site")
    found: Registration = rows.get(pk=pk)
    return found


def slots_touched(change: ChangeRow) -> Q:
    """Rows of the log about any registration in the slots that a change is about."""
    slots = Q()
    for row in _chain(change):
        slots |= Q(receiver=row.receiver_id, slot=row.slot)
    return Q(subject_kind="registration", subject_id__in=Registration.objects.filter(slots).values("pk"))


def _halves(change: ChangeRow) -> list[ChangeRow]:
    """The other row of a move between receivers: one deed is logged on both."""
    keys = [row.pk for row in _chain(change)]
    same = ChangeRow.objects.filter(
        verb="move_transmitter", subject_kind="registration", subject_id__in=keys, at=change.at, by=change.by_id
    )
    return list(same.exclude(pk=change.pk))


def _lock(change: ChangeRow) -> list[Receiver]:
    return lock_receivers(*[row.receiver for row in _chain(change)])


@locks_together
def _lock_together(changes: Sequence[ChangeRow]) -> None:
    named = {pk for change in changes if (pk := (change.after or {}).get("receiver")) is not None}
    lock_receivers(*Receiver.objects.filter(pk__in=named))


def is_slip(change: ChangeRow, row: Registration, at: datetime) -> bool:
    """Whether a change was entered on the day on which it is taken back, as the site's calendar has it."""
    return recorded_on(change.after, change.at, row.site.zone) == at.astimezone(row.site.zone).date()


def _done(change: ChangeRow, row: Registration, receiver: Receiver, before: dict[str, Any], at: datetime) -> Undone:
    after = registration_facts(row)
    return Undone(
        before=before,
        after=after | {"receiver": receiver.pk, "version": receiver.version, "recorded_at": at.isoformat()},
    )


def _refuse_work(row: Registration) -> None:
    """Somebody has worked on it on site: that it was there cannot be unsaid from a desk."""
    if Registration.objects.filter(pk=row.pk, entries__is_withdrawn=False).exists():
        raise CannotUndo(
            _(
                "Work was recorded on slot %(slot)s since, so this can no longer be taken back. Withdraw that entry "
                "on its visit first, or change the slot by hand."
            )
            % {"slot": row.slot}
        )


def _unbegin(row: Registration, change: ChangeRow) -> None:
    """What a change began never stood: it ends as it begins, with its absences."""
    _refuse_work(row)
    row.removed_at = row.registered_at + NO_TIME
    row.removed_why = taken_back_words(change.reason)
    row.save(update_fields=["removed_at", "removed_why"])
    for away in Away.objects.filter(registration=row):
        away.ended_on = away.from_on
        away.save(update_fields=["ended_on"])
    settle_slot(row)


def _unmake(row: Registration, change: ChangeRow, at: datetime) -> None:
    """A transmitter that the change had put on record, a mistyped serial, goes off the records with it."""
    if row.transmitter is not None and (change.after or {}).get("is_made"):
        take_off_if_unused(row.transmitter, at=at)


def _unend(row: Registration, receiver: Receiver, besides: Registration | None = None) -> None:
    """What a change ended goes on, with the absence that ended with it."""
    if receiver.removed_at is not None:
        raise CannotUndo(_("The receiver was taken down since. Register the transmitter where it stands now."))
    if row.removed_at is None:
        raise CannotUndo(_("It stands in its slot already."))
    _own_transmitter(row.transmitter, receiver)
    _refuse_problems(
        problems_with(
            settings_of(row), receiver=receiver, slot=row.slot, transmitter=row.transmitter, besides=besides or row
        )
    )
    ended_on = row.removed_at.astimezone(row.site.zone).date()
    row.removed_at = None
    row.removed_why = ""
    row.save(update_fields=["removed_at", "removed_why"])
    last = ChangeRow.objects.filter(
        subject_kind="registration", subject_id=row.pk, verb__in=("start_away", "end_away"), undone_by=None
    ).order_by("-pk")
    if last.values_list("verb", flat=True).first() != "end_away":
        away = Away.objects.filter(registration=row, ended_on=ended_on, from_on__lt=ended_on).order_by("-pk").first()
        if away is not None:
            away.ended_on = None
            away.save(update_fields=["ended_on"])
    settle_slot(row)


@undoes("register_transmitter", "put_back", touched=slots_touched, lock=_lock)
def _unregister(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    row = in_force(subject_of(change))
    (receiver,) = lock_receivers(row.receiver)
    before = registration_facts(row)
    if is_slip(change, row, at):
        _unbegin(row, change)
        _unmake(row, change, at)
    else:
        _end(row, at, taken_back_words(change.reason))
        settle_slot(row)
    touch(receiver)
    return _done(change, row, receiver, before, at)


def _is_wording(change: ChangeRow) -> bool:
    before, after = change.before or {}, change.after or {}
    return before.get("registered_at") == after.get("registered_at") and bool(before)


@undoes("change_slot", touched=slots_touched, lock=_lock)
def _unchange(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    new = in_force(subject_of(change))
    (receiver,) = lock_receivers(new.receiver)
    before = registration_facts(new)
    if _is_wording(change):
        for name in WORDS:
            setattr(new, name, (change.before or {}).get(name, getattr(new, name)))
        new.save(update_fields=list(WORDS))
        now = new
    elif new.replaces_id is None:
        raise CannotUndo(_("What stood in the slot before is not on record. Change the slot by hand."))
    elif is_slip(change, new, at):
        now = subject_of_key(new.replaces_id)
        _unbegin(new, change)
        _unmake(new, change, at)
        _unend(now, receiver)
    else:
        now = _set_as_before(new, subject_of_key(new.replaces_id), receiver, change, at)
    touch(receiver)
    return _done(change, now, receiver, before, at)


def _set_as_before(
    new: Registration, old: Registration, receiver: Receiver, change: ChangeRow, at: datetime
) -> Registration:
    """Begin the former settings again: the days since the change keep what they showed."""
    settings = settings_of(old)
    _refuse_problems(
        problems_with(settings, receiver=receiver, slot=new.slot, transmitter=old.transmitter, besides=new)
    )
    was_away = list(Away.objects.filter(registration=new, ended_on=None))
    was_set_on_it = {"contact", "interval_s", "input_number"} & {
        name for name in ("contact", "interval_s", "input_number") if getattr(old, name) != getattr(new, name)
    }
    again = old.register_again_since
    if was_set_on_it and new.register_again_since is None:
        again = at
    _end(new, at, taken_back_words(change.reason))
    row = _begin(
        receiver=receiver, slot=new.slot, transmitter=old.transmitter, settings=settings, at=at, replaces=new,
        register_again_since=again,
    )  # fmt: skip
    _carry_away(was_away, row, at)
    settle_slot(new)
    return row


@undoes("move_transmitter", companions=_halves, touched=slots_touched, lock=_lock)
def _unmove(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    chain = _chain(change)
    if len(chain) < 2:
        raise CannotUndo(_("Where it stood before is not on record. Move it by hand."))
    new, old = in_force(chain[0]), chain[1]
    entered, left = lock_receivers(new.receiver, old.receiver)
    before = registration_facts(new)
    if is_slip(change, new, at):
        _unbegin(new, change)
        _unend(old, left)
        now = old
    else:
        settings = settings_of(old)
        _refuse_problems(
            problems_with(settings, receiver=left, slot=old.slot, transmitter=old.transmitter, besides=new)
        )
        _end(new, at, taken_back_words(change.reason))
        # It must be registered there once more: the receiver has forgotten it, or never was told to.
        now = _begin(
            receiver=left, slot=old.slot, transmitter=old.transmitter, settings=settings, at=at, replaces=new,
            register_again_since=at,
        )  # fmt: skip
    touch(*({row.pk: row for row in (left, entered)}.values()))
    # Each receiver's own log tells it with its own version, so that a form opened there before is known to be stale.
    here, there = (_done(change, now, receiver, before, at) for receiver in (left, entered))
    of = {left.pk: here, entered.pk: there}
    others = {half.pk: of[(half.after or {}).get("receiver", left.pk)].after or {} for half in _halves(change)}
    mine = of[(change.after or {}).get("receiver", left.pk)]
    return Undone(before=before, after=mine.after, others=others)


@undoes("remove_transmitter", touched=slots_touched, lock=_lock)
def _unremove(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    old = subject_of(change)
    (receiver,) = lock_receivers(old.receiver)
    before = registration_facts(old)
    if is_slip(change, old, at):
        _unend(old, receiver)
        now = old
    else:
        if receiver.removed_at is not None:
            raise CannotUndo(_("The receiver was taken down since. Register the transmitter where it stands now."))
        settings = settings_of(old)
        _refuse_problems(problems_with(settings, receiver=receiver, slot=old.slot, transmitter=old.transmitter))
        _own_transmitter(old.transmitter, receiver)
        now = _begin(
            receiver=receiver, slot=old.slot, transmitter=old.transmitter, settings=settings, at=at, replaces=old,
            register_again_since=old.register_again_since,
        )  # fmt: skip
    touch(receiver)
    return _done(change, now, receiver, before, at)


@undoes("mark_registered", "ask_to_register_again", touched=slots_touched, lock=_lock)
def _unmark(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    row = in_force(subject_of(change))
    (receiver,) = lock_receivers(row.receiver)
    before = registration_facts(row)
    since = (change.before or {}).get("register_again_since")
    row.register_again_since = datetime.fromisoformat(since) if since else None
    row.save(update_fields=["register_again_since"])
    touch(receiver)
    return _done(change, row, receiver, before, at)


def _away_done(change: ChangeRow, row: Registration, receiver: Receiver, at: datetime) -> Undone:
    touch(receiver)
    facts = {"slot": row.slot, "receiver": receiver.pk, "version": receiver.version, "recorded_at": at.isoformat()}
    return Undone(before=change.after, after=facts)


@undoes("start_away", touched=slots_touched, lock=_lock)
def _unaway(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    row = subject_of(change)
    (receiver,) = lock_receivers(row.receiver)
    away = Away.objects.filter(registration=row, ended_on=None).first()
    if away is None:
        raise CannotUndo(_("It is back already."))
    today = at.astimezone(row.site.zone).date()
    away.ended_on = away.from_on if is_slip(change, row, at) else max(away.from_on, today)
    away.save(update_fields=["ended_on"])
    return _away_done(change, row, receiver, at)


@undoes("end_away", touched=slots_touched, lock=_lock)
def _unback(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    row = in_force(subject_of(change))
    (receiver,) = lock_receivers(row.receiver)
    ended = (change.after or {}).get("away_ended")
    away = Away.objects.filter(registration=row, ended_on=ended).order_by("-pk").first() if ended else None
    if away is None:
        raise CannotUndo(_("That absence is not on record any more. Record it anew."))
    if is_slip(change, row, at):
        away.ended_on = None
        away.save(update_fields=["ended_on"])
    else:
        _carry_away([away], row, at)
    return _away_done(change, row, receiver, at)
