"""Write what was said about how cells ended, corrections included, as the recording actions would have written it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

from company.models import ChangeRow, User
from devices.actions.fitting_ends import facts_of_end
from devices.models import Fitting, FittingEnd
from maintenance.management.demo.clock import at
from maintenance.management.demo.world import DemoFirm, DemoFitting

BATCH = 2000
WHY_RIGHT = {
    "leaked": "white salt in the holder: the technician rang about it", "defect": "contact spring broken, cells were full",
    "low_battery": "the panel's log shows the signal", "dead": "nobody had heard it for days: the panel's log shows it",
}  # fmt: skip


def load_ends(firm: DemoFirm, fittings: Mapping[int, Any], office: User, technicians: Sequence[User]) -> None:
    """One statement a removal, and for those that were put right a second one that points at it."""
    by = _people(firm, technicians)
    ended = [f for f in firm.fittings if f.removed_at is not None]
    first = [
        _said(fittings[id(f)], f, f.said_first or f.why, f.removed_at or f.entered_at, by.get(id(f), technicians[0]))
        for f in ended
    ]
    FittingEnd.objects.bulk_create(first, batch_size=BATCH)
    made = {id(f): row for f, row in zip(ended, first, strict=True)}
    second, changes = [], []
    for number, fitting in enumerate(f for f in ended if f.said_first):
        assert fitting.removed_at is not None
        when = min(at((fitting.removed_at + timedelta(days=2 + number % 4)).date(), 9, 40), at(firm.today, 6))
        row = _said(fittings[id(fitting)], fitting, fitting.why, when, office)
        row.corrects = made[id(fitting)]
        second.append(row)
    FittingEnd.objects.bulk_create(second, batch_size=BATCH)
    for row in second:
        assert row.corrects is not None
        changes.append(
            ChangeRow(
                at=row.recorded_at, by=office, customer_id=row.customer_id, verb="correct_end", subject_kind="fitting",
                subject_id=row.fitting_id, subject_text=str(row.fitting)[:200], before=facts_of_end(row.corrects),
                after=facts_of_end(row), reason=WHY_RIGHT[row.why],
            )
        )  # fmt: skip
    ChangeRow.objects.bulk_create(changes, batch_size=BATCH)


def _said(row: Fitting, fitting: DemoFitting, why: str, when: datetime, by: User) -> FittingEnd:
    """A statement; what was put right later had said nothing of the signal and the last day."""
    is_right = why == fitting.why
    return FittingEnd(
        customer_id=row.customer_id, fitting=row, why=why, volts=fitting.volts, is_under_load=fitting.is_under_load,
        low_seen_at=fitting.first_low_at if is_right else None, low_before_at=fitting.first_low_at,
        last_alive_at=fitting.last_alive_at if is_right else None, recorded_at=when, by=by,
    )  # fmt: skip


def _people(firm: DemoFirm, technicians: Sequence[User]) -> dict[int, User]:
    """Who took each set of cells out, as far as visits are on record: key is that of the old cells."""
    before = {id(new): id(old) for unit in firm.transmitters for old, new in pairwise(unit.fittings)}
    visits = [visit for done in firm.rounds for visit in done.visits] + firm.call_outs
    return {
        before[id(entry.facts["_fitting"])]: technicians[visit.technician]
        for visit in visits
        for entry in visit.entries
        if "_fitting" in entry.facts
    }
