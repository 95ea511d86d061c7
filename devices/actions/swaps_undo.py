"""How swaps are taken back: one entered today never was, one of an earlier day is turned round from now on."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db.models import Q
from django.utils.translation import gettext as _

from company.models import ChangeRow, User
from company.undo import CannotUndo, Undone, undoes
from devices.actions.bulk_turn import Turn, read_settings, turn_over, with_settings
from devices.actions.fitting_corrections import take_back_fitting
from devices.actions.fitting_ends import take_back_ends
from devices.actions.ledger import lock_all, lock_receivers, touch
from devices.actions.rollups import rebuild_totals
from devices.actions.slot_settings import NoLongerThere
from devices.actions.swaps_receiver import carry_over, carry_pins_and_plans, end_faults
from devices.actions.undo_turns import entered_today, unturn
from devices.actions.unused_units import take_off_if_unused
from devices.models import Fault, Fitting, Output, Receiver, Registration, Transmitter
from devices.models.receivers import new_code
from devices.rules.slot_life import NO_TIME


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
    """The old unit stands in all its slots again as before, with its cells; the other one is a spare, or off the records
    where the swap had made it. A swap entered today never was: what stood before goes on. One of an earlier day is turned
    round from now on.

    Raises
    ------
    NoLongerThere, CannotUndo
        If one of the slots was changed since, or the old unit stands elsewhere, or work was recorded on the new one.
    """
    told: dict[str, Any] = (change.after or {})["swap"]
    changes = {row.subject_id: row for row in (change, *_of_the_batch(change))}
    receivers = _lock(told, list(changes))
    rows = with_settings(Registration.objects.open().filter(pk__in=list(changes)))
    if len(rows) != len(changes):
        raise NoLongerThere(_("One of the slots was changed after the swap. Swap the units again instead."))
    old = Transmitter.objects.get(pk=told["old"])
    _refuse_elsewhere(old)
    old.retired_at = None
    old.save(update_fields=["retired_at"])
    if entered_today(change, rows[0].site, at):
        unturn(rows, reason=change.reason)
    else:
        again = dict(zip(sorted(changes), told["again_before"], strict=False))
        turns = [Turn(row, row.receiver, old, read_settings(row), _when(again.get(row.pk))) for row in rows]
        turn_over(turns, at=at, why="swap taken back")
    _cells_back(told, old, by=by, at=at)
    _unit_back(told, at=at)
    _reopen([(pk, True, False) for pk in told["faults"]])
    touch(*receivers)
    versions = {row.pk: row.version for row in receivers}
    facts = {
        changes[row.pk].pk: {"receiver": row.receiver_id, "version": versions[row.receiver_id], "recorded_at": at.isoformat()}
        for row in rows
    }  # fmt: skip
    return Undone(after=facts[change.pk], others=facts)


def _lock(told: dict[str, Any], registrations: list[int]) -> list[Receiver]:
    """Lock the receivers of some registrations and all others that hear one of the two units, then the units; gives the
    former. Their cells are told to every receiver that hears them.
    """
    units = [told["old"], told["new"]]
    here = Q(registrations__in=registrations)
    hear = Q(registrations__transmitter__in=units, registrations__removed_at=None)
    mine = set(Receiver.objects.filter(here).values_list("pk", flat=True))
    locked = lock_receivers(*Receiver.objects.filter(here | hear).distinct())
    lock_all((), units)
    return [row for row in locked if row.pk in mine]


def _refuse_elsewhere(old: Transmitter) -> None:
    """A unit kept as a spare may have found another slot since."""
    place = Registration.objects.open().filter(transmitter=old).select_related("receiver__site").first()
    if place is not None:
        raise CannotUndo(
            _(
                "%(serial)s stands in %(receiver)s, slot %(slot)s by now. Remove it there first, or swap the units "
                "again instead."
            )
            % {"serial": old.serial, "receiver": place.receiver, "slot": place.slot}
        )


def _cells_back(told: dict[str, Any], old: Transmitter, *, by: User, at: datetime) -> None:
    if told["cells_in"] is not None:
        take_back_fitting(
            fitting=Fitting(pk=told["cells_in"], transmitter_id=told["new"]), by=by, at=at, reason="swap taken back"
        )
    if told["cells_out"] is not None:
        take_back_ends(Fitting.objects.get(pk=told["cells_out"]), at=at)
        rebuild_totals(transmitter_ids=[old.pk])


def _unit_back(told: dict[str, Any], *, at: datetime) -> None:
    """The unit that came in is a spare again; one that the swap had put on record goes off it where nothing speaks of it."""
    unit = Transmitter.objects.get(pk=told["new"])
    unit.replaces, unit.loan_until = None, None
    unit.save(update_fields=["replaces", "loan_until"])
    if told["is_made"]:
        take_off_if_unused(unit, at=at)


def _anything_there(change: ChangeRow) -> Q:
    return Q(after__receiver=change.subject_id)


@undoes("swap_receiver", touched=_anything_there)
def undo_swap_receiver(change: ChangeRow, *, by: User, at: datetime) -> Undone | None:
    """The old receiver hangs there again with everything that went along, under its code; the other one is taken down.
    A swap entered today never was: every registration goes on. One of an earlier day is turned round from now on.

    Raises
    ------
    CannotUndo
        If work was recorded on one of its slots since.
    """
    told: dict[str, Any] = change.after or {}
    unit, old = lock_receivers(Receiver(pk=change.subject_id), Receiver(pk=told["replaces"]))
    is_slip = entered_today(change, old.site, at)
    unit.removed_at, unit.code = (unit.created_at + NO_TIME if is_slip else at), new_code()
    unit.save(update_fields=["removed_at", "code"])
    old.removed_at, old.code = None, told["code"]
    old.save(update_fields=["removed_at", "code"])
    if is_slip:
        unturn(with_settings(Registration.objects.open().filter(receiver=unit)), reason=change.reason)
        carry_pins_and_plans(unit, old)
    else:
        outputs = {output.number: output for output in Output.objects.filter(receiver=old)}
        again = {int(slot): _when(text) for slot, text in told["again_before"].items()}
        carry_over(unit, old, outputs, at=at, why="swap of the receiver taken back", again=again)
    _faults_back(told, unit, at=at, is_slip=is_slip)
    touch(old, unit)
    return Undone(after={"receiver": old.pk, "version": old.version, "recorded_at": at.isoformat()})


def _faults_back(told: dict[str, Any], unit: Receiver, *, at: datetime, is_slip: bool) -> None:
    """What the old unit showed stands again. A fault that was only carried along with a slip was never raised there."""
    if is_slip:
        Fault.objects.filter(pk__in=told["faults_carried"], receiver=unit, cleared_at=None).delete()
    end_faults(list(Fault.objects.standing().filter(receiver=unit)), at, cause="the swap was taken back")
    _reopen([(pk, was_open, was_latched) for pk, was_open, was_latched in told["faults_ended"]])
