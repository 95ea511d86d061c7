"""Letting findings rest until a day, with a reason, waking them, and taking either back."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from uuid import UUID

from django.db import transaction
from django.utils.translation import gettext as _

from company.access import OFFICE
from company.actions import facts_of, record_change
from company.errors import Refused
from company.manner import day_said
from company.models import ChangeRow, User
from company.undo import Undone, undoes
from maintenance.models import FindingRecord
from maintenance.rules.findings import SNOOZE_DAYS_GRAVE, longest_snooze_days

SNOOZE_FACTS = ("snoozed_until", "snooze_reason")


class NotSnoozed(Refused):
    """The snooze was not written; the words say what to do."""


def _locked(pks: Sequence[int]) -> list[FindingRecord]:
    rows = FindingRecord.objects.open().filter(pk__in=pks).select_for_update(of=("self",)).order_by("pk")
    found = list(rows)
    if not found:
        raise NotSnoozed(_("None of these is found any more. Go back to the list: there is nothing left to do here."))
    return found


@transaction.atomic
def snooze_findings(*, pks: Sequence[int], until: date, reason: str, by: User, at: datetime, today: date) -> UUID:
    """Let findings rest until the morning of a day. Gives the number of this deed, by which it can be taken back.

    Findings that have gone meanwhile are left out. Refused (NotSnoozed): no reason, a day that is not to come or lies
    further ahead than allowed (life safety less far than the rest), nothing left.
    """
    reason = reason.strip()
    if not reason:
        raise NotSnoozed(_("Say in a few words why this can wait: whoever looks for it will read it."))
    rows = _locked(pks)
    longest = longest_snooze_days(row.duty for row in rows)
    last = today + timedelta(days=longest)
    if until <= today:
        raise NotSnoozed(_("Choose a day after today, at most %(day)s.") % {"day": day_said(last)})
    if until > last:
        text = _("A finding can rest for %(n)s days at most: until %(day)s.")
        if longest == SNOOZE_DAYS_GRAVE:
            text = _("A finding on life safety can rest for %(n)s days at most: until %(day)s.")
        raise NotSnoozed(text % {"n": longest, "day": day_said(last)})
    deed = uuid.uuid4()
    for row in rows:
        before = facts_of(row, *SNOOZE_FACTS)
        row.snoozed_until, row.snooze_reason = until, reason[:200]
        row.snoozed_by, row.snoozed_at = by, at
        row.save(update_fields=["snoozed_until", "snooze_reason", "snoozed_by", "snoozed_at"])
        record_change(
            by=by, at=at, verb="snooze_finding", subject=row, customer_id=row.customer_id, before=before,
            after=facts_of(row, *SNOOZE_FACTS), reason=reason, batch=deed,
        )  # fmt: skip
    return deed


@transaction.atomic
def wake_findings(*, pks: Sequence[int], by: User, at: datetime) -> UUID:
    """End the rest of findings now; those that are awake stay as they are. Gives the number of this deed."""
    deed = uuid.uuid4()
    for row in _locked(pks):
        if row.snoozed_until is None:
            continue
        before = facts_of(row, *SNOOZE_FACTS)
        row.snoozed_until = None
        row.save(update_fields=["snoozed_until"])
        record_change(
            by=by, at=at, verb="wake_finding", subject=row, customer_id=row.customer_id, before=before,
            after=facts_of(row, *SNOOZE_FACTS), batch=deed,
        )  # fmt: skip
    return deed


@undoes("snooze_finding", "wake_finding", audiences=(OFFICE,))
def undo_snoozing(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Put back how long a finding rested and why. Refused (NotSnoozed): it has gone, or woke by itself since."""
    row = FindingRecord.objects.select_for_update(of=("self",)).filter(pk=change.subject_id, gone_at=None).first()
    if row is None:
        raise NotSnoozed(_("This finding is no longer found, so there is nothing to take back."))
    now = facts_of(row, *SNOOZE_FACTS)
    if now != change.after:
        raise NotSnoozed(
            _("This finding got worse and came back by itself since. Snooze it again if it can still wait.")
        )
    was = change.before or {}
    row.snoozed_until = date.fromisoformat(was["snoozed_until"]) if was.get("snoozed_until") else None
    row.snooze_reason = was.get("snooze_reason") or ""
    row.save(update_fields=["snoozed_until", "snooze_reason"])
    return Undone(before=now, after=facts_of(row, *SNOOZE_FACTS))
