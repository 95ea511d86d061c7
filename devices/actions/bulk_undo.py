"""How a change of many slots is taken back: all of it at once, as it was made.

As with one slot: what was entered today never was, what an earlier day showed is turned round from now on. The number of
queries does not grow with the slots.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from django.db.models import Q
from django.utils.translation import gettext as _

from company.models import ChangeRow, User
from company.undo import CannotUndo, Undone, undoes
from devices.actions.bulk import VERB
from devices.actions.bulk_turn import Turn, facts_of_row, read_settings, set_words, turn_over, with_settings
from devices.actions.ledger import lock_all, lock_receivers, touch
from devices.actions.slot_settings import NoLongerThere, Settings
from devices.actions.undo_turns import entered_today, unturn
from devices.models import Receiver, Registration
from devices.rules.slot_life import taken_back_words

SET = ("label", "area", "duty", "is_portable", "supervision", "window_s", "interval_s", "contact", "input_number",
       "is_shared", "note", "outputs", "removed_at")  # fmt: skip
WORDS = ("label", "area", "note")


def _batch(change: ChangeRow) -> list[ChangeRow]:
    return list(ChangeRow.objects.filter(batch=change.batch, verb=VERB).order_by("pk"))


def _others(change: ChangeRow) -> list[ChangeRow]:
    return [row for row in _batch(change) if row.pk != change.pk]


def _slots(change: ChangeRow) -> Q:
    rows = ChangeRow.objects.filter(batch=change.batch, verb=VERB)
    return Q(subject_kind="registration", subject_id__in=rows.values("subject_id"))


def _lock(change: ChangeRow) -> list[Receiver]:
    keys = [row.subject_id for row in _batch(change)]
    return lock_receivers(*Receiver.objects.filter(registrations__in=keys).distinct())


@undoes(VERB, touched=_slots, companions=_others, lock=_lock)
def undo_bulk(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Every slot of the batch is set as before: what was entered today never stood, an older change is turned round.

    Raises
    ------
    NoLongerThere
        If one of them was changed since: nothing is written, and the text names it.
    CannotUndo
        If work was recorded on a slot that was changed today.
    """
    changes = {row.subject_id: row for row in _batch(change)}
    receivers = _lock(change)
    rows = {row.pk: row for row in with_settings(Registration.objects.open().filter(pk__in=list(changes)))}
    _refuse_changed(changes, rows)
    # Of slips and of older changes together: they are written one after the other.
    lock_all((), [row.transmitter_id for row in rows.values() if row.transmitter_id is not None])
    before = {pk: facts_of_row(row, read_settings(row)) for pk, row in rows.items()}
    turned = [rows[pk] for pk, made in changes.items() if (made.after or {})["was"] != pk]
    slips = [row for row in turned if entered_today(changes[row.pk], row.site, at)]
    never_stood = {row.pk for row in slips}
    now = (
        _never_was(slips, change.reason)
        | _turned_round([row for row in turned if row.pk not in never_stood], changes, change.reason, at)
        | _reworded([row for pk, row in rows.items() if (changes[pk].after or {})["was"] == pk], changes)
    )
    touch(*receivers)
    versions = {row.pk: row.version for row in receivers}
    entered = at.isoformat()
    after = {
        pk: facts
        | {"receiver": rows[pk].receiver_id, "version": versions[rows[pk].receiver_id], "recorded_at": entered}
        for pk, facts in now.items()
    }
    return Undone(
        before=before[change.subject_id],
        after=after[change.subject_id],
        others={made.pk: after[pk] for pk, made in changes.items()},
        others_before={made.pk: before[pk] for pk, made in changes.items()},
    )


def _refuse_changed(changes: Mapping[int, ChangeRow], rows: Mapping[int, Registration]) -> None:
    for pk, made in changes.items():
        row = rows.get(pk)
        now = facts_of_row(row, read_settings(row)) if row is not None else {}
        if row is None or any(now[name] != (made.after or {}).get(name) for name in SET):
            raise NoLongerThere(
                _("%(slot)s was changed since, so the whole change cannot be taken back.") % {"slot": made.subject_text}
            )


def _never_was(begun: Sequence[Registration], reason: str) -> dict[int, dict[str, Any]]:
    """What began today never stood; facts of what goes on, by the key of what had begun."""
    goes_on = {row.pk: row for row in unturn(begun, reason=reason)} if begun else {}
    formers = [(row.pk, goes_on[row.replaces_id]) for row in begun if row.replaces_id is not None]
    return {pk: facts_of_row(row, read_settings(row)) for pk, row in formers}


def _turned_round(
    rows: Sequence[Registration], changes: Mapping[int, ChangeRow], reason: str, at: datetime
) -> dict[int, dict[str, Any]]:
    """What an earlier day showed ends now, and the former settings begin again; their facts, by the key of what ends."""
    was_keys = [(changes[row.pk].after or {})["was"] for row in rows]
    was = {row.pk: row for row in with_settings(Registration.objects.filter(pk__in=was_keys))}
    if len(was) < len(rows):
        raise CannotUndo(_("What stood in one of the slots before is not on record. Change the slots by hand."))
    olds = [was[pk] for pk in was_keys]
    turns = [
        Turn(row, row.receiver, row.transmitter, read_settings(old), _again(row, old, at))
        for row, old in zip(rows, olds, strict=True)
    ]
    begun = turn_over(turns, at=at, why=taken_back_words(reason))
    return {turn.old.pk: facts_of_row(row, turn.settings) for turn, row in zip(turns, begun, strict=True)}


def _again(row: Registration, old: Registration, at: datetime) -> datetime | None:
    """Since when it must be registered again: what was set on the transmitter since must be set back on it."""
    set_on_it = ("contact", "interval_s", "input_number")
    if row.register_again_since is None and any(getattr(old, name) != getattr(row, name) for name in set_on_it):
        return at
    return old.register_again_since


def _reworded(rows: Sequence[Registration], changes: Mapping[int, ChangeRow]) -> dict[int, dict[str, Any]]:
    """Words were corrected in place and are corrected back; facts of the same rows."""
    worded: list[tuple[Registration, Settings]] = []
    for row in rows:
        was = changes[row.pk].before or {}
        worded.append((row, replace(read_settings(row), **{name: was[name] for name in WORDS})))
    set_words(worded)
    return {row.pk: facts_of_row(row, settings) for row, settings in worded}
