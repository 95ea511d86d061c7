"""Reads of faults as people look at them: what stands, worst first, by site, for the home page; nothing here writes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.apps import apps
from django.db.models import (
    Case,
    Count,
    Exists,
    F,
    IntegerField,
    Min,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    Value,
    When,
    Window,
)
from django.db.models.functions import Coalesce, RowNumber

from maintenance.rules.fault_words import DEAD, DEAD_RECEIVER, DUTY_ORDER, KINDS, LIFE_SAFETY, RECEIVER

DAYS = (1, 7, 30, 90, 365)
"""Spans that ended faults can be asked for [d]."""
ENDED_DAYS = 30
"""Span that ended faults are shown of unless somebody asks otherwise [d]."""
OPEN = Q(cleared_at=None)
"""What stands: the condition is there. Everything that counts standing faults counts these."""
CARED_FOR = Q(site__closed_at=None)
"""At sites that are looked after: what stands at a closed one waits for nobody. Its own pages, and what ended, still tell."""
WORST_FIRST = ("is_over", "harm", "kind_at", "-n_hanging", "raised_at", "pk")
STANDS = Q(cleared_at=None) | Q(is_latched=True, latch_cleared_at=None)


@dataclass(frozen=True, slots=True)
class FaultChoice:
    """What a list is narrowed to; empty words narrow nothing.

    `state`: "" what stands or still shows on the receiver, "open" what stands, "new" of it what nobody has acknowledged,
    "latched" what is over but still shows on the receiver, "ended" what is over and cleared. `duty` is a duty class or
    "receiver". `days` counts from when it was raised, for ended ones from when they ended.
    """

    state: str = ""
    kind: str = ""
    duty: str = ""
    customer: str = ""
    site: str = ""
    days: str = ""
    words: str = ""


def narrowed(faults: QuerySet[Any], choice: FaultChoice, at: datetime) -> QuerySet[Any]:
    """Faults that a person asked for."""
    rows = _in_state(faults, choice, at)
    if choice.kind:
        rows = rows.filter(kind=choice.kind)
    if choice.duty:
        rows = rows.filter(of_duty(choice.duty))
    if choice.customer.isdecimal():
        rows = rows.filter(customer_id=int(choice.customer))
    if choice.site.isdecimal():
        rows = rows.filter(site_id=int(choice.site))
    return matching(rows, choice.words)


def _in_state(faults: QuerySet[Any], choice: FaultChoice, at: datetime) -> QuerySet[Any]:
    days = int(choice.days) if choice.days.isdecimal() else 0
    if choice.state == "ended":
        rows = faults.exclude(STANDS)
        return rows.filter(cleared_at__gte=at - timedelta(days=days)) if days else rows
    rows = faults.filter(STANDS, CARED_FOR)
    if choice.state in ("open", "new"):
        rows = rows.filter(OPEN)
    elif choice.state == "latched":
        rows = rows.exclude(OPEN)
    if choice.state == "new":
        rows = rows.filter(acknowledged_at=None)
    return rows.filter(raised_at__gte=at - timedelta(days=days)) if days else rows


def own_duty(duty: str) -> Q:
    """Faults of slots of this duty class; "receiver": of receivers themselves."""
    return Q(registration=None) if duty == RECEIVER else Q(registration__duty=duty)


def on_life_safety() -> Q:
    """Faults on life safety: of such slots, and of receivers on which any such slot hangs. What counts them counts these."""
    return Q(registration__duty=LIFE_SAFETY) | _of_grave_receiver()


def _hanging() -> QuerySet[Any]:
    """Slots on life safety that hang on the receiver of a fault."""
    # By name: the models' own modules import those of reads.
    return apps.get_model("devices", "Registration")._default_manager.filter(
        receiver=OuterRef("receiver"), removed_at=None, duty=LIFE_SAFETY
    )


def _of_grave_receiver() -> Q:
    return Q(registration=None) & Q(Exists(_hanging()))


def of_duty(duty: str) -> Q:
    """Faults that a person means by a duty class; "receiver": those of receivers themselves, whatever hangs on them."""
    return on_life_safety() if duty == LIFE_SAFETY else own_duty(duty)


def matching(faults: QuerySet[Any], words: str) -> QuerySet[Any]:
    """Faults whose site, receiver, place, or serial number holds the words."""
    if not words:
        return faults
    return faults.filter(
        Q(site__name__icontains=words) | Q(site__code__icontains=words) | Q(receiver__label__icontains=words)
        | Q(registration__label__icontains=words) | Q(transmitter__serial__icontains=words)
    )  # fmt: skip


def with_harm(faults: QuerySet[Any]) -> QuerySet[Any]:
    """With `harm` as `fault_words.rank` gives it, `kind_at` among its duty, and `is_over` (0, or 1 for only latched)."""
    duties = [When(own_duty(duty), then=Value(1 + n)) for n, duty in enumerate(DUTY_ORDER)]
    dead = Q(kind="outage") | Q(registration__duty=LIFE_SAFETY, kind__in=DEAD)
    dead |= Q(kind__in=DEAD_RECEIVER) & _of_grave_receiver()
    grave = When(_of_grave_receiver(), then=Value(1 + DUTY_ORDER.index(LIFE_SAFETY)))
    return faults.annotate(
        harm=Case(When(dead, then=Value(0)), grave, *duties, default=Value(len(DUTY_ORDER)), output_field=IntegerField()),
        kind_at=Case(
            *(When(kind=kind, then=Value(n)) for n, kind in enumerate(KINDS)), default=Value(len(KINDS)),
            output_field=IntegerField(),
        ),
        is_over=Case(When(cleared_at=None, then=Value(0)), default=Value(1), output_field=IntegerField()),
    )  # fmt: skip


def worst_first(faults: QuerySet[Any]) -> QuerySet[Any]:
    """What stands before what only shows on the receiver, then by harm; of one kind that on which most hangs, then the oldest."""
    n = _hanging().order_by().values("receiver").annotate(n=Count("pk")).values("n")
    hanging = Case(
        When(registration=None, then=Coalesce(Subquery(n), 0)), default=Value(0), output_field=IntegerField()
    )
    return with_harm(faults).annotate(n_hanging=hanging).order_by(*WORST_FIRST)


def by_site(faults: QuerySet[Any]) -> QuerySet[Any]:
    """One row per site, the worst first."""
    rows = with_harm(faults).order_by().values("site_id", "site__name", "site__time_zone", "customer__name")
    return rows.annotate(
        n=Count("pk"), n_open=Count("pk", filter=OPEN), n_latched=Count("pk", filter=~OPEN), over=Min("is_over"),
        n_new=Count("pk", filter=Q(OPEN, acknowledged_at=None)), worst=Min(F("harm") * 100 + F("kind_at")),
        n_grave=Count("pk", filter=OPEN & on_life_safety()), first_at=Min("raised_at"),
    ).order_by("over", "worst", "-n_grave", "first_at", "site_id")  # fmt: skip


def for_lines(faults: QuerySet[Any]) -> QuerySet[Any]:
    """With everything that a line about a fault names; `is_grave_place` tells whether it is on life safety."""
    named = faults.select_related(
        "customer", "site", "receiver__type", "registration__transmitter__type", "transmitter__type", "acknowledged_by"
    )
    return with_place_now(with_grave_place(named))


def with_grave_place(faults: QuerySet[Any]) -> QuerySet[Any]:
    """With `is_grave_place`: whether the fault is on life safety."""
    return faults.annotate(is_grave_place=Case(When(on_life_safety(), then=True), default=False))


def with_place_now(faults: QuerySet[Any]) -> QuerySet[Any]:
    """With `now_slot` and `now_label`: where the transmitter stands today, which may have moved on its receiver since."""
    now = (
        apps.get_model("devices", "Registration")
        ._default_manager.filter(receiver=OuterRef("receiver"), transmitter=OuterRef("transmitter"), removed_at=None)
        .order_by("slot", "pk")
    )
    # One place and not two: a transmitter may be registered in several slots, and then the one it was raised for counts.
    return faults.annotate(now_slot=Subquery(now.values("slot")[:1]), now_label=Subquery(now.values("label")[:1]))


def first_of_sites(faults: QuerySet[Any], n: int) -> QuerySet[Any]:
    """The first few of each site in the order that they have; all others are left out."""
    return faults.annotate(nth=Window(RowNumber(), partition_by=F("site"), order_by=list(WORST_FIRST))).filter(
        nth__lte=n
    )


def counted(faults: QuerySet[Any]) -> dict[str, int]:
    """What stands: all, not acknowledged, on life safety; beside it what is over but latched. In one query.

    The one count of every page: the home page, the list, a site's head.
    """
    return faults.filter(STANDS, CARED_FOR).aggregate(
        n=Count("pk", filter=OPEN), n_new=Count("pk", filter=Q(OPEN, acknowledged_at=None)),
        n_grave=Count("pk", filter=OPEN & on_life_safety()), n_latched=Count("pk", filter=~OPEN),
    )  # fmt: skip


# --- the home page --------------------------------------------------------------------------------------------------------


def by_kind_now(faults: QuerySet[Any]) -> list[dict[str, Any]]:
    """What stands by kind and duty, worst first: how many, not acknowledged, on life safety, over but latched."""
    rows = with_harm(faults.filter(STANDS, CARED_FOR)).order_by().values("kind", "registration__duty").annotate(
        n=Count("pk", filter=OPEN), n_new=Count("pk", filter=Q(OPEN, acknowledged_at=None)),
        n_grave=Count("pk", filter=OPEN & on_life_safety()), n_latched=Count("pk", filter=~OPEN),
        worst=Min("harm", filter=OPEN), at=Min("kind_at"),
    )  # fmt: skip
    # One row for receivers of one kind, as bad as the worst of them; what only shows on a receiver comes last.
    found = [row | {"harm": len(DUTY_ORDER) if row["worst"] is None else row["worst"]} for row in rows]
    return sorted(found, key=lambda row: (row["harm"], row["at"], row["registration__duty"] or ""))


def newest(faults: QuerySet[Any], n: int) -> list[Any]:
    """The faults that reached us last, of those that are there."""
    return list(for_lines(faults.filter(CARED_FOR, cleared_at=None)).order_by("-recorded_at", "-pk")[:n])


def evidence_now(receivers: QuerySet[Any], since: datetime) -> dict[str, Any]:
    """How we know of receivers in service at sites that are looked after: by grade, of how many something came since `since`, and what came last."""
    open_ = Q(CARED_FOR, removed_at=None)
    return receivers.aggregate(
        n=Count("pk", filter=open_), n_every=Count("pk", filter=open_ & Q(evidence="every")),
        n_exceptions=Count("pk", filter=open_ & Q(evidence="exceptions")),
        n_fresh=Count("pk", filter=open_ & Q(evidence="every", heard_until__gte=since)),
        n_tested=Count("pk", filter=open_ & Q(evidence="exceptions", link_tested_at__gte=since)),
        oldest=Min("heard_until", filter=open_ & Q(evidence="every", heard_until__gte=since)),
    )  # fmt: skip
