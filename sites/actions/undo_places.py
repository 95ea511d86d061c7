"""How changes of sites and of what hangs on them are taken back (see company/undo.py)."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext

from company.access import OFFICE
from company.actions import facts_of
from company.models import ChangeRow, User
from company.undo import CannotUndo, Undone, undoes
from sites.actions import PLACE_FACTS, SITE_FACTS, hours_facts, tell_of_care, write_hours
from sites.models import Area, FloorPlan, Hazard, MonitoringCentre, Site, SiteClosure
from sites.rules.hours import HoursUnreadable, read_hours

ROWS: dict[str, type[models.Model]] = {
    model._meta.model_name or "": model for model in (SiteClosure, Hazard, Area, MonitoringCentre)
}


def _same(*verbs: str) -> Any:
    """Only later changes by these verbs rest on it: new hours do not keep a mistyped name from being taken back."""

    def touched(change: ChangeRow) -> Q:
        return Q(subject_kind=change.subject_kind, subject_id=change.subject_id, verb__in=verbs)

    return touched


def _site(change: ChangeRow) -> Site:
    return Site.objects.select_for_update().get(pk=change.subject_id)


def _set(row: models.Model, facts: dict[str, Any]) -> None:
    """Give a row the values that the log kept as JSON."""
    for name, value in facts.items():
        field = row._meta.get_field(name)
        assert isinstance(field, models.Field)
        setattr(row, name, field.to_python(value))


def _check(row: models.Model) -> None:
    try:
        row.full_clean()
    except ValidationError as wrong:
        why = {"why": " ".join(wrong.messages)}
        raise CannotUndo(gettext("It cannot be put back as it was: %(why)s") % why) from wrong


@undoes("save_site", touched=_same("save_site"), audiences=(OFFICE,), offered=lambda change: bool(change.before))
def undo_site(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Put the facts of a site back. Refused for a new site: it is closed, not erased."""
    if not change.before:
        raise CannotUndo(gettext("A new site is not erased. Close it instead; its records stay."))
    site = _site(change)
    before = facts_of(site, *SITE_FACTS)
    _set(site, {name: value for name, value in change.before.items() if name in SITE_FACTS and name != "closed_at"})
    _check(site)
    site.save()
    return Undone(before, facts_of(site, *SITE_FACTS))


@undoes(
    "close_site", "reopen_site", touched=_same("close_site", "reopen_site"), audiences=(OFFICE,),
    offered=lambda change: bool(change.before),
)  # fmt: skip
def undo_closing(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Open a closed site again, or close it as of the moment it had been closed."""
    if not change.before:
        raise CannotUndo(gettext("The log does not say since when it was closed. Close or open the site by hand."))
    site = _site(change)
    before = facts_of(site, "closed_at")
    _set(site, {"closed_at": change.before["closed_at"]})
    site.save(update_fields=["closed_at"])
    tell_of_care(site)
    return Undone(before, facts_of(site, "closed_at"))


@undoes("set_visiting_hours", touched=_same("set_visiting_hours"), audiences=(OFFICE,))
def undo_hours(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Put the hours of the week back."""
    site = _site(change)
    before = hours_facts(site)
    try:
        hours = {int(day.removeprefix("weekday ")): read_hours(text) for day, text in (change.before or {}).items()}
    except HoursUnreadable as wrong:
        raise CannotUndo(gettext("The hours cannot be put back as they were: %(why)s") % {"why": wrong}) from wrong
    write_hours(site, hours)
    return Undone(before, hours_facts(site))


@undoes(*(f"save_{name}" for name in ROWS), "clear_hazard", audiences=(OFFICE,))
def undo_row(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Put a closure, hazard, area or centre back as it was; one that was just added goes again."""
    model = ROWS[change.subject_kind]
    row = model._default_manager.filter(pk=change.subject_id).first()
    if row is None:
        raise CannotUndo(gettext("It is not on record any more."))
    facts = facts_of(row, *PLACE_FACTS[model])
    if not change.before:
        row.delete()
        return Undone(facts, None)
    _set(row, change.before)
    _check(row)
    row.save()
    return Undone(facts, facts_of(row, *PLACE_FACTS[model]))


@undoes(*(f"remove_{name}" for name in ROWS), audiences=(OFFICE,))
def undo_removal(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Put a removed closure, area or centre back with the key it had."""
    model, facts = ROWS[change.subject_kind], dict(change.before or {})
    site = Site.objects.filter(pk=facts.pop("site", None)).first()
    if site is None:
        raise CannotUndo(gettext("The log does not say at which site it was. Add it again by hand."))
    row = model(pk=change.subject_id, site=site, customer_id=site.customer_id)  # type: ignore[misc]
    _set(row, facts)
    _check(row)
    row.save(force_insert=True)
    return Undone(None, facts_of(row, *PLACE_FACTS[model]))


# --- floor plans ------------------------------------------------------------------------------------------------------


def _plan(change: ChangeRow) -> FloorPlan:
    return FloorPlan.objects.select_for_update().defer("picture").get(pk=change.subject_id)


def _refuse_double(plan: FloorPlan, name: str) -> None:
    if plan.site.floor_plans.filter(removed_at=None, name__iexact=name).exclude(pk=plan.pk).exists():
        raise CannotUndo(
            gettext("Another plan of this site is now called “%(name)s”. Rename that one first.") % {"name": name}
        )


@undoes("add_floor_plan", "put_back_floor_plan", audiences=(OFFICE,))
def undo_plan(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Take an added plan out of use again; its picture stays."""
    plan = _plan(change)
    before = facts_of(plan, "name", "removed_at")
    plan.removed_at = at
    plan.save(update_fields=["removed_at"])
    return Undone(before, facts_of(plan, "name", "removed_at"))


@undoes("remove_floorplan", audiences=(OFFICE,))
def undo_plan_removal(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Use a removed plan again, with its pins."""
    plan = _plan(change)
    _refuse_double(plan, plan.name)
    before = facts_of(plan, "name", "removed_at")
    plan.removed_at = None
    plan.save(update_fields=["removed_at"])
    return Undone(before, facts_of(plan, "name", "removed_at"))


@undoes("rename_floor_plan", audiences=(OFFICE,))
def undo_plan_name(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Give a plan its former name."""
    plan, name = _plan(change), (change.before or {})["name"]
    _refuse_double(plan, name)
    before = facts_of(plan, "name")
    plan.name = name
    plan.save(update_fields=["name"])
    return Undone(before, facts_of(plan, "name"))
