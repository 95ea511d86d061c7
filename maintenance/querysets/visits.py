"""Reads of rounds, visits and what was recorded."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING, Any, Self

from django.apps import apps
from django.contrib.auth.models import AnonymousUser
from django.db import models
from django.db.models import Count, Exists, OuterRef, Prefetch, Q

from company.querysets import CustomerScoped
from maintenance.rules.visits import Said

if TYPE_CHECKING:
    from company.models import User

TO_COME = ("planned", "open")
"""States of a visit that is not over."""


class RoundQuerySet(models.QuerySet[Any]):
    """Rounds: the office sees all, a technician the published ones that they are on, customers none."""

    def visible_to(self, user: User | AnonymousUser) -> Self:
        if not user.is_authenticated or not user.is_active or user.is_portal:
            return self.none()
        if user.is_office:
            return self
        return self.filter(state__in=["published", "done"]).filter(
            models.Q(technician=user)
            | models.Q(pk__in=self.model._default_manager.filter(visits__crew__user=user).values("pk"))
        )

    def open(self) -> Self:
        """Rounds that can still change: being planned or published."""
        return self.filter(state__in=["draft", "published"])

    def to_publish(self, today: date) -> Self:
        """Drafts of days that are not over: nobody has been told yet."""
        return self.filter(state="draft", day__gte=today)

    def matching(self, words: str) -> Self:
        """Rounds whose name, number, technician or one of whose sites holds the words."""
        if not words:
            return self
        condition = Q(name__icontains=words) | Q(technician__name__icontains=words)
        if words.isdecimal() and len(words) < 9:
            condition |= Q(number=int(words))
        with_site = self.model._default_manager.filter(visits__site__name__icontains=words).values("pk")
        return self.filter(condition | Q(pk__in=with_site))

    def for_list(self) -> Self:
        """With technician, number of stops and how many are over."""
        standing = ~Q(visits__state="cancelled")
        return self.select_related("technician").annotate(
            n_stops=Count("visits", filter=standing, distinct=True),
            n_done=Count("visits", filter=Q(visits__state="finished"), distinct=True),
        )

    def for_plan(self) -> Self:
        """With everything that the timetable of the day asks: stops in order, hours, closures, the technician's week."""
        visit = apps.get_model("maintenance", "Visit")
        stops = visit._default_manager.exclude(state="cancelled").for_plan().order_by("position", "pk")
        return self.select_related("technician", "technician__technician").prefetch_related(
            "technician__technician__shifts",
            "technician__technician__days_off",
            Prefetch("visits", queryset=stops, to_attr="stops"),
        )


class VisitQuerySet(CustomerScoped):
    """Visits. A customer sees planned ones only once their round is published; a technician those they are on."""

    def visible_to(self, user: User | AnonymousUser) -> Self:
        rows = super().visible_to(user)
        if not user.is_authenticated or not user.is_active or user.is_office:
            return rows
        told = Q(round__state__in=["published", "done"]) | Q(round=None)
        if user.is_portal:
            return rows.filter(told | Q(state="finished"))
        crew = apps.get_model("maintenance", "VisitCrew")
        return rows.filter(told).filter(Exists(crew._default_manager.filter(visit=OuterRef("pk"), user=user)))

    def to_come(self) -> Self:
        """Visits that are not over: planned or under way."""
        return self.filter(state__in=TO_COME)

    def matching(self, words: str) -> Self:
        """Visits whose site, customer or technician holds the words."""
        if not words:
            return self
        crew = apps.get_model("maintenance", "VisitCrew")._default_manager.filter(user__name__icontains=words)
        return self.filter(
            Q(site__name__icontains=words)
            | Q(site__code__icontains=words)
            | Q(customer__name__icontains=words)
            | Q(pk__in=crew.values("visit"))
        )

    def without_report(self, since: datetime) -> Self:
        """Visits finished since a moment of which no report was issued."""
        papers = apps.get_model("maintenance", "IssuedReport")._default_manager.filter(
            visit=OuterRef("pk"), kind="service_report"
        )
        return self.filter(state="finished", finished_at__gte=since).exclude(Exists(papers))

    def for_plan(self) -> Self:
        """With the site's hours and closures."""
        return self.select_related("site", "site__customer").prefetch_related("site__visiting_hours", "site__closures")

    def for_day(self) -> Self:
        """With site, customer and round, as a technician's list shows them."""
        return self.select_related("site", "customer", "round")

    def for_sheet(self) -> Self:
        """With what the head of the sheet shows."""
        return self.select_related("site", "customer", "round", "finished_by").prefetch_related("crew__user")


class EntryQuerySet(CustomerScoped):
    """Entries."""

    site_path = "visit__site_id"

    def standing(self) -> Self:
        """Entries in force: neither corrected nor withdrawn, and not themselves a withdrawal."""
        return self.filter(is_withdrawn=False)

    def in_order(self) -> Self:
        """As they were done; ties as they were recorded."""
        return self.order_by("made_at", "pk")

    def for_log(self) -> Self:
        """With people, receiver, slot and what each corrects."""
        return self.select_related("by", "receiver", "registration", "registration__transmitter", "corrects").in_order()

    def as_said(self) -> list[Said]:
        """Standing entries in the form that the rules take."""
        rows = self.standing().values_list(
            "kind", "made_at", "pk", "receiver_id", "registration_id", "registration__transmitter_id"
        )
        return [Said(*row) for row in rows]


class WalkTestQuerySet(CustomerScoped):
    """Rows that hang on a visit."""

    customer_path = "visit__customer_id"
    site_path = "visit__site_id"

    def standing(self) -> Self:
        """Walk tests whose entry is in force. Only for walk tests: crew rows share this class for their scope."""
        return self.filter(entry__is_withdrawn=False)
