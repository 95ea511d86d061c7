"""Writes of the firm's own catalogue rows: add, change, retire, offer again. Shipped rows are data of the release."""

from __future__ import annotations

import hashlib
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.utils.text import slugify
from django.utils.translation import gettext as _

from company.actions import facts_of, record_change
from company.errors import Refused
from company.models import User
from devices.models import BatteryType, ReceiverType, TransmitterType
from devices.models.catalogue import CatalogueRow, Origin
from devices.signals import catalogue_changed

MODELS: dict[str, type[CatalogueRow]] = {
    model._meta.model_name or "": model for model in (BatteryType, TransmitterType, ReceiverType)
}

DATE_FIGURES: dict[str, frozenset[str]] = {
    "batterytype": frozenset({
        "capacity_mah", "self_discharge_per_year", "shelf_life_years", "nominal_v", "share_0c", "share_m10c", "share_m20c",
        "share_m40c",
    }),
    "transmittertype": frozenset({
        "power", "battery_type", "cells_series", "cells_parallel", "usable_share", "sleep_ua", "checkin_uas",
        "activation_uah", "typical_activations_per_day", "default_interval_s", "unit_life_years", "welded_cell",
    }),
    "receivertype": frozenset({"has_standby_battery", "standby_life_years"}),
}  # fmt: skip
"""Figures that due dates rest on, by kind of type (maintenance/querysets/fleet.py reads them)."""


class ShippedRow(Refused):
    """A shipped type belongs to the release: the next one would write over what was changed."""


class TypeChangedSince(Refused):
    """Two people changing one type at once must not undo each other unseen."""


class TypeRefused(Refused):
    """What was given cannot be a type of ours."""


class DatesWouldMove(Refused):
    """Figures that due dates rest on are to change and nobody has been asked yet; `figures` names them."""

    def __init__(self, message: str, figures: list[str]) -> None:
        super().__init__(message)
        self.figures = figures


def fact_names(model: type[CatalogueRow]) -> tuple[str, ...]:
    """Every field of a type that a person may fill in, in the order of the model."""
    return tuple(
        field.name for field in model._meta.concrete_fields if field.name not in ("id", "origin", "retired_at")
    )


def seen(row: CatalogueRow) -> str:
    """Digest of a row as stored: a form carries it, so that it is noticed when somebody else was quicker."""
    values = [repr(getattr(row, field.attname)) for field in row._meta.concrete_fields]
    return hashlib.sha256("\n".join(values).encode()).hexdigest()[:32]


def facts(row: CatalogueRow) -> dict[str, Any]:
    """What the change log keeps of a type; another row is kept by its code, which never changes."""
    kept = facts_of(row, *fact_names(type(row)))
    if isinstance(row, TransmitterType):
        kept["battery_type"] = row.battery_type.code if row.battery_type else None
    return kept


def moves_dates(row: CatalogueRow, old: CatalogueRow) -> list[str]:
    """Names of the figures that differ and that due dates rest on."""
    before, after = facts(old), facts(row)
    return sorted(name for name in DATE_FIGURES[row._meta.model_name or ""] if before[name] != after[name])


@transaction.atomic
def add_type(*, row: CatalogueRow, by: User, at: datetime, reason: str = "") -> CatalogueRow:
    """Add a type of our own; its code is made from its name where none is given, and never changes.

    Refused: a code or a name that another type has (TypeRefused), so that sending the form twice makes one row.
    """
    row.origin, row.retired_at = Origin.OWN, None
    row.code = row.code or slugify(row.label)[:60].strip("-")
    refuse_doubles(row)
    clean(row)
    row.save(force_insert=True)
    record_change(by=by, at=at, verb="add_type", subject=row, after=facts(row), reason=reason)
    return row


