"""Every write of places."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, datetime, time
from io import BytesIO
from typing import TypeVar

from django.db import models, transaction
from PIL import Image, ImageOps, UnidentifiedImageError

from company.actions import facts_of, record_change
from company.errors import Refused
from company.models import PortalAccess, User
from company.sealed import seal, unseal
from sites.models import (
    AccessNote,
    AccessNoteShown,
    Area,
    FloorPlan,
    Hazard,
    MonitoringCentre,
    PlaceRow,
    PortalSite,
    Site,
    SiteClosure,
    VisitingHours,
)

Row = TypeVar("Row", SiteClosure, Hazard, Area, MonitoringCentre)


class NoPicture(Refused):
    """What was uploaded is no picture that a browser shows."""


class AreaInUse(Refused):
    """Something is recorded in this area."""


SITE_FACTS = (
    "code", "name", "kind", "address", "town", "postcode", "latitude", "longitude", "time_zone", "person_to_meet",
    "phone", "note", "closed_at",
)  # fmt: skip


@transaction.atomic
def save_site(*, site: Site, by: User, at: datetime, reason: str = "") -> Site:
    """Add or change a site. The customer of a site never changes: its records belong to them."""
    old = Site.objects.select_for_update().filter(pk=site.pk).first() if site.pk else None
    if old and old.customer_id != site.customer_id:
        raise Refused("A site stays with its customer. Close it and make a new one for the new customer.")
    site.full_clean()
    site.save()
    record_change(
        by=by, at=at, verb="save_site", subject=site, customer_id=site.customer_id, reason=reason,
        before=facts_of(old, *SITE_FACTS) if old else None, after=facts_of(site, *SITE_FACTS),
    )  # fmt: skip
    return site


@transaction.atomic
def close_site(*, site: Site, by: User, at: datetime, reason: str) -> Site:
    """Stop looking after a site; its records stay. Refused when it is closed already."""
    if site.closed_at:
        raise Refused("This site is closed already.")
    return _set_closed(site, at, by, at, "close_site", reason)


@transaction.atomic
def reopen_site(*, site: Site, by: User, at: datetime, reason: str) -> Site:
    """Look after a closed site again. Refused when it is not closed."""
    if not site.closed_at:
        raise Refused("This site is not closed.")
    return _set_closed(site, None, by, at, "reopen_site", reason)


def _set_closed(site: Site, value: datetime | None, by: User, at: datetime, verb: str, reason: str) -> Site:
    site.closed_at = value
    site.save(update_fields=["closed_at"])
    record_change(by=by, at=at, verb=verb, subject=site, customer_id=site.customer_id, reason=reason)
    return site


@transaction.atomic
def set_visiting_hours(*, site: Site, hours: Mapping[int, tuple[time, time] | None], by: User, at: datetime) -> Site:
    """Set when the site can be visited, one span a weekday (0 = Monday; None: not on that day)."""
    before = _hours_of(site)
    site.visiting_hours.all().delete()
    VisitingHours.objects.bulk_create(
        VisitingHours(site=site, customer_id=site.customer_id, weekday=day, opens=span[0], closes=span[1])
        for day, span in sorted(hours.items())
        if span
    )
    record_change(
        by=by, at=at, verb="set_visiting_hours", subject=site, customer_id=site.customer_id, before=before,
        after=_hours_of(site),
    )  # fmt: skip
    return site


def _hours_of(site: Site) -> dict[str, str]:
    rows = site.visiting_hours.order_by("weekday", "opens")
    return {f"weekday {row.weekday}": f"{row.opens:%H:%M}-{row.closes:%H:%M}" for row in rows}


PLACE_FACTS: dict[type[models.Model], tuple[str, ...]] = {
    SiteClosure: ("kind", "from_on", "to_on", "reason"),
    Hazard: ("kind", "text", "noted_on", "cleared_on"),
    Area: ("path", "walk_order"),
    MonitoringCentre: ("name", "phone", "account", "affected_outputs"),
    FloorPlan: ("name", "media_type", "width_px", "height_px"),
    AccessNote: ("title",),
}


@transaction.atomic
def save_place_row(*, row: Row, by: User, at: datetime) -> Row:
    """Add or change a closure, hazard, area or monitoring centre of a site."""
    names = PLACE_FACTS[type(row)]
    old = type(row)._default_manager.filter(pk=row.pk).first() if row.pk else None
    row.customer_id = row.site.customer_id
    row.full_clean()
    row.save()
    record_change(
        by=by, at=at, verb=f"save_{row._meta.model_name}", subject=row, customer_id=row.customer_id,
        before=facts_of(old, *names) if old else None, after=facts_of(row, *names),
    )  # fmt: skip
    return row


@transaction.atomic
def remove_place_row(*, row: PlaceRow, by: User, at: datetime) -> None:
    """Take out a closure, area, monitoring centre, floor plan or access note; the change log keeps what it was.

    Refused for an area in which something is recorded, and for a hazard: a danger that is gone is cleared, not erased.
    """
    if isinstance(row, Hazard):
        raise Refused("A hazard stays on record. Say on which day it was cleared.")
    before = facts_of(row, *PLACE_FACTS[type(row)])
    if isinstance(row, AccessNote):
        # Who had seen it must outlive the note itself.
        seen = row.shown.order_by("at").values_list("to__email", "at")
        before["shown"] = [f"{email} {when.isoformat(timespec='seconds')}" for email, when in seen]
    record_change(
        by=by, at=at, verb=f"remove_{row._meta.model_name}", subject=row, customer_id=row.customer_id,
        before=before,
    )  # fmt: skip
    try:
        with transaction.atomic():
            row.delete()
    except models.ProtectedError as held:
        raise AreaInUse(f"“{row}” is in use: {len(held.protected_objects)} records name it.") from held


@transaction.atomic
def clear_hazard(*, hazard: Hazard, on: date, by: User, at: datetime) -> Hazard:
    """Say from which day on a danger is gone. Refused when it was cleared before."""
    if hazard.cleared_on:
        raise Refused("This hazard was cleared already.")
    if on < hazard.noted_on:
        raise Refused("A hazard cannot be cleared before it was noted.")
    hazard.cleared_on = on
    hazard.save(update_fields=["cleared_on"])
    record_change(
        by=by, at=at, verb="clear_hazard", subject=hazard, customer_id=hazard.customer_id,
        after={"cleared_on": on.isoformat()},
    )  # fmt: skip
    return hazard


# --- access notes: never in the change log, a paper, an export or a log line ------------------------------------------


@transaction.atomic
def save_access_note(
    *, site: Site, title: str, text: str, by: User, at: datetime, note: AccessNote | None = None
) -> AccessNote:
    """Keep a code or passphrase encrypted. The change log gets the title only."""
    verb = "change_access_note" if note else "add_access_note"
    note = note or AccessNote(site=site, customer_id=site.customer_id)
    note.title, note.cipher, note.changed_at, note.changed_by = title.strip(), seal(text), at, by
    note.save()
    record_change(by=by, at=at, verb=verb, subject=note, customer_id=note.customer_id, after={"title": note.title})
    return note


@transaction.atomic
def show_access_note(*, note: AccessNote, to: User, at: datetime, visit_id: int | None = None) -> str:
    """Open an access note for one person, and write down that they saw it.

    The caller has made sure that they need it: the office, or a technician for a visit of theirs. Raises
    `company.sealed.SealBroken` if its key is not installed; then nothing is written down as shown.
    """
    text = unseal(bytes(note.cipher))
    AccessNoteShown.objects.create(note=note, to=to, at=at, visit_id=visit_id)
    return text


# --- floor plans ------------------------------------------------------------------------------------------------------

PLAN_MAX_BYTES = 8 * 1024 * 1024
PLAN_MAX_PIXELS = 40_000_000
PLAN_LONGEST_SIDE_PX = 2400


@transaction.atomic
def add_floor_plan(*, site: Site, name: str, content: bytes, by: User, at: datetime) -> FloorPlan:
    """Keep a picture of a floor, drawn anew, so that nothing hidden in the file is passed on. Refused: NoPicture."""
    picture, media_type, size = _clean_picture(content)
    plan = FloorPlan.objects.create(
        site=site, customer_id=site.customer_id, name=name.strip(), picture=picture, media_type=media_type,
        width_px=size[0], height_px=size[1], added_at=at,
    )  # fmt: skip
    record_change(
        by=by, at=at, verb="add_floor_plan", subject=plan, customer_id=site.customer_id,
        after=facts_of(plan, *PLACE_FACTS[FloorPlan]),
    )  # fmt: skip
    return plan


def _clean_picture(content: bytes) -> tuple[bytes, str, tuple[int, int]]:
    if len(content) > PLAN_MAX_BYTES:
        raise NoPicture("The picture is larger than 8 MB. Save it smaller and try again.")
    try:
        with Image.open(BytesIO(content), formats=("PNG", "JPEG", "WEBP")) as picture:
            # The size stands in the head of the file: looked at before anything is unpacked.
            if picture.width * picture.height > PLAN_MAX_PIXELS:
                raise NoPicture("The picture has more than 40 million pixels. Save it smaller and try again.")
            kind = "PNG" if picture.format == "PNG" else "JPEG"
            upright = ImageOps.exif_transpose(picture).convert("RGB")
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError, Image.DecompressionBombError) as broken:
        raise NoPicture("This is no PNG, JPEG or WebP picture, or the file is damaged.") from broken
    upright.thumbnail((PLAN_LONGEST_SIDE_PX, PLAN_LONGEST_SIDE_PX))
    # A new picture takes the pixels only: comments, places and thumbnails of the file stay behind.
    drawn = Image.new("RGB", upright.size)
    drawn.paste(upright)
    out = BytesIO()
    drawn.save(out, kind, optimize=True)
    return out.getvalue(), f"image/{kind.lower()}", drawn.size


# --- portal -----------------------------------------------------------------------------------------------------------


@transaction.atomic
def set_portal_sites(*, access: PortalAccess, sites: Iterable[Site], by: User, at: datetime) -> PortalAccess:
    """Choose which sites a limited portal access includes. Refused: a site of another customer."""
    wanted = {site.pk: site for site in sites}
    if any(site.customer_id != access.customer_id for site in wanted.values()):
        raise Refused("Only sites of this customer can be shown to their people.")
    rows = access.portal_sites.select_related("site")
    before = sorted(row.site.name for row in rows)
    rows.exclude(site_id__in=wanted).delete()
    have = set(access.portal_sites.values_list("site_id", flat=True))
    PortalSite.objects.bulk_create(
        PortalSite(access=access, site=site) for pk, site in wanted.items() if pk not in have
    )
    record_change(
        by=by, at=at, verb="set_portal_sites", subject=access, customer_id=access.customer_id,
        before={"sites": before}, after={"sites": sorted(site.name for site in wanted.values())},
    )  # fmt: skip
    return access
