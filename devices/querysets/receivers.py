"""Every read of receivers and their outputs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, tzinfo
from typing import Any, Self, cast

from django.apps import apps
from django.db.models import Count, Exists, F, IntegerField, Min, OuterRef, Q, Subquery, Value
from django.db.models.functions import Coalesce, Greatest

from company.querysets import CustomerScoped
from devices.querysets.moments import heard_moment
from devices.querysets.prepared import rows_of
from devices.querysets.serials import looking_like
from devices.querysets.stamps import map_heads
from devices.rules.slot_map import OutputUse, SlotRow
from devices.rules.supervision import (
    DAY_S,
    EVERY,
    VISITS,
    ReceiverEvidence,
    StandingFault,
    TransmitterEvidence,
    allowed_gap_s,
    judge,
)


def _last_heard(receiver_ids: Sequence[int]) -> dict[int, dict[int, datetime]]:
    """Receiver → slot → last check-in."""
    if not receiver_ids:
        return {}
    heard: dict[int, dict[int, datetime]] = {}
    for receiver_id, slot, day, seconds in (
        apps.get_model("devices", "Registration")
        ._default_manager.open()
        .filter(receiver__in=receiver_ids, transmitter__isnull=False)
        .with_last_check_in()
        .values_list("receiver_id", "slot", "heard_day", "heard_s")
    ):
        if (at := heard_moment(day, seconds)) is not None:
            heard.setdefault(receiver_id, {})[slot] = at
    return heard


def _was_heard(receiver: Any, row: SlotRow, heard_at: datetime | None, zone: tzinfo) -> bool:
    """Whether one transmitter was heard within its window, up to what the source has delivered."""
    mark = receiver.heard_until
    if heard_at is None or mark is None or row.registered_at is None:
        return False
    facts = TransmitterEvidence(
        grade=receiver.evidence, window_s=row.window_s, interval_s=row.interval_s, registered_at=row.registered_at,
        heard_at=heard_at.astimezone(zone), watermark_at=mark.astimezone(zone),
    )  # fmt: skip
    if judge(facts, mark.astimezone(zone).date()).code != "heard":
        return False
    # Without window and interval a day is the longest silence that still counts as heard.
    is_bounded = allowed_gap_s(row.window_s, row.interval_s) is not None
    return is_bounded or (mark - heard_at).total_seconds() <= DAY_S


def receiver_evidence(
    row: Any,
    slots: Sequence[SlotRow],
    now: datetime,
    heard: Mapping[int, datetime],
    tried: Mapping[int, bool | None],
    faults: Sequence[StandingFault],
) -> ReceiverEvidence:
    """What is known of one receiver; `heard` and `tried` by slot, `row` with `visited_at` and its site."""
    zone = row.site.zone
    expected = [slot for slot in slots if not slot.is_away and not slot.nothing_answers]
    return ReceiverEvidence(
        grade=row.evidence,
        n_registered=len(expected),
        n_heard=sum(1 for slot in expected if _was_heard(row, slot, heard.get(slot.slot), zone)),
        n_faults=len(faults),
        faults=tuple(faults),
        heard_at=max((heard[slot.slot].astimezone(zone) for slot in expected if slot.slot in heard), default=None),
        judged_at=now.astimezone(zone),
        shortest_window_s=min((slot.window_s for slot in expected if slot.window_s), default=None),
        link_tested_at=row.link_tested_at.astimezone(zone) if row.link_tested_at else None,
        watermark_at=row.heard_until.astimezone(zone) if row.heard_until else None,
        visited_on=row.visited_at.astimezone(zone).date() if row.visited_at else None,
        n_not_in_order=sum(1 for slot in expected if tried.get(slot.slot) is False),
        n_not_looked_at=sum(1 for slot in expected if slot.slot not in tried),
    )


def evidence_of(row: Any, slots: Sequence[SlotRow], now: datetime, faults: Sequence[StandingFault]) -> ReceiverEvidence:
    """What is known of one receiver whose last visit and faults were read before; one query."""
    heard = _last_heard([row.pk]).get(row.pk, {}) if row.evidence == EVERY else {}
    tried = _tried({row.pk: row.visit_id}).get(row.pk, {}) if row.evidence == VISITS and row.visit_id else {}
    return receiver_evidence(row, slots, now, heard, tried, faults)


def _tried(visits: Mapping[int, int]) -> dict[int, dict[int, bool | None]]:
    """Receiver → slot → what the last walk test of that receiver's visit found (None: touched, not walk-tested)."""
    if not visits:
        return {}
    tried: dict[int, dict[int, bool | None]] = {}
    for receiver_id, visit_id, slot, was_heard in (
        apps.get_model("devices", "Registration")
        ._default_manager.filter(
            receiver__in=visits.keys(), entries__visit__in=set(visits.values()), entries__is_withdrawn=False
        )
        .order_by("entries__made_at", "entries__pk")
        .values_list("receiver_id", "entries__visit_id", "slot", "entries__walk_test__heard")
    ):
        if visits[receiver_id] == visit_id:
            slots = tried.setdefault(receiver_id, {})
            slots[slot] = was_heard if was_heard is not None else slots.get(slot)
    return tried


