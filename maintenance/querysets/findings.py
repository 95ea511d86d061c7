"""Reads of findings as they stand: what is open, snoozed or gone, by kind, by site, for the home page."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Self

from django.db.models import Count, F, Min, Q, Window
from django.db.models.functions import RowNumber

from company.querysets import StaffOnly

GONE_DAYS = 30
"""What is no longer found stays listed as gone for so long."""


@dataclass(frozen=True, slots=True)
class FindingChoice:
    """What a list is narrowed to; empty words narrow nothing. `state`: "", "back", "snoozed" or "gone"."""

    kind: str = ""
    duty: str = ""
    customer: str = ""
    words: str = ""
    site: str = ""
    state: str = ""


class FindingQuerySet(StaffOnly):
    """Findings: only the firm's own people see them."""

    def open(self) -> Self:
        """What the records show now, snoozed or not."""
        return self.filter(gone_at=None)

    def awake(self, today: date) -> Self:
        """Open and not resting: a snooze ends with the morning of its day, by itself."""
        return self.open().filter(Q(snoozed_until=None) | Q(snoozed_until__lte=today))

    def snoozed(self, today: date) -> Self:
        """Open and resting."""
        return self.open().filter(snoozed_until__gt=today)

    def back(self, today: date) -> Self:
        """Open, and rested until this morning."""
        return self.open().filter(snoozed_until=today)

    def gone(self, at: datetime) -> Self:
        """What was found and is no longer, for the last weeks."""
        return self.filter(gone_at__gte=at - timedelta(days=GONE_DAYS))

    def narrowed(self, choice: FindingChoice, today: date, at: datetime) -> Self:
        """Findings that a person asked for."""
        states = {
            "back": lambda: self.back(today),
            "snoozed": lambda: self.snoozed(today),
            "gone": lambda: self.gone(at),
        }
        rows = states.get(choice.state, lambda: self.awake(today))()
        if choice.kind:
            rows = rows.filter(code=choice.kind)
        if choice.duty:
            rows = rows.filter(duty=choice.duty)
        if choice.customer.isdecimal():
            rows = rows.filter(customer_id=int(choice.customer))
        if choice.site.isdecimal():
            rows = rows.filter(site_id=int(choice.site))
        return rows.matching(choice.words)

    def matching(self, words: str) -> Self:
        """Findings whose site or place holds the words."""
        if not words:
            return self
        return self.filter(
            Q(site__name__icontains=words) | Q(site__code__icontains=words) | Q(where__icontains=words)
        )  # fmt: skip

    def by_kind(self) -> list[dict[str, Any]]:
        """One row per kind, worst harm first: code, harm, number of findings and of sites, oldest day."""
        rows = self.order_by().values("code").annotate(
            harm=Min("harm"), n=Count("pk"), n_sites=Count("site", distinct=True), since_on=Min("since_on"),
            n_grave=Count("pk", filter=Q(duty="life_safety")),
        )  # fmt: skip
        return list(rows.order_by("harm", "code"))

    def by_site(self) -> Any:
        """One row per site, worst harm first."""
        return (
            self.order_by()
            .values("site_id", "site__name", "customer__name")
            .annotate(harm=Min("harm"), n=Count("pk"), n_grave=Count("pk", filter=Q(duty="life_safety")))
            .order_by("harm", "-n_grave", "-n", "site__name", "site_id")
        )

    def first_of_each(self, column: str, n: int) -> Self:
        """At most `n` rows of each value of a column, worst first."""
        place = Window(RowNumber(), partition_by=F(column), order_by=[F("harm"), F("since_on").asc(), F("pk")])
        return self.annotate(place_in_group=place).filter(place_in_group__lte=n)

    def for_list(self) -> Self:
        """With what a line names; without the bulk of a site."""
        return self.select_related("site", "receiver", "customer", "snoozed_by")

    def in_order(self) -> Self:
        """Worst harm first, then the oldest."""
        return self.order_by("harm", F("since_on").asc(nulls_last=True), "site__name", "receiver_id", "slot", "pk")
