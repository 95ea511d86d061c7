"""How a change of many slots is taken back: all of it at once, as it was made."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from django.db.models import Q

from company.models import ChangeRow, User
from company.undo import Undone, undoes
from devices.actions.bulk import VERB
from devices.actions.bulk_turn import Turn, facts_of_row, read_settings, set_words, turn_over, with_settings
from devices.actions.ledger import lock_receivers, touch
from devices.actions.slot_settings import NoLongerThere
from devices.models import Receiver, Registration

SET = ("label", "area", "duty", "is_portable", "supervision", "window_s", "interval_s", "contact", "input_number",
       "is_shared", "note", "outputs", "removed_at")  # fmt: skip


def _batch(change: ChangeRow) -> list[ChangeRow]:
    return list(ChangeRow.objects.filter(batch=change.batch, verb=VERB).order_by("pk"))


def _others(change: ChangeRow) -> list[ChangeRow]:
    return [row for row in _batch(change) if row.pk != change.pk]


def _slots(change: ChangeRow) -> Q:
    rows = ChangeRow.objects.filter(batch=change.batch, verb=VERB)
    return Q(subject_kind="registration", subject_id__in=rows.values("subject_id"))


@undoes(VERB, touched=_slots, companions=_others)
def undo_bulk(change: ChangeRow, *, by: User, at: datetime) -> Undone | None:
    """Every slot of the batch is set as before.

    Raises
    ------
    NoLongerThere
        If one of them was changed since: nothing is written, and the text names it.
    """
    changes = {row.subject_id: row for row in _batch(change)}
    receivers = lock_receivers(*Receiver.objects.filter(registrations__in=list(changes)).distinct())
    rows = {row.pk: row for row in with_settings(Registration.objects.open().filter(pk__in=list(changes)))}
    for pk, made in changes.items():
        row = rows.get(pk)
        now = facts_of_row(row, read_settings(row)) if row is not None else {}
        if row is None or any(now[name] != (made.after or {}).get(name) for name in SET):
            raise NoLongerThere(f"{made.subject_text} was changed since, so the whole change cannot be taken back.")
    turned = [made for pk, made in changes.items() if (made.after or {})["was"] != pk]
    was = {
        row.pk: row
        for row in with_settings(Registration.objects.filter(pk__in=[(m.after or {})["was"] for m in turned]))
    }
    turns = []
    for made in turned:
        row, old = rows[made.subject_id], was[(made.after or {})["was"]]
        turns.append(Turn(row, row.receiver, row.transmitter, read_settings(old), old.register_again_since))
    turn_over(turns, at=at, why="taken back")
    worded = []
    for pk, made in changes.items():
        if (made.after or {})["was"] == pk:
            words = {name: (made.before or {})[name] for name in ("label", "area", "note")}
            worded.append((rows[pk], replace(read_settings(rows[pk]), **words)))
    set_words(worded)
    touch(*receivers)
    return None
