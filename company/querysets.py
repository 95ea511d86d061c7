"""Every read of the firm's own records, and the one definition of what a user may see."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, Self

from django.apps import apps
from django.contrib.auth.models import AnonymousUser
from django.db import models
from django.db.models import Q

if TYPE_CHECKING:
    from company.models import User


@dataclass(frozen=True, slots=True)
class Scope:
    """What a portal user may see: whole customers, and single sites of customers that are limited to them."""

    customer_ids: frozenset[int]
    site_ids: frozenset[int]


def scope_of(user: User) -> Scope:
    """Scope of a portal user, read once per user object (a request has one)."""
    cached: Scope | None = getattr(user, "_scope", None)
    if cached is not None:
        return cached
    from company.models import PortalAccess

    # `portal_sites` is the reverse name of a row of the app above; a lookup by name keeps imports pointing one way.
    rows = PortalAccess.objects.filter(user=user, customer__closed_at=None).values_list(
        "customer_id", "is_limited", "portal_sites__site_id"
    )
    customers, sites = set(), set()
    for customer_id, is_limited, site_id in rows:
        if not is_limited:
            customers.add(customer_id)
        elif site_id is not None:
            sites.add(site_id)
    scope = Scope(frozenset(customers), frozenset(sites))
    user._scope = scope  # type: ignore[attr-defined]
    return scope


class CustomerScoped(models.QuerySet[Any]):
    """Rows that belong to one customer.

    `customer_path` and `site_path` are lookups from the row to the ids; every tenant table carries `customer_id`
    itself, so the usual scope is one comparison. A row without a site (site_path = "") is shown only to users
    who may see the whole customer.
    """

    customer_path: ClassVar[str] = "customer_id"
    site_path: ClassVar[str] = "site_id"

    def visible_to(self, user: User | AnonymousUser) -> Self:
        """Rows that this user may see: staff all, a portal user those in the scope, anybody else none."""
        if not user.is_authenticated or not user.is_active:
            return self.none()
        if user.is_staff_member:
            return self
        scope = scope_of(user)
        condition = Q(**{f"{self.customer_path}__in": scope.customer_ids})
        if self.site_path and scope.site_ids:
            condition |= Q(**{f"{self.site_path}__in": scope.site_ids})
        return self.filter(condition)


class StaffOnly(models.QuerySet[Any]):
    """Rows that only the firm's own people may see."""

    def visible_to(self, user: User | AnonymousUser) -> Self:
        """All for office and technicians, none for anybody else."""
        if user.is_authenticated and user.is_active and user.is_staff_member:
            return self
        return self.none()


class CustomerQuerySet(CustomerScoped):
    """Customers."""

    customer_path = "pk"
    site_path = "sites__pk"

    def visible_to(self, user: User | AnonymousUser) -> Self:
        """A customer is visible as soon as one of its sites is."""
        if not user.is_authenticated or not user.is_active:
            return self.none()
        if user.is_staff_member:
            return self
        mine = self.model._default_manager.filter(portal_access__user=user, closed_at=None)
        return self.filter(pk__in=mine.values("pk"))

    def current(self) -> Self:
        """Customers that are not closed."""
        return self.filter(closed_at=None)

    def matching(self, words: str) -> Self:
        """Customers whose name or code holds the words."""
        return self.filter(Q(name__icontains=words) | Q(code__icontains=words)) if words else self

    def for_list(self) -> Self:
        """With the number of sites that are looked after."""
        return self.annotate(n_sites=models.Count("sites", filter=Q(sites__closed_at=None), distinct=True))


