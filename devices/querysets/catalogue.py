"""Every read of the catalogue."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Self

from django.apps import apps
from django.contrib.auth.models import AnonymousUser
from django.db import models
from django.db.models import Count, F, OuterRef, Q, Subquery, Value
from django.db.models.functions import Coalesce

if TYPE_CHECKING:
    from company.models import User

# Kind of type → what bears it: model, its column, which rows are in use now.
USED_BY: dict[str, tuple[str, str, dict[str, Any]]] = {
    "batterytype": ("Fitting", "battery_type", {"removed_at": None}),
    "transmittertype": ("Transmitter", "type", {"retired_at": None}),
    "receivertype": ("Receiver", "type", {"removed_at": None}),
}


class CatalogueQuerySet(models.QuerySet[Any]):
    """Types: no customer's data; every person who has signed in may see them."""

    def visible_to(self, user: User | AnonymousUser) -> Self:
        return self if user.is_authenticated and user.is_active else self.none()

    def offered(self) -> Self:
        """Types that may be chosen for something new."""
        return self.filter(retired_at=None).order_by("label", "pk")

    def matching(self, words: str) -> Self:
        """Types whose name or code holds the words; a battery type also by its IEC and ANSI code."""
        if not words:
            return self
        found = Q(label__icontains=words) | Q(code__icontains=words)
        kind = self.model._meta.model_name
        if kind == "batterytype":
            found |= Q(iec_code__icontains=words) | Q(ansi_code__icontains=words)
        elif kind == "transmittertype":
            found |= Q(kind__icontains=words.replace(" ", "_")) | Q(battery_type__iec_code__icontains=words)
        return self.filter(found)

    def showing(self, which: str) -> Self:
        """All, retired or our own types, by that word; for any other word what is offered."""
        if which == "all":
            return self
        if which == "retired":
            return self.exclude(retired_at=None)
        return self.filter(retired_at=None, **({"origin": "own"} if which == "own" else {}))

    def with_use(self) -> Self:
        """With `n_used`: how many in use are of the type (sets of cells, transmitters, receivers)."""
        name, column, in_use = USED_BY[self.model._meta.model_name or ""]
        rows = apps.get_model("devices", name)._default_manager.filter(**in_use, **{column: OuterRef("pk")})
        counted = rows.order_by().values(column).annotate(n=Count("pk")).values("n")
        return self.annotate(n_used=Coalesce(Subquery(counted), Value(0)))


def transmitters_on(row: Any) -> int:
    """How many transmitters, or receivers, have dates that rest on this type's figures."""
    kind = row._meta.model_name
    if kind == "batterytype":
        fittings = apps.get_model("devices", "Fitting")._default_manager
        return fittings.filter(battery_type=row, removed_at=None).values("transmitter_id").distinct().count()
    name, column, in_use = USED_BY[kind]
    return apps.get_model("devices", name)._default_manager.filter(**in_use, **{column: row}).count()


def places_of(row: Any, things: models.QuerySet[Any]) -> models.QuerySet[Any]:
    """Where a type is in use: customer, site and how many, most first.

    Parameters
    ----------
    things : QuerySet
        Registrations (battery and transmitter types) or receivers that the person may see.
    """
    kind = row._meta.model_name
    if kind == "receivertype":
        things = things.filter(type=row, removed_at=None)
    elif kind == "transmittertype":
        things = things.filter(transmitter__type=row, removed_at=None)
    else:
        things = things.filter(
            transmitter__fittings__battery_type=row, transmitter__fittings__removed_at=None, removed_at=None
        )
    named = things.values("site_id", site_name=F("site__name"), customer_name=F("site__customer__name"))
    unit = "pk" if kind == "receivertype" else "transmitter_id"
    return named.annotate(n=Count(unit, distinct=True)).order_by("-n", "site_name", "site_id")