@transaction.atomic
def change_type(
    *, row: CatalogueRow, by: User, at: datetime, reason: str, seen_as: str | None = None, is_sure: bool = False
) -> CatalogueRow:
    """Change a type of our own. Where figures move that dates rest on, all dates are worked out anew in the background.

    Refused: a shipped type (ShippedRow), one that was changed since `seen_as` (TypeChangedSince), another code, a name that
    another type has (TypeRefused), and moved dates while `is_sure` is not given (DatesWouldMove, naming the figures).
    """
    old = locked_own(row)
    if seen_as is not None and seen_as != seen(old):
        raise TypeChangedSince(_("Somebody changed this type after you opened the page. Look again, then change it."))
    row.code, row.origin, row.retired_at = old.code, old.origin, old.retired_at
    refuse_doubles(row)
    clean(row)
    if facts(row) == facts(old):
        raise TypeRefused(_("These are the present figures, so there is nothing to change."))
    moving = moves_dates(row, old)
    if moving and not is_sure:
        raise DatesWouldMove(_("Due dates rest on what you are changing. Look at the question below."), moving)
    row.save()
    record_change(
        by=by, at=at, verb="change_type", subject=row, before=facts(old), after=facts(row), reason=reason
    )  # fmt: skip
    if moving:
        tell(row, at, by)
    return row


@transaction.atomic
def retire_type(*, row: CatalogueRow, by: User, at: datetime, reason: str) -> CatalogueRow:
    """Offer a type of ours for nothing new any more; what is of that type stays. Refused: shipped, or retired already."""
    old = locked_own(row)
    if old.retired_at:
        raise TypeRefused(_("This type is not offered any more already."))
    return _set_offered(old, at, by=by, at=at, verb="retire_type", reason=reason)


@transaction.atomic
def offer_type(*, row: CatalogueRow, by: User, at: datetime, reason: str) -> CatalogueRow:
    """Offer a retired type of ours again. Refused: shipped, or offered already."""
    old = locked_own(row)
    if not old.retired_at:
        raise TypeRefused(_("This type is offered already."))
    refuse_doubles(old)
    return _set_offered(old, None, by=by, at=at, verb="offer_type", reason=reason)


def locked_own(row: CatalogueRow) -> CatalogueRow:
    """The row as stored, locked. Refused: a shipped one."""
    old: CatalogueRow = type(row)._default_manager.select_for_update().get(pk=row.pk)
    if old.origin != Origin.OWN:
        raise ShippedRow(
            _(
                "This type comes with the program and the next release would write over it. Make our own version of it instead."
            )
        )
    return old


def _set_offered(
    row: CatalogueRow, retired_at: datetime | None, *, by: User, at: datetime, verb: str, reason: str
) -> CatalogueRow:
    before = facts_of(row, "retired_at")
    row.retired_at = retired_at
    row.save(update_fields=["retired_at"])
    record_change(
        by=by, at=at, verb=verb, subject=row, before=before, after=facts_of(row, "retired_at"), reason=reason
    )  # fmt: skip
    return row


def refuse_doubles(row: CatalogueRow) -> None:
    """Refuse a code or a name that stands already: in lists nobody could tell two of one name apart."""
    others = type(row)._default_manager.exclude(pk=row.pk)
    if not row.code:
        raise TypeRefused(_("Give a name with letters or digits in it."))
    twin = others.filter(code=row.code).first()
    if twin:
        raise TypeRefused(
            _('The code "%(code)s" is that of "%(twin)s" already. Open that one, or give another name or code.')
            % {"code": row.code, "twin": twin.label}
        )
    if others.filter(label__iexact=row.label, retired_at=None).exists():
        raise TypeRefused(
            _('There is a type called "%(row)s" already. Give this one a name that tells them apart.')
            % {"row": row.label}
        )


def clean(row: CatalogueRow) -> None:
    """Refuse figures that cannot be (TypeRefused, with what to give instead)."""
    try:
        # Empty lists are answers here, though Django calls them blank.
        row.full_clean(exclude=[field.name for field in row._meta.fields if isinstance(field, models.JSONField)])
    except ValidationError as error:
        raise TypeRefused(" ".join(error.messages)) from error


def tell(row: models.Model, at: datetime, by: User | None) -> None:
    """Tell whoever listens, once this is committed, that dates rest on other figures now."""
    kind, pk = row._meta.model_name or "", row.pk
    transaction.on_commit(lambda: catalogue_changed.send(sender=type(row), kind=kind, pk=pk, at=at, by=by))
