"""Reads behind notices: which faults a rule tells of, which mails are to go, whom nobody has answered."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Count, Exists, F, Max, OuterRef, Q, QuerySet

from devices.rules.silence import AWAY, LATE, OUTAGE
from maintenance.querysets.faults import CARED_FOR, with_grave_place, with_place_now
from maintenance.rules.fault_ends import cause_of
from maintenance.rules.fault_words import LIFE_SAFETY, TOLD_ANYWAY_S, kind_order, rank

SWEPT = timedelta(days=1)
"""What was recorded within this time and stands untold is found again, should the word of it have been lost."""

MOST_AT_ONCE = 20
"""Mails sent in one go; the next follow with the next beat."""

PARTLY = Q(state="sent") & ~Q(error="")
"""Mails that went, though the server refused them for some of their recipients."""
FAILED_OR_PARTLY = Q(state="failed") | PARTLY


def duty_of(fault: Any) -> str:
    """Duty by which rules choose: that of the slot, else "receiver"."""
    return fault.registration.duty if fault.registration_id else "receiver"


def is_news(fault: Any) -> bool:
    """Whether people want to hear of a fault: it stands and nobody has acknowledged it, or it may have left somebody
    without help for a while (`TOLD_ANYWAY_S`) though it is over now. One that late check-ins have disproved, or of what is
    away as agreed, has left nobody without help. Of a closed site nobody wants to hear.
    """
    if fault.acknowledged_at is not None or fault.site.closed_at is not None:
        return False
    if fault.cleared_at is None:
        return True
    if cause_of(fault.cause) in (LATE, AWAY):
        return False
    stood_s = (fault.cleared_at - fault.raised_at).total_seconds()
    return (duty_of(fault) == LIFE_SAFETY or fault.kind == OUTAGE) and stood_s >= TOLD_ANYWAY_S


def is_told(fault: Any, *, is_reminder: bool) -> bool:
    """Whether a mail names a fault: one that is news, and in a reminder only while it stands; its end needs no answer."""
    return is_news(fault) and not (is_reminder and fault.cleared_at is not None)


def news(faults: QuerySet[Any], *, is_reminder: bool = False) -> list[Any]:
    """Of these faults those that people want to hear of, what stands before what is over, worst first, for a line about each."""
    rows = [fault for fault in with_place(faults) if is_told(fault, is_reminder=is_reminder)]
    return sorted(
        rows,
        key=lambda one: (
            one.cleared_at is not None,
            rank(one.kind, duty_of(one), hangs=one.is_grave_place),
            kind_order(one.kind),
            one.raised_at,
            one.pk,
        ),
    )


def with_place(faults: QuerySet[Any]) -> QuerySet[Any]:
    """Faults with everything that a line about them names."""
    named = faults.select_related(
        "customer", "site", "receiver__type", "registration", "registration__transmitter__type", "transmitter__type"
    )
    return with_place_now(with_grave_place(named))


def for_rule(faults: QuerySet[Any], rule: Any) -> QuerySet[Any]:
    """Faults that this rule is about."""
    of_duty = Q(registration=None) if rule.duty == "receiver" else Q(registration__duty=rule.duty)
    rows = faults.filter(of_duty)
    return rows.filter(customer_id=rule.customer_id) if rule.customer_id else rows


def untold(faults: QuerySet[Any], told: QuerySet[Any], rule: Any, at: datetime) -> list[int]:
    """Keys of lately recorded faults of a rule that stand, that nobody has acknowledged and that no notice of it holds.

    A notice that was dropped told nobody: what was over by then may stand again.
    """
    rows = for_rule(faults, rule).filter(
        CARED_FOR,
        cleared_at=None,
        acknowledged_at=None,
        recorded_at__gt=max(rule.created_at, at - SWEPT),
        recorded_at__lte=at,
    )
    rows = rows.exclude(Exists(told.filter(rule=rule, fault=OuterRef("pk")).exclude(notice__state="dropped")))
    return list(rows.order_by("pk").values_list("pk", flat=True)[:1000])


def to_send(notices: QuerySet[Any], at: datetime) -> list[int]:
    """Keys of the waiting notices whose time has come, oldest first."""
    return list(
        notices.filter(state="waiting", send_at__lte=at)
        .order_by("send_at", "pk")
        .values_list("pk", flat=True)[:MOST_AT_ONCE]
    )


def unanswered(told: QuerySet[Any], rule: Any) -> list[tuple[int, int, int, datetime | None]]:
    """Faults of a rule that stand unacknowledged after a mail: key, customer, how often told before, when last.

    A fault whose last notice has not gone yet has no "when last".
    """
    rows = told.filter(rule=rule, fault__cleared_at=None, fault__acknowledged_at=None, fault__site__closed_at=None)
    last = told.filter(rule=rule, fault=OuterRef("fault")).order_by("-nth")
    newest = rows.filter(nth=last.values("nth")[:1])
    found = newest.annotate(last_at=F("notice__sent_at")).order_by("fault")
    return list(found.values_list("fault_id", "customer_id", "nth", "last_at"))


def sent_of_outages(
    told: QuerySet[Any], rule: Any, receiver_ids: Iterable[int], since: datetime
) -> dict[int, set[datetime]]:
    """Receiver → when mails of a rule about its outages went since a moment; reminders left out."""
    rows = told.filter(
        rule=rule, fault__kind=OUTAGE, fault__receiver__in=receiver_ids, notice__sent_at__gt=since,
        notice__is_reminder=False,
    )  # fmt: skip
    found: dict[int, set[datetime]] = {}
    for receiver, sent_at in rows.values_list("fault__receiver_id", "notice__sent_at"):
        found.setdefault(receiver, set()).add(sent_at)
    return found


def outages_of(faults: QuerySet[Any], receiver_ids: Iterable[int], since: datetime) -> dict[int, list[datetime]]:
    """Receiver → when it fell deaf since a moment."""
    rows = faults.filter(kind=OUTAGE, receiver__in=receiver_ids, raised_at__gt=since).exclude(cause=LATE)
    found: dict[int, list[datetime]] = {}
    for receiver, raised_at in rows.values_list("receiver_id", "raised_at"):
        found.setdefault(receiver, []).append(raised_at)
    return found


def for_log(notices: QuerySet[Any]) -> QuerySet[Any]:
    """Notices as the log of mails lists them, newest first."""
    return notices.select_related("rule", "rule__customer").order_by("-made_at", "-pk")


def with_numbers(notices: QuerySet[Any]) -> QuerySet[Any]:
    """Notices with how many faults each holds, and how many of those nobody has acknowledged."""
    return notices.annotate(
        n=Count("told"), n_new=Count("told", filter=Q(told__fault__acknowledged_at=None, told__fault__cleared_at=None))
    )


def with_last_mail(rules: QuerySet[Any]) -> QuerySet[Any]:
    """Rules with the time of their last mail, and how many there are."""
    return rules.annotate(last_sent_at=Max("notices__sent_at"), n_notices=Count("notices"))