class ReceiverQuerySet(CustomerScoped):
    """Receivers."""

    def open(self) -> Self:
        """Receivers that hang there now."""
        return self.filter(removed_at=None)

    def looking_like(self, serial: str) -> Self:
        """Receivers whose serial differs only in capitals, blanks or hyphens."""
        return cast(Self, looking_like(self, serial))

    def for_list(self) -> Self:
        """With site, customer, type and the numbers of slots in use and spare."""
        n_used = Count("registrations", filter=Q(registrations__removed_at=None), distinct=True)
        # Slots beyond the number of its type are kept to be put right; they leave no spare ones behind.
        return self.select_related("site", "customer", "type").annotate(
            n_used=n_used, n_spare=Greatest(F("n_slots") - n_used, Value(0), output_field=IntegerField())
        )

    def with_due(self) -> Self:
        """With the first due date of anything on the receiver."""
        # Due items are rows of the app above; a lookup by name keeps imports pointing one way.
        first = (
            self.model._default_manager.filter(pk=OuterRef("pk"))
            .values("pk")
            .annotate(first=Min("due_items__due_on", filter=Q(due_items__is_closed=False)))
            .values("first")
        )
        return self.annotate(first_due_on=Subquery(first))

    def late_on(self, day: date) -> Self:
        """With the number of things past their due date on a day, and of these the ones on a life-safety duty."""
        late = Q(due_items__is_closed=False, due_items__due_on__lt=day)
        counts = self.model._default_manager.filter(pk=OuterRef("pk")).values("pk")

        def count(condition: Q) -> Coalesce:
            rows = counts.annotate(n=Count("due_items", filter=condition, distinct=True)).values("n")
            return Coalesce(Subquery(rows, output_field=IntegerField()), 0)

        return self.annotate(n_late=count(late), n_grave=count(late & Q(due_items__duty="life_safety")))

    def evidence(self, rows: Mapping[int, Sequence[SlotRow]], now: datetime) -> dict[int, ReceiverEvidence]:
        """What is known of each receiver today, for the one honest sentence; four queries for any number of receivers.

        `rows` are the slot maps of today by receiver, as `slot_rows` reads them.
        """
        last_visit = (
            self.model._default_manager.filter(pk=OuterRef("pk"), entries__visit__state="finished")
            .order_by("-entries__visit__finished_at")
            .values("entries__visit_id", "entries__visit__finished_at")
        )
        receivers = list(
            self.select_related("site").annotate(
                visit_id=Subquery(last_visit.values("entries__visit_id")[:1]),
                visited_at=Subquery(last_visit.values("entries__visit__finished_at")[:1]),
            )
        )
        heard = _last_heard([row.pk for row in receivers if row.evidence == EVERY])
        faults: dict[int, list[StandingFault]] = (
            apps.get_model("devices", "Fault")._default_manager.filter(receiver__in=receivers).told()
        )
        tried = _tried({row.pk: row.visit_id for row in receivers if row.evidence == VISITS and row.visit_id})
        return {
            row.pk: receiver_evidence(
                row, rows.get(row.pk, ()), now, heard.get(row.pk, {}), tried.get(row.pk, {}), faults.get(row.pk, ())
            )
            for row in receivers
        }

    def for_map(self, **wanted: Any) -> list[dict[str, Any]]:
        """All that heads the slot maps of the receivers wanted, with stamps of what the maps stand on; one query."""
        return map_heads(self, **wanted)

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


def _uses(outputs: Any, receiver: int | None = None) -> Any:
    if receiver is not None:
        outputs = outputs.filter(receiver=receiver)
    names = [field.attname for field in outputs.model._meta.concrete_fields]
    used = ("registrations__registration_id", "registrations__behaviour", "registrations__seconds")
    return outputs.order_by("receiver_id", "number", "pk").values_list(*names, *used)


class OutputQuerySet(CustomerScoped):
    """Outputs of receivers."""

    site_path = "receiver__site_id"

    def with_uses(self, receiver: int | None = None) -> tuple[list[Any], dict[int, list[OutputUse]]]:
        """Outputs in order, and registration → what it drives, former ones too; one query for both.

        Who wants one receiver names it here instead of filtering: the text of that query is kept.
        """
        outputs: dict[int, Any] = {}
        uses: dict[int, list[OutputUse]] = {}
        names = [field.attname for field in self.model._meta.concrete_fields]
        found = _uses(self) if receiver is None else rows_of(self, _uses, receiver=receiver)
        for *values, registration, behaviour, seconds in found:
            facts = dict(zip(names, values, strict=True))
            output = outputs.get(facts["id"]) or outputs.setdefault(facts["id"], self.model(**facts))
            if registration is not None:
                known = "" if behaviour == "unknown" else behaviour
                uses.setdefault(registration, []).append(OutputUse(output.number, known, seconds))
        return list(outputs.values()), uses

    def in_use(self) -> Self:
        """Outputs that something hangs on, or that a slot in force drives."""
        driven = (
            apps.get_model("devices", "RegistrationOutput")
            ._default_manager.filter(output=OuterRef("pk"), registration__removed_at=None)
            .values("pk")
        )
        return self.filter(~Q(drives="") | Exists(driven))
