"""How changes of areas that carry slots along are taken back (see company/undo.py)."""

from __future__ import annotations

from datetime import datetime

from django.utils.translation import gettext as _

from company.access import OFFICE
from company.models import ChangeRow, User
from company.undo import CannotUndo, Undone, undoes
from devices.actions.areas import STEP, carry, in_order
from sites.models import Area, Site


def _rows_of_the_deed(change: ChangeRow) -> list[ChangeRow]:
    if change.batch is None:
        return []
    return list(ChangeRow.objects.filter(batch=change.batch, undoes=None).exclude(pk=change.pk))


def _carry_back(change: ChangeRow, site: Site) -> None:
    was, then = change.before or {}, change.after or {}
    carry(site, then["path"], was["path"], only_receivers=then["receivers"], only_slots=then["slots"])


@undoes("move_area", audiences=(OFFICE,))
def undo_move(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Walk an area at its former place again."""
    area = Area.objects.filter(pk=change.subject_id).select_related("site").first()
    if area is None:
        raise CannotUndo(_("This area is not there any more."))
    rows = in_order(area.site)
    was = next(n for n, row in enumerate(rows) if row.pk == area.pk)
    place = min((change.before or {})["place"] - 1, len(rows) - 1)
    rows.insert(place, rows.pop(was))
    for number, row in enumerate(rows, start=1):
        Area.objects.filter(pk=row.pk).update(walk_order=number * STEP)
    return Undone({"place": was + 1}, {"place": place + 1})


@undoes("rename_area", companions=_rows_of_the_deed, audiences=(OFFICE,))
def undo_rename(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Give an area its former name, and the slots that had been carried along theirs."""
    area = Area.objects.filter(pk=change.subject_id).select_related("site").first()
    former = (change.before or {})["path"]
    if area is None:
        raise CannotUndo(_("This area is not there any more."))
    if area.site.areas.filter(path=former).exclude(pk=area.pk).exists():
        raise CannotUndo(_("Another area is called “%(former)s” by now. Merge the two instead.") % {"former": former})
    now = area.path
    area.path = former
    area.save(update_fields=["path"])
    _carry_back(change, area.site)
    return Undone({"path": now}, {"path": former})


@undoes("merge_area", companions=_rows_of_the_deed, audiences=(OFFICE,))
def undo_merge(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Part two areas again: the slots that had stood in the first go back to it, if they still stand in the second."""
    was = change.before or {}
    site = Site.objects.get(pk=was["site"])
    if site.areas.filter(path=was["path"]).exists():
        raise CannotUndo(_("There is an area “%(path)s” again by now.") % {"path": was["path"]})
    Area.objects.create(
        pk=change.subject_id, site=site, customer_id=site.customer_id, path=was["path"], walk_order=was["walk_order"]
    )
    _carry_back(change, site)
    return Undone(None, {"path": was["path"]})