class UserQuerySet(models.QuerySet[Any]):
    """People."""

    def visible_to(self, user: User | AnonymousUser) -> Self:
        """Office sees everybody, a technician the firm's people, a portal user only themselves."""
        if not user.is_authenticated or not user.is_active:
            return self.none()
        if user.is_office:
            return self
        if user.is_technician:
            return self.exclude(audience="portal")
        return self.filter(pk=user.pk)

    def for_list(self) -> Self:
        """With whether each has a second factor (`has_factor`); recovery codes alone are none."""
        factors = apps.get_model("mfa", "Authenticator")._default_manager.filter(user=models.OuterRef("pk"))
        return self.annotate(has_factor=models.Exists(factors.exclude(type="recovery_codes")))

    def technicians(self) -> Self:
        """People who go out: active technicians, by name."""
        return self.filter(audience="technician", is_active=True).order_by("name", "pk")

    def invited(self) -> Self:
        """People with an invitation who have not signed in yet."""
        return self.filter(is_active=True, invited_at__isnull=False, last_login=None)

    def matching(self, words: str) -> Self:
        """People whose name or address holds the words."""
        return self.filter(Q(name__icontains=words) | Q(email__icontains=words)) if words else self

    def portal_people(self) -> Self:
        """Customers' people who may sign in, by name."""
        return self.filter(audience="portal", is_active=True).order_by("name", "pk")


GIVEN_UP = "Given up"
"""How the error of a job begins that was interrupted every time."""


class JobQuerySet(models.QuerySet[Any]):
    """Background work."""

    def visible_to(self, user: User | AnonymousUser) -> Self:
        """Office sees all; anybody else what they asked for themselves."""
        if not user.is_authenticated or not user.is_active:
            return self.none()
        if user.is_office:
            return self
        return self.filter(requested_by=user)

    def failed_since(self, since: Any) -> Self:
        """Work that broke. What was refused to the person who asked is an answer, and they have read it."""
        is_fault = Q(error="") | Q(error__startswith="Traceback") | Q(error__startswith=GIVEN_UP)
        return self.filter(Q(requested_by=None) | is_fault, state="failed", created_at__gte=since)

    def ready(self, now: Any) -> Self:
        """Jobs that may be claimed: waiting, or running with a lease that has run out."""
        return self.filter(Q(state="waiting", not_before__lte=now) | Q(state="running", lease_until__lt=now)).order_by(
            "created_at", "pk"
        )


RESTS_ON_NOTHING = ("end_sessions", "hand_out_link", "invite_person", "reset_second_factor", "save_theme")
"""Deeds on a record that leave its facts alone: an edit before them can still be taken back."""


class ChangeRowQuerySet(CustomerScoped):
    """What was changed by whom, when and why."""

    site_path = ""

    def about(self, kind: str, pk: int) -> Self:
        """Changes of one record, newest first."""
        return self.filter(subject_kind=kind, subject_id=pk).newest()

    def of_settings(self) -> Self:
        """Changes of the firm's letterhead, prices and policy, newest first."""
        return self.filter(subject_kind__in=("firm", "riskpolicy")).newest()

    def newest(self) -> Self:
        """Newest first, with who did it, and whether it was taken back."""
        return self.select_related("by", "undoes").with_fate().order_by("-at", "-pk")

    def with_fate(self) -> Self:
        """With who took it back and when (`undone_at`, `undone_by_name`), and whether something later spoke of the same
        record (`has_later`; what was itself taken back does not count).
        """
        rows = self.model._default_manager
        back = rows.filter(undoes=models.OuterRef("pk")).order_by("pk")
        later = rows.filter(
            subject_kind=models.OuterRef("subject_kind"), subject_id=models.OuterRef("subject_id"),
            pk__gt=models.OuterRef("pk"), undoes=None, undone_by=None,
        ).exclude(verb__in=RESTS_ON_NOTHING)  # fmt: skip
        return self.annotate(
            undone_at=models.Subquery(back.values("at")[:1]),
            undone_by_name=models.Subquery(back.values("by__name")[:1]),
            has_later=models.Exists(later),
        )

    def matching(self, words: str) -> Self:
        """Changes whose subject, reason or customer holds the words (a site's name stands in the subject)."""
        if not words:
            return self
        return self.filter(
            Q(subject_text__icontains=words)
            | Q(reason__icontains=words)
            | Q(customer__name__icontains=words)
            # The name of a customer that is gone; see `company.undo.CUSTOMER_NAME`. In this order few rows are opened.
            | (Q(customer=None) & Q(after__customer_name__icontains=words))
        )
