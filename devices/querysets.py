"""Every read of what is installed. First link of every chain in a door is `.visible_to(user)`."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any, ClassVar, Self

from django.apps import apps
from django.contrib.auth.models import AnonymousUser
from django.db import models
from django.db.models import Count, Q

from company.querysets import CustomerScoped, StaffOnly, scope_of

if TYPE_CHECKING:
    from company.models import User

__all__ = [
    "CatalogueQuerySet",
    "CheckInQuerySet",
    "FaultQuerySet",
    "FittingQuerySet",
    "FittingTotalsQuerySet",
    "OutputQuerySet",
    "ReceiverQuerySet",
    "RegistrationOutputQuerySet",
    "RegistrationQuerySet",
    "StaffOnly",
    "TransmitterQuerySet",
]


def from_to(begins: str, ends: str, at: datetime) -> Q:
    """Rows in force at a moment: begun, and not yet ended (the end is exclusive)."""
    return Q(**{f"{begins}__lte": at}) & (Q(**{ends: None}) | Q(**{f"{ends}__gt": at}))


class CatalogueQuerySet(models.QuerySet[Any]):
    """Types: no customer's data; every person who has signed in may see them."""

    def visible_to(self, user: User | AnonymousUser) -> Self:
        return self if user.is_authenticated and user.is_active else self.none()

    def offered(self) -> Self:
        """Types that may be chosen for something new."""
        return self.filter(retired_at=None).order_by("label", "pk")


class ReceiverQuerySet(CustomerScoped):
    """Receivers."""

    def open(self) -> Self:
        """Receivers that hang there now."""
        return self.filter(removed_at=None)

    def for_list(self) -> Self:
        """With site, customer, type and the number of slots in use."""
        return self.select_related("site", "customer", "type").annotate(
            n_used=Count("registrations", filter=Q(registrations__removed_at=None), distinct=True)
        )

    def matching(self, words: str) -> Self:
        """Receivers whose label, serial or site holds the words."""
        if not words:
            return self
        return self.filter(
            Q(label__icontains=words)
            | Q(serial__icontains=words)
            | Q(site__name__icontains=words)
            | Q(site__code__icontains=words)
            | Q(customer__name__icontains=words)
        )


class OutputQuerySet(CustomerScoped):
    """Outputs of receivers."""

    site_path = "receiver__site_id"


class RegistrationQuerySet(CustomerScoped):
    """The dated ledger of slots."""

    def open(self) -> Self:
        """Registrations in force now."""
        return self.filter(removed_at=None)

    def as_of(self, at: datetime) -> Self:
        """Registrations in force at a moment."""
        return self.filter(from_to("registered_at", "removed_at", at))


class RegistrationOutputQuerySet(CustomerScoped):
    """Outputs that registrations drive."""

    site_path = "registration__site_id"


class OfTransmitter(CustomerScoped):
    """Rows of a transmitter, which has no site of its own: a limited portal user sees those registered at their sites."""

    site_path = ""
    transmitter_path: ClassVar[str] = "transmitter_id"

    def visible_to(self, user: User | AnonymousUser) -> Self:
        if not user.is_authenticated or not user.is_active:
            return self.none()
        if user.is_staff_member:
            return self
        scope = scope_of(user)
        condition = Q(customer_id__in=scope.customer_ids)
        if scope.site_ids:
            # Only while it is registered there: a unit that has moved on takes its later history out of sight.
            here = apps.get_model("devices", "Registration")._default_manager.filter(
                site_id__in=scope.site_ids, removed_at=None
            )
            condition |= Q(**{f"{self.transmitter_path}__in": here.values("transmitter_id")})
        return self.filter(condition)


class TransmitterQuerySet(OfTransmitter):
    """Transmitters."""

    transmitter_path = "pk"

    def matching(self, words: str) -> Self:
        """Transmitters whose serial holds the words."""
        return self.filter(serial__icontains=words) if words else self


class FittingQuerySet(OfTransmitter):
    """Cells fitted."""

    def open(self) -> Self:
        """Cells in service now."""
        return self.filter(removed_at=None)

    def as_of(self, at: datetime) -> Self:
        """Cells in service at a moment; those of unknown age count from when our records begin."""
        begun = Q(fitted_at__lte=at) | Q(fitted_at=None, entered_at__lte=at)
        return self.filter(begun & (Q(removed_at=None) | Q(removed_at__gt=at)))


class FittingTotalsQuerySet(OfTransmitter):
    """Raw sums of fittings."""

    transmitter_path = "fitting__transmitter_id"


class CheckInQuerySet(OfTransmitter):
    """Days of check-ins."""


class FaultQuerySet(CustomerScoped):
    """Faults."""

    def open(self) -> Self:
        """Faults whose condition is still there."""
        return self.filter(cleared_at=None)

    def latched(self) -> Self:
        """Faults that still show on the receiver because nobody has cleared it."""
        return self.filter(is_latched=True, latch_cleared_at=None)
