"""Every read of transmitters and what hangs on them: cells, days of check-ins, faults."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from typing import TYPE_CHECKING, Any, ClassVar, Self
from zoneinfo import ZoneInfo

from django.apps import apps
from django.contrib.auth.models import AnonymousUser
from django.db.models import F, Q
from django.utils import timezone

from company.querysets import CustomerScoped, scope_of
from devices.querysets.prepared import rows_of
from devices.querysets.serials import looking_like
from devices.querysets.ways_in import still_heard
from devices.rules.silence import LINK_LOST
from devices.rules.supervision import StandingFault

if TYPE_CHECKING:
    from company.models import User


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

    def looking_like(self, serial: str) -> list[Any]:
        """Transmitters whose serial differs only in capitals, blanks or hyphens; those in use first."""
        rows = looking_like(self, serial).select_related("type")
        return list(rows.order_by(F("retired_at").asc(nulls_first=True), "pk"))


class FittingQuerySet(OfTransmitter):
    """Cells fitted."""

    def open(self) -> Self:
        """Cells in service now."""
        return self.filter(removed_at=None)

    def newest_first(self) -> Self:
        """As a ledger shows them: the set in service first, those of unknown age by when they were entered."""
        return self.select_related("battery_type").order_by(
            F("removed_at").desc(nulls_first=True), "-entered_at", "-pk"
        )

    def as_of(self, at: datetime) -> Self:
        """Cells in service at a moment; those of unknown age count from when our records begin."""
        begun = Q(fitted_at__lte=at) | Q(fitted_at=None, entered_at__lte=at)
        return self.filter(begun & (Q(removed_at=None) | Q(removed_at__gt=at)))


class FittingTotalsQuerySet(OfTransmitter):
    """Raw sums of fittings."""

    transmitter_path = "fitting__transmitter_id"


class FittingEndQuerySet(FittingTotalsQuerySet):
    """What was said about how cells ended."""

    def in_force(self) -> Self:
        """What holds: neither corrected nor taken back."""
        return self.filter(corrected_by=None, taken_back_at=None)

    def newest_first(self) -> Self:
        """All statements, former ones too."""
        return self.select_related("by").order_by("-pk")


class CheckInQuerySet(OfTransmitter):
    """Days of check-ins."""

    def last_heard_at(self, transmitter_id: int, *, since: datetime, until: datetime) -> datetime | None:
        """Moment of the last check-in of a transmitter within a span; None where none reached us."""
        mine = self.filter(transmitter_id=transmitter_id, day__gte=since.astimezone(UTC).date(), heard__gt=0)
        row = mine.filter(day__lte=until.astimezone(UTC).date()).order_by("-day").values("day", "last_heard_s").first()
        if row is None:
            return None
        midnight = datetime.combine(row["day"], time(), tzinfo=UTC)
        # Where only the day was kept, its end is the best that can be said.
        heard_at = midnight + timedelta(seconds=row["last_heard_s"] if row["last_heard_s"] is not None else 86_399)
        return min(max(heard_at, since), until)


def _told(faults: Any, receiver: int | None = None) -> Any:
    if receiver is not None:
        faults = faults.filter(receiver=receiver)
    return (
        faults.standing()
        .order_by("raised_at", "pk")
        .values_list(
            "receiver_id", "kind", "raised_at", "cleared_at", "transmitter_id", "transmitter__serial",
            "registration__slot", "registration__label", "registration__duty", "site__time_zone", "pk",
        )
    )  # fmt: skip


class FaultQuerySet(CustomerScoped):
    """Faults."""

    def open(self) -> Self:
        """Faults whose condition is still there."""
        return self.filter(cleared_at=None)

    def latched(self) -> Self:
        """Faults that still show on the receiver because nobody has cleared it."""
        return self.filter(is_latched=True, latch_cleared_at=None)

    def standing(self) -> Self:
        """Faults that still show: the condition is there, or it is latched and nobody has cleared the receiver."""
        return self.filter(Q(cleared_at=None) | Q(is_latched=True, latch_cleared_at=None))

    def told(self, receiver: int | None = None) -> dict[int, list[StandingFault]]:
        """Receiver → its standing faults as plain facts, oldest first, with days in the site's time zone.

        Who wants one receiver names it here instead of filtering: the text of that query is kept.
        """
        kinds = {code: str(words) for code, words in self.model.Kind.choices}
        found: dict[int, list[StandingFault]] = {}
        found_rows = _told(self) if receiver is None else rows_of(self, _told, receiver=receiver)
        for receiver_pk, kind, raised_at, cleared_at, transmitter, serial, slot, label, duty, zone, pk in found_rows:
            since_at = raised_at.astimezone(ZoneInfo(zone))
            over_on = cleared_at.astimezone(ZoneInfo(zone)).date() if cleared_at else None
            fault = StandingFault(
                kind=kinds.get(kind, kind), place=label or serial or "", slot=slot, transmitter_pk=transmitter,
                since_on=since_at.date(), is_over=cleared_at is not None, duty=duty or "", code=kind, pk=pk, since_at=since_at,
                over_on=over_on,
            )  # fmt: skip
            found.setdefault(receiver_pk, []).append(fault)
        return _with_ways(found)


def _with_ways(found: dict[int, list[StandingFault]]) -> dict[int, list[StandingFault]]:
    """Say of a lost link by which other way the receiver is still heard; no query where no link is lost."""
    cut = {pk for pk, faults in found.items() for fault in faults if fault.code == LINK_LOST and not fault.is_over}
    for pk, (lost, still) in still_heard(cut, timezone.now()).items():
        found[pk] = [
            replace(fault, lost_way=lost, still_by=still) if fault.code == LINK_LOST and not fault.is_over else fault
            for fault in found[pk]
        ]
    return found
