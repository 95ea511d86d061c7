"""Every read of planned changes and of absences."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import Any, Self
from zoneinfo import ZoneInfo

from django.apps import apps
from django.db.models import Case, F, OuterRef, Q, Subquery, Value, When

from company.querysets import CustomerScoped, StaffOnly


class PlannedChangeQuerySet(StaffOnly):
    """What the office has decided about a slot and a technician still has to do there."""

    def open(self) -> Self:
        """Neither done nor dropped."""
        return self.filter(done_at=None, dropped_at=None)

    def over(self) -> Self:
        """Done or dropped."""
        return self.exclude(done_at=None, dropped_at=None)

    def slots_of(self, receivers: Iterable[Any]) -> dict[int, dict[int, str]]:
        """Receiver → slot → what is planned there, in words; one query for any number of receivers."""
        kinds = {code: str(words) for code, words in self.model.Kind.choices}
        found: dict[int, dict[int, str]] = {}
        for receiver, slot, kind in (
            self.open().filter(receiver__in=receivers).values_list("receiver_id", "slot", "kind")
        ):
            found.setdefault(receiver, {})[slot] = kinds[kind]
        return found

    def for_list(self) -> Self:
        """With everything that a list or one plan's page says, and what stands in the slot now."""
        now = apps.get_model("devices", "Registration")._default_manager.filter(
            receiver=OuterRef("receiver"), slot=OuterRef("slot"), removed_at=None
        )
        return self.select_related(
            "site", "customer", "receiver__site", "receiver__type", "registration__transmitter", "planned_by", "done_by"
        ).annotate(stands_pk=Subquery(now.values("pk")[:1]), stands_label=Subquery(now.values("label")[:1]))

    def matching(self, words: str) -> Self:
        """Plans whose site, receiver, place or reason holds the words."""
        if not words:
            return self
        return self.filter(
            Q(site__name__icontains=words)
            | Q(site__code__icontains=words)
            | Q(receiver__label__icontains=words)
            | Q(registration__label__icontains=words)
            | Q(registration__transmitter__serial__icontains=words)
            | Q(reason__icontains=words)
        )


class AwayQuerySet(CustomerScoped):
    """Transmitters out of use or off site."""

    def open(self) -> Self:
        """Not back yet."""
        return self.filter(ended_on=None)

    def late_at(self, moment: datetime) -> Self:
        """Not back although it was agreed: the day agreed on is over at the site, by the site's own clock."""
        return self.filter(self._lateness(moment))

    def with_lateness(self, moment: datetime) -> Self:
        """With `is_late`."""
        return self.annotate(is_late=Case(When(self._lateness(moment), then=Value(True)), default=Value(False)))

    def _lateness(self, moment: datetime) -> Q:
        zones_of: dict[date, list[str]] = {}
        open_rows = self.model._default_manager.filter(ended_on=None)
        # At one moment there are two days in the world, or three, so this is a short condition however many zones.
        for zone in open_rows.order_by().values_list("site__time_zone", flat=True).distinct():
            zones_of.setdefault(moment.astimezone(ZoneInfo(zone)).date(), []).append(zone)
        rule = Q(pk__in=[])
        for day, zones in zones_of.items():
            rule |= Q(site__time_zone__in=zones, agreed_until_on__lt=day)
        return rule & Q(ended_on=None)

    def for_list(self) -> Self:
        """With everything that the list says."""
        return self.select_related("site", "customer", "registration__receiver", "registration__transmitter__type")

    def by_return(self) -> Self:
        """Late ones first, those without an agreed day last."""
        return self.order_by(F("agreed_until_on").asc(nulls_last=True), "from_on", "pk")

    def matching(self, words: str) -> Self:
        """Absences whose site, place, serial or person holds the words."""
        if not words:
            return self
        return self.filter(
            Q(site__name__icontains=words)
            | Q(site__code__icontains=words)
            | Q(registration__label__icontains=words)
            | Q(registration__transmitter__serial__icontains=words)
            | Q(agreed_with__icontains=words)
        )
