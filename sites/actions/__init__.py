"""Every write of places."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import TypeVar

from django.db import models, transaction
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from company.actions import facts_of, record_change
from company.drawn import Drawn, refuse_differing, refuse_overtaken
from company.errors import Refused
from company.models import PortalAccess, User
from sites.actions.access_notes import remove_access_note, reseal_access_notes, save_access_note, show_access_note
from sites.models import (
    Area,
    Hazard,
    MonitoringCentre,
    PlaceRow,
    PortalSite,
    Site,
    SiteClosure,
    VisitingHours,
)
from sites.rules.hours import Hours, fault_of, joined
from sites.rules.opening import DAY_NAMES
from sites.signals import care_changed

__all__ = ["remove_access_note", "reseal_access_notes", "save_access_note", "show_access_note"]

Row = TypeVar("Row", SiteClosure, Hazard, Area, MonitoringCentre)
Week = Mapping[int, Sequence[Hours]]


class AreaInUse(Refused):
    """Something is recorded in this area."""


class HoursImpossible(Refused):
    """Visiting hours that no day can have."""


class OnRecordAlready(Refused):
    """The very same row is there, as after a second press of the button."""


SITE_FACTS = (
    "code", "name", "kind", "address", "town", "postcode", "latitude", "longitude", "time_zone", "person_to_meet",
    "phone", "note", "closed_at",
)  # fmt: skip


@transaction.atomic
def save_site(*, site: Site, by: User, at: datetime, reason: str = "", drawn: Drawn | None = None) -> Site:
    """Add or change a site; `drawn` is what the form was drawn from.

    Refused: another customer, since its records belong to this one, and a site that was changed since (Overtaken).
    """
    old = Site.objects.select_for_update().filter(pk=site.pk).first() if site.pk else None
    if old and old.customer_id != site.customer_id:
        raise Refused(_("A site stays with its customer. Close it and make a new one for the new customer."))
    refuse_overtaken(drawn, old, site)
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
        raise Refused(_("This site is closed already."))
    return _set_closed(site, at, by, at, "close_site", reason)


@transaction.atomic
def reopen_site(*, site: Site, by: User, at: datetime, reason: str) -> Site:
    """Look after a closed site again. Refused when it is not closed."""
    if not site.closed_at:
        raise Refused(_("This site is not closed."))
    return _set_closed(site, None, by, at, "reopen_site", reason)


def _set_closed(site: Site, value: datetime | None, by: User, at: datetime, verb: str, reason: str) -> Site:
    before = facts_of(site, "closed_at")
    site.closed_at = value
    site.save(update_fields=["closed_at"])
    record_change(
        by=by, at=at, verb=verb, subject=site, customer_id=site.customer_id, reason=reason, before=before,
        after=facts_of(site, "closed_at"),
    )  # fmt: skip
    tell_of_care(site)
    return site


def tell_of_care(site: Site) -> None:
    """Tell who listens that a site was closed or opened, once the present transaction is kept."""
    transaction.on_commit(lambda: care_changed.send(sender=Site, site_ids=[site.pk]), robust=True)


@transaction.atomic
def set_visiting_hours(*, site: Site, hours: Week, by: User, at: datetime, drawn: Drawn | None = None) -> bool:
    """Set when the site can be visited: spans in order per weekday (0 = Monday); a day that is left out has none.

    Gives whether anything changed: the same hours again, as after a second press of the button, write nothing.
    Refused: spans that end before they begin, overlap or stand in the wrong order (HoursImpossible), and days that were
    changed after the form was drawn (Overtaken); `drawn` goes by the names of `hours_facts`.
    """
    Site.objects.select_for_update().filter(pk=site.pk).first()
    for day, spans in hours.items():
        if fault := fault_of(spans):
            raise HoursImpossible(f"{DAY_NAMES[day]}: {fault}")
    before = hours_facts(site)
    write_hours(site, hours)
    after = hours_facts(site)
    if after == before:
        return False
    refuse_differing(drawn or {}, before, after, before)
    record_change(
        by=by, at=at, verb="set_visiting_hours", subject=site, customer_id=site.customer_id, before=before, after=after
    )
    return True


def write_hours(site: Site, hours: Week) -> None:
    """Put these hours in the place of the present ones; the caller logs it."""
    site.visiting_hours.all().delete()
    VisitingHours.objects.bulk_create(
        VisitingHours(site=site, customer_id=site.customer_id, weekday=day, opens=opens, closes=closes)
        for day, spans in sorted(hours.items())
        for opens, closes in joined(spans)
    )


def hours_facts(site: Site) -> dict[str, str]:
    """What the change log keeps of the hours: "weekday 0" (Monday) to "09:00-12:00, 14:00-16:30"."""
    days: dict[str, list[str]] = {}
    for row in site.visiting_hours.order_by("weekday", "opens"):
        days.setdefault(f"weekday {row.weekday}", []).append(f"{row.opens:%H:%M}-{row.closes:%H:%M}")
    return {day: ", ".join(spans) for day, spans in days.items()}


PLACE_FACTS: dict[type[models.Model], tuple[str, ...]] = {
    SiteClosure: ("kind", "from_on", "to_on", "reason"),
    Hazard: ("kind", "text", "noted_on", "cleared_on"),
    Area: ("path", "walk_order"),
    MonitoringCentre: ("name", "phone", "account", "affected_outputs"),
}


@transaction.atomic
def save_place_row(*, row: Row, by: User, at: datetime, drawn: Drawn | None = None) -> Row:
    """Add or change a closure, hazard, area or monitoring centre of a site; `drawn` is what the form was drawn from.

    Refused: a new one that says the same as one on record, as a second press of the button would make, and one that was
    changed after the form was drawn (Overtaken).
    """
    names = PLACE_FACTS[type(row)]
    if row.pk is None:
        refuse_twin(row, names)
    rows = type(row)._default_manager.select_for_update(of=("self",), no_key=True)
    old = rows.filter(pk=row.pk).first() if row.pk else None
    refuse_overtaken(drawn, old, row)
    row.customer_id = row.site.customer_id
    row.full_clean()
    row.save()
    record_change(
        by=by, at=at, verb=f"save_{row._meta.model_name}", subject=row, customer_id=row.customer_id,
        before=facts_of(old, *names) if old else None, after=facts_of(row, *names),
    )  # fmt: skip
    return row


def refuse_twin(row: Row, names: tuple[str, ...]) -> None:
    """Refuse a row whose every word stands in another row of its site; the site is held until the end of the write."""
    Site.objects.select_for_update().filter(pk=row.site_id).first()
    same = {name: getattr(row, name) for name in names}
    if type(row)._default_manager.filter(site=row.site_id, **same).exists():
        raise OnRecordAlready(_("This is on record already, word for word. Nothing was saved a second time."))


@transaction.atomic
def remove_place_row(*, row: PlaceRow, by: User, at: datetime) -> None:
    """Take out a closure, area or monitoring centre; the change log keeps what it was.

    Refused for an area in which something is recorded, and for a hazard: a danger that is gone is cleared, not erased.
    """
    if isinstance(row, Hazard):
        raise Refused(_("A hazard stays on record. Say on which day it was cleared."))
    if isinstance(row, Area):
        refuse_area_in_use(row)
    before = facts_of(row, *PLACE_FACTS[type(row)]) | {"site": row.site_id}
    record_change(
        by=by, at=at, verb=f"remove_{row._meta.model_name}", subject=row, customer_id=row.customer_id,
        before=before,
    )  # fmt: skip
    try:
        with transaction.atomic():
            row.delete()
    except models.ProtectedError as held:
        n = len(held.protected_objects)
        words = ngettext(
            "“%(name)s” is in use: %(n)s record names it.", "“%(name)s” is in use: %(n)s records name it.", n
        )
        raise AreaInUse(words % {"name": row, "n": n}) from held


def refuse_area_in_use(area: Area) -> None:
    """Refuse to take out an area that a receiver or a taken slot names: the text there would point nowhere.

    Raises
    ------
    AreaInUse
        With how many, and what to do.
    """
    # Receivers and slots are rows of the app above; lookups by name keep imports pointing one way.
    here = Site.objects.filter(pk=area.site_id)
    n_slots = here.filter(
        receivers__registrations__removed_at=None, receivers__registrations__area=area.path
    ).aggregate(n=models.Count("receivers__registrations"))["n"]
    n_receivers = here.filter(receivers__removed_at=None, receivers__area=area.path).aggregate(
        n=models.Count("receivers")
    )["n"]
    if n_slots or n_receivers:
        slots = ngettext("%(n)s slot", "%(n)s slots", n_slots) % {"n": n_slots} if n_slots else ""
        receivers = ngettext("%(n)s receiver", "%(n)s receivers", n_receivers) % {"n": n_receivers}
        named = {"slots": slots, "receivers": receivers, "things": slots or receivers, "area": area.path}
        if n_slots and n_receivers:
            named["things"] = _("%(slots)s and %(receivers)s") % named
        raise AreaInUse(
            _("%(things)s stand in “%(area)s”. Merge it with another area instead: they move along.") % named
        )


@transaction.atomic
def clear_hazard(*, hazard: Hazard, on: date, by: User, at: datetime) -> Hazard:
    """Say from which day on a danger is gone. Refused when it was cleared before."""
    if hazard.cleared_on:
        raise Refused(_("This hazard was cleared already."))
    if on < hazard.noted_on:
        raise Refused(_("A hazard cannot be cleared before it was noted."))
    hazard.cleared_on = on
    hazard.save(update_fields=["cleared_on"])
    record_change(
        by=by, at=at, verb="clear_hazard", subject=hazard, customer_id=hazard.customer_id, before={"cleared_on": None},
        after={"cleared_on": on.isoformat()},
    )  # fmt: skip
    return hazard


# --- portal -----------------------------------------------------------------------------------------------------------


@transaction.atomic
def set_portal_sites(*, access: PortalAccess, sites: Iterable[Site], by: User, at: datetime) -> PortalAccess:
    """Choose which sites a limited portal access includes. Refused: a site of another customer."""
    wanted = {site.pk: site for site in sites}
    if any(site.customer_id != access.customer_id for site in wanted.values()):
        raise Refused(_("Only sites of this customer can be shown to their people."))
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
