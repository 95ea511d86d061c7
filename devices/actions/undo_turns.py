"""Many registrations turned over in one go, taken back on the day they were entered: as if nothing had been.

What `bulk_turn.turn_over` began never stood: it stays on record as a span in which nothing ever stood. What it ended goes
on, with its walk tests, its absences and the plans for its slot. The number of queries does not grow with the slots.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from django.utils.translation import gettext as _

from company.models import ChangeRow
from company.undo import CannotUndo
from devices.actions.bulk_turn import carry_plans, with_settings
from devices.actions.ledger import lock_all
from devices.actions.rollups import rebuild_totals
from devices.models import Away, Registration
from devices.rules.slot_life import NO_TIME, recorded_on, taken_back_words
from sites.models import Site

AT_ONCE = 200
"""Registrations that one statement ends."""


def entered_today(change: ChangeRow, site: Site, at: datetime) -> bool:
    """Whether a change was typed in on the day of `at`, as the site's calendar has it: then it is a slip."""
    return recorded_on(change.after, change.at, site.zone) == at.astimezone(site.zone).date()


def unturn(begun: Sequence[Registration], *, reason: str) -> list[Registration]:
    """Let what was turned over go on: `begun` never stood. The receivers are locked by the caller, who has judged that
    nothing else stands there; returns what goes on, in no certain order.

    Raises
    ------
    CannotUndo
        If work was recorded on one of them, or if what stood before is not on record. Nothing is written.
    """
    _refuse_work(begun)
    if any(row.replaces_id is None for row in begun):
        raise CannotUndo(_("What stood in one of the slots before is not on record. Change the slots by hand."))
    former_keys = [row.replaces_id for row in begun if row.replaces_id is not None]
    stood = Registration.objects.filter(pk__in=former_keys).values_list("transmitter_id", flat=True)
    units = {unit for unit in (*stood, *(row.transmitter_id for row in begun)) if unit is not None}
    lock_all((), units)
    for row in begun:
        row.removed_at, row.removed_why = row.registered_at + NO_TIME, taken_back_words(reason)[:200]
    Registration.objects.bulk_update(begun, ["removed_at", "removed_why"], batch_size=AT_ONCE)
    Registration.objects.filter(pk__in=former_keys).update(removed_at=None, removed_why="")
    formers = {row.pk: row for row in with_settings(Registration.objects.filter(pk__in=former_keys))}
    goes_on = {row.pk: formers[row.replaces_id] for row in begun if row.replaces_id is not None}
    _absences_back(goes_on)
    carry_plans(goes_on)
    rebuild_totals(transmitter_ids=units)
    return list(formers.values())


def _refuse_work(begun: Sequence[Registration]) -> None:
    worked = Registration.objects.filter(pk__in=[row.pk for row in begun], entries__is_withdrawn=False)
    slot = worked.order_by("slot").values_list("slot", flat=True).first()
    if slot is not None:
        raise CannotUndo(
            _(
                "Work was recorded on slot %(slot)s since, so this can no longer be taken back. Withdraw that entry "
                "on its visit first, or change the slot by hand."
            )
            % {"slot": slot}
        )


def _absences_back(goes_on: Mapping[int, Registration]) -> None:
    """An absence that was carried along is the former one again; the carried one lasted no day."""
    carried = list(Away.objects.open().filter(registration__in=list(goes_on)))
    ended = Away.objects.filter(registration__in=[row.pk for row in goes_on.values()], ended_on__isnull=False)
    before = {(row.registration_id, row.ended_on, row.agreed_with, row.reason): row for row in ended.order_by("pk")}
    back = []
    for away in carried:
        key = (goes_on[away.registration_id].pk, away.from_on, away.agreed_with, away.reason)
        away.ended_on = away.from_on
        if (former := before.get(key)) is not None:
            former.ended_on = None
            back.append(former)
    Away.objects.bulk_update([*carried, *back], ["ended_on"])
