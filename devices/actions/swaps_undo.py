"""How swaps are taken back where they never happened. What was really swapped back is another swap."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db.models import Q
from django.utils.translation import gettext as _

from company.models import ChangeRow, User
from company.undo import Undone, undoes
from devices.actions.bulk_turn import Turn, read_settings, turn_over, with_settings
from devices.actions.fitting_corrections import take_back_fitting
from devices.actions.fitting_ends import take_back_ends
from devices.actions.ledger import lock_receivers, touch
from devices.actions.rollups import rebuild_totals
from devices.actions.slot_settings import NoLongerThere
from devices.actions.swaps_receiver import carry_over, end_faults
from devices.models import Fault, Fitting, Output, Receiver, Registration, Transmitter
from devices.models.receivers import new_code


def _of_the_batch(change: ChangeRow) -> list[ChangeRow]:
    return list(ChangeRow.objects.filter(batch=change.batch, verb=change.verb).exclude(pk=change.pk).order_by("pk"))


def _slots_of_the_batch(change: ChangeRow) -> Q:
    rows = ChangeRow.objects.filter(batch=change.batch, verb=change.verb)
    return Q(subject_kind=change.subject_kind, subject_id__in=rows.values("subject_id"))


def _when(text: str | None) -> datetime | None:
    return datetime.fromisoformat(text) if text else None


def _reopen(faults: list[tuple[int, bool, bool]]) -> None:
    """Faults that a swap ended stand again: key, was open, was latched; unless the same was raised anew since."""
    for pk, was_open, was_latched in faults:
        fault = Fault.objects.get(pk=pk)
        same = Fault.objects.open().filter(
            receiver=fault.receiver_id, transmitter=fault.transmitter_id, kind=fault.kind
        )
        if was_open and not same.exists():
            fault.cleared_at = None
        if was_latched:
            fault.latch_cleared_at = None
        fault.cause = ""
        fault.save(update_fields=["cleared_at", "latch_cleared_at", "cause"])


@undoes("swap_transmitter", touched=_slots_of_the_batch, companions=_of_the_batch)
def undo_swap_transmitter(change: ChangeRow, *, by: User, at: datetime) -> Undone | None:
    """The old unit stands in all its slots again as before, with its cells; the other one is a spare.

    Raises
    ------
    NoLongerThere
        If one of the slots was changed since.
    """
    told: dict[str, Any] = (change.after or {})["swap"]
    keys = sorted({change.subject_id, *(row.subject_id for row in _of_the_batch(change))})
    lock_receivers(*Receiver.objects.filter(registrations__in=keys).distinct())
    rows = with_settings(Registration.objects.open().filter(pk__in=keys))
    if len(rows) != len(keys):
        raise NoLongerThere(_("One of the slots was changed after the swap. Swap the units again instead."))
    old = Transmitter.objects.select_for_update(of=("self",)).get(pk=told["old"])
    old.retired_at = None
    old.save(update_fields=["retired_at"])
    again = dict(zip(keys, told["again_before"], strict=False))
    turns = [Turn(row, row.receiver, old, read_settings(row), _when(again.get(row.pk))) for row in rows]
    turn_over(turns, at=at, why="swap taken back")
    Transmitter.objects.filter(pk=told["new"]).update(replaces=None, loan_until=None)
    if told["cells_in"] is not None:
        take_back_fitting(
            fitting=Fitting(pk=told["cells_in"], transmitter_id=told["new"]), by=by, at=at, reason="swap taken back"
        )
    if told["cells_out"] is not None:
        take_back_ends(Fitting.objects.get(pk=told["cells_out"]), at=at)
        rebuild_totals(transmitter_ids=[old.pk])
    _reopen([(pk, True, False) for pk in told["faults"]])
    touch(*lock_receivers(*{row.receiver for row in rows}))
    return None


def _anything_there(change: ChangeRow) -> Q:
    return Q(after__receiver=change.subject_id)


@undoes("swap_receiver", touched=_anything_there)
def undo_swap_receiver(change: ChangeRow, *, by: User, at: datetime) -> Undone | None:
    """The old receiver hangs there again with everything that went along, under its code; the other one is taken down."""
    told: dict[str, Any] = change.after or {}
    unit, old = lock_receivers(Receiver(pk=change.subject_id), Receiver(pk=told["replaces"]))
    unit.removed_at, unit.code = at, new_code()
    unit.save(update_fields=["removed_at", "code"])
    old.removed_at, old.code = None, told["code"]
    old.save(update_fields=["removed_at", "code"])
    outputs = {output.number: output for output in Output.objects.filter(receiver=old)}
    again = {int(slot): _when(text) for slot, text in told["again_before"].items()}
    carry_over(unit, old, outputs, at=at, why="swap of the receiver taken back", again=again)
    end_faults(list(Fault.objects.standing().filter(receiver=unit)), at, cause="the swap was taken back")
    _reopen([(pk, was_open, was_latched) for pk, was_open, was_latched in told["faults_ended"]])
    touch(old, unit)
    return Undone(after={"receiver": old.pk, "version": old.version})
