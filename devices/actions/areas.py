"""Areas of a site in walking order: moved, renamed, merged. What stands there moves along; what has ended keeps its words."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext as _

from company.actions import record_change
from company.errors import Refused
from company.models import ChangeRow, User
from devices.actions.ledger import lock_receivers, touch
from devices.models import Receiver, Registration
from sites.models import Area, Site

STEP = 10


class AreaTaken(Refused):
    """Another area of the site has this name."""


class OtherSite(Refused):
    """Areas of two sites are never one."""


def in_order(site: Site) -> list[Area]:
    """Areas of a site as a person walks them."""
    return list(site.areas.order_by("walk_order", "path", "pk"))


@transaction.atomic
def move_area(*, area: Area, place: int, by: User, at: datetime) -> ChangeRow | None:
    """Walk an area at another place of the order, 0 = first; places outside mean first or last. Unchanged gives None."""
    Site.objects.select_for_update(of=("self",)).get(pk=area.site_id)
    rows = in_order(area.site)
    was = next((n for n, row in enumerate(rows) if row.pk == area.pk), None)
    if was is None:
        raise Refused(_("This area is not there any more. Load the page again."))
    place = min(max(place, 0), len(rows) - 1)
    if place == was:
        return None
    rows.insert(place, rows.pop(was))
    for number, row in enumerate(rows, start=1):
        if row.walk_order != number * STEP:
            Area.objects.filter(pk=row.pk).update(walk_order=number * STEP)
    return record_change(
        by=by, at=at, verb="move_area", subject=area, customer_id=area.customer_id, before={"place": was + 1},
        after={"place": place + 1},
    )  # fmt: skip


@transaction.atomic
def rename_area(*, area: Area, path: str, by: User, at: datetime) -> ChangeRow | None:
    """Give an area another name; receivers and taken slots that stand there carry it from now on.

    Raises
    ------
    AreaTaken
        Another area has the name: merge the two instead. Nothing is written. The same name again gives None.
    """
    old = area.path
    if path == old:
        return None
    if area.site.areas.filter(path=path).exclude(pk=area.pk).exists():
        raise AreaTaken(_("This site has an area “%(path)s” already. Merge the two instead.") % {"path": path})
    area.path = path
    area.full_clean()
    area.save(update_fields=["path"])
    return _told(area, "rename_area", old, path, by, at)


@transaction.atomic
def merge_area(*, area: Area, into: Area, by: User, at: datetime) -> ChangeRow:
    """Make two areas one: what stands in the first stands in the second, and the first is taken out.

    Raises
    ------
    OtherSite, Refused
        Two sites, or an area with itself. Nothing is written.
    """
    if area.pk == into.pk:
        raise Refused(_("Choose another area to merge this one into."))
    if area.site_id != into.site_id:
        raise OtherSite(_("These areas belong to two sites. Choose one of this site."))
    row = _told(area, "merge_area", area.path, into.path, by, at)
    Area.objects.filter(pk=area.pk).delete()
    return row


def _told(area: Area, verb: str, old: str, new: str, by: User, at: datetime) -> ChangeRow:
    """Carry the new words to what stands there, and write the change with the keys of all that it touched."""
    batch = uuid.uuid4()
    receivers, slots = carry(area.site, old, new)
    before = {"path": old, "site": area.site_id, "walk_order": area.walk_order}
    after = {
        "path": new,
        "site": area.site_id,
        "slots": [row.pk for row in slots],
        "receivers": [r.pk for r in receivers],
    }
    for row in (*receivers, *slots):
        record_change(
            by=by, at=at, verb="area_renamed", subject=row, customer_id=area.customer_id, before={"area": old},
            after={"area": new}, batch=batch,
        )  # fmt: skip
    return record_change(
        by=by, at=at, verb=verb, subject=area, customer_id=area.customer_id, before=before, after=after, batch=batch
    )


def carry(
    site: Site,
    old: str,
    new: str,
    *,
    only_receivers: Sequence[int] | None = None,
    only_slots: Sequence[int] | None = None,
) -> tuple[list[Receiver], list[Registration]]:
    """Write other words for an area on open receivers and registrations of a site; returns what was changed.

    An area is a word about a place, corrected in place like a label: no setting changes, nothing is registered anew.
    """
    receivers = Receiver.objects.open().filter(site=site, area=old)
    slots = Registration.objects.open().filter(site=site, area=old)
    if only_receivers is not None:
        receivers = receivers.filter(pk__in=only_receivers)
    if only_slots is not None:
        slots = slots.filter(pk__in=only_slots)
    hung, standing = list(receivers.select_related("site")), list(slots.select_related("receiver__site"))
    concerned = {row.pk: row for row in hung} | {row.receiver_id: row.receiver for row in standing}
    if concerned:
        locked = lock_receivers(*concerned.values())
        Receiver.objects.filter(pk__in=[row.pk for row in hung]).update(area=new)
        Registration.objects.filter(pk__in=[row.pk for row in standing]).update(area=new)
        touch(*locked)
    return hung, standing
