"""How changes of the firm's own catalogue rows are taken back (see company/undo.py)."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.utils.translation import gettext as _

from company.access import OFFICE
from company.actions import facts_of
from company.models import ChangeRow, User
from company.undo import CannotUndo, Undone, undoes
from devices.actions.own_types import MODELS, clean, facts, locked_own, moves_dates, refuse_doubles, tell
from devices.models import BatteryType, TransmitterType
from devices.models.catalogue import CatalogueRow


def _lock(change: ChangeRow) -> CatalogueRow:
    model = MODELS.get(change.subject_kind)
    row = model._default_manager.filter(pk=change.subject_id).first() if model else None
    if row is None:
        raise CannotUndo(_("The type is not on record any more."))
    return locked_own(row)


def _offered(row: CatalogueRow, retired_at: datetime | None) -> Undone:
    before = facts_of(row, "retired_at")
    row.retired_at = retired_at
    row.save(update_fields=["retired_at"])
    return Undone(before, facts_of(row, "retired_at"))


@undoes("add_type", audiences=(OFFICE,))
def undo_add(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Take back an added type: it is retired, never deleted. Refused where something is of that type already."""
    row: Any = _lock(change)
    if type(row).objects.filter(pk=row.pk).with_use().get().n_used:
        raise CannotUndo(_("Something is of this type already. Retire it instead: what is there keeps it."))
    return _offered(row, at)


@undoes("change_type", audiences=(OFFICE,))
def undo_change(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Put a type's figures back as they were; dates that rest on them are worked out anew in the background."""
    row = _lock(change)
    was, back = facts(row), dict(change.before or {})
    if isinstance(row, TransmitterType):
        code = back.pop("battery_type", None)
        row.battery_type = BatteryType.objects.filter(code=code).first() if code else None
    for name, value in back.items():
        setattr(row, name, value)
    refuse_doubles(row)
    clean(row)
    stored = type(row)._default_manager.get(pk=row.pk)
    moving = moves_dates(row, stored)
    row.save()
    if moving:
        tell(row, at, by)
    return Undone(was, facts(row))


@undoes("retire_type", "offer_type", audiences=(OFFICE,))
def undo_offer(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Offer a retired type again, or retire one that was offered again. Refused where it has been turned round since."""
    row = _lock(change)
    was_retired = change.verb == "retire_type"
    if bool(row.retired_at) != was_retired:
        raise CannotUndo(_("This has been turned round since already."))
    if was_retired:
        refuse_doubles(row)
    return _offered(row, None if was_retired else at)
