"""Walk tests as a visit needs them: which slots it leaves without one that was heard."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from devices.querysets import from_to
from devices.rules.slot_map import SlotRow
from maintenance.rules.walk_tests import Owed, Touched, owed_tests


def owed_on_visit(registrations: Any, visit: Any, at: datetime) -> list[Owed]:
    """Slots of the visit's site that wait for a walk test, or were tried and not heard, as they stood at a moment.

    Parameters
    ----------
    registrations : RegistrationQuerySet
        What may be seen; those of other sites are left out here.
    visit : Visit
        Whose site, beginning and standing entries count; nothing is owed before anybody arrived.
    at : datetime
        Now, or the end of a visit that is over.
    """
    begins = visit.arrived_at
    if begins is None:
        return []
    here = registrations.filter(site=visit.site_id)
    rows = here.with_failed_tests(here.slot_rows(at, visit.site.zone), at, visit.site.zone)
    labels = dict(here.as_of(at).order_by().values_list("receiver_id", "receiver__label"))
    return owed_tests(rows, labels, _touched(here, visit, rows, at), begins)


def _touched(here: Any, visit: Any, rows: Sequence[SlotRow], at: datetime) -> dict[int, list[Touched]]:
    """Registration → what was done to it since the visit began, on the sheet or on the pages of the slot."""
    begins: datetime = visit.arrived_at
    touched: dict[int, list[Touched]] = {}
    new = [(row, row.registered_at) for row in rows if row.registered_at is not None and row.registered_at >= begins]
    # Settings begin a new registration too: the same transmitter stood in this slot when the visit began.
    former = set()
    if new:
        stood = here.filter(
            from_to("registered_at", "removed_at", begins),
            registered_at__lt=begins,
            transmitter__in=[r.transmitter_pk for r, _ in new],
        )
        former = set(stood.order_by().values_list("receiver_id", "slot", "transmitter_id"))
    for row, registered_at in new:
        how = "set_anew" if (row.receiver_pk, row.slot, row.transmitter_pk) in former else "registered"
        touched.setdefault(row.registration_pk or 0, []).append(Touched(how, registered_at))
    for entry in visit.entries.as_said():
        if entry.kind == "registered" and entry.registration_id is not None:
            touched.setdefault(entry.registration_id, []).append(Touched("again", entry.at))
    cells = here.as_of(at).filter(
        from_to("transmitter__fittings__fitted_at", "transmitter__fittings__removed_at", at),
        transmitter__fittings__fitted_at__gte=begins,
    )
    for pk, fitted_at in cells.order_by().values_list("pk", "transmitter__fittings__fitted_at"):
        touched.setdefault(pk, []).append(Touched("cells", fitted_at))
    return touched
