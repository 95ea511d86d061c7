"""Whether mails about faults go: said at once where the office looks, not only after the last attempt."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Count, Max, Min, Q

from company.access import PersonRequest
from company.invitations import has_mail
from maintenance.actions.notices import MOST_ATTEMPTS
from maintenance.models import FaultNotice, NoticeRule
from maintenance.querysets import notices as read

OVERDUE = timedelta(minutes=10)
"""A mail whose time has come goes within a minute or so; after this nobody sends."""

LATELY = timedelta(days=7)
"""So long it is said that a mail did not reach all of its recipients; its own page says it for good."""


@dataclass(frozen=True, slots=True)
class MailHealth:
    """What keeps mails about faults from going; all zero and `has_mail` where nothing does.

    `n_rules`: rules in force, counted only where there is no mail server.
    `n_partly`: sent lately, though the server refused them for some recipients, as `refused` says of the newest.
    `n_waiting`: whose time has come; `n_failing`: of those, tried in vain; `n_overdue`: not tried at all for long, although
    there is a mail server; `error`: what the newest attempt met.
    """

    has_mail: bool
    n_rules: int
    n_waiting: int = 0
    n_failing: int = 0
    n_overdue: int = 0
    n_failed: int = 0
    attempts: int = 0
    most: int = MOST_ATTEMPTS
    oldest_at: datetime | None = None
    error: str = ""
    n_partly: int = 0
    refused: str = ""

    @property
    def is_trouble(self) -> bool:
        """Whether there is something to say."""
        if not self.has_mail:
            return bool(self.n_rules or self.n_waiting or self.n_failed)
        return bool(self.n_failing or self.n_overdue or self.n_failed or self.n_partly)

    @property
    def can_go(self) -> bool:
        """Whether a mail that is due now would go, as far as is known: nothing is in its way."""
        return self.has_mail and not self.n_failing and not self.n_overdue


def mail_health(request: PersonRequest, now: datetime) -> MailHealth:
    """How mails about faults fare, in one query where all is well."""
    notices, can_go = FaultNotice.objects.visible_to(request.user), has_mail()
    n_rules = 0 if can_go else NoticeRule.objects.visible_to(request.user).filter(is_active=True).count()
    failing = Q(state="waiting", attempts__gt=0) & ~Q(error="")
    come = Q(state="waiting", send_at__lte=now)
    partly = read.PARTLY & Q(sent_at__gte=now - LATELY)
    found = notices.filter(Q(state__in=("waiting", "failed")) | partly).aggregate(
        n_waiting=Count("pk", filter=come | failing), n_failing=Count("pk", filter=failing),
        n_overdue=Count("pk", filter=Q(state="waiting", attempts=0, send_at__lt=now - OVERDUE)),
        n_failed=Count("pk", filter=Q(state="failed")), oldest_at=Min("made_at", filter=come | failing),
        attempts=Max("attempts", filter=failing), n_partly=Count("pk", filter=partly),
    )  # fmt: skip
    error = ""
    if found["n_failing"]:
        error = notices.filter(failing).order_by("-send_at", "-pk").values_list("error", flat=True)[0]
    refused = ""
    if found["n_partly"]:
        refused = notices.filter(partly).order_by("-sent_at", "-pk").values_list("error", flat=True)[0]
    return MailHealth(can_go, n_rules, error=error, refused=refused, **(found | {"attempts": found["attempts"] or 0}))
