"""What this app does when the apps below tell of a change."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.dispatch import receiver
from django.utils import timezone
from django.utils.translation import gettext

from company import jobs
from company.manner import weekday_said
from company.models import User
from company.signals import person_leaving, policy_changed
from devices.actions.adopted_faults import carry_over
from devices.actions.fault_life import settle_life_cycle
from devices.models import Fault, Fitting, Receiver
from devices.signals import catalogue_changed, cells_fitted_by_hand, faults_changed, slot_map_changed
from maintenance.actions.due import refresh_receivers
from maintenance.actions.findings import look_again
from maintenance.actions.notices import note_faults
from maintenance.actions.recall_states import follow_changes
from maintenance.models import LotFit, Recall, Visit
from maintenance.querysets.new_cells import words_on_lot
from sites.signals import care_changed

MOST_NAMED = 12
"""Visits named one by one before a person is locked out; the rest is counted."""


@receiver(slot_map_changed)
def refresh_due_dates(sender: Any, receiver_ids: list[int], **unknown: Any) -> None:
    """Work out the due dates of the receivers concerned at once. The nightly run finds whatever is missed here."""
    now = timezone.now()
    # What was reported of units before they had a slot stands from now on.
    carry_over(receiver_ids=receiver_ids, at=now)
    # Cells that came in, and units that went, have ended faults.
    settle_life_cycle(receiver_ids=receiver_ids, at=now)
    # Before the dates, or cells just fitted would still bear the date of the recall that they have settled.
    follow_changes(receiver_ids=receiver_ids, at=now)
    refresh_receivers(receiver_ids=receiver_ids, at=now)
    # Last: what is late is one of the things that are found.
    look_again(receiver_ids=receiver_ids, at=now)


@receiver(care_changed)
def follow_the_care(sender: Any, site_ids: list[int], **unknown: Any) -> None:
    """What is due and what is found at a closed site leaves the lists at once, and comes back when it is opened again."""
    now = timezone.now()
    # Those taken down as well: a finding about the whole site may have none but them to ask after it.
    receivers = Receiver.objects.filter(site__in=site_ids).order_by("pk")
    receiver_ids = list(receivers.values_list("pk", flat=True))
    refresh_receivers(receiver_ids=receiver_ids, at=now)
    look_again(receiver_ids=receiver_ids, at=now)
    # What was raised meanwhile, and stands, nobody has been told of.
    standing = Fault.objects.open().filter(site__in=site_ids)
    note_faults(fault_ids=sorted(standing.values_list("pk", flat=True)), at=now)


@receiver(faults_changed)
def note_who_is_to_be_told(sender: Any, fault_ids: list[int], **unknown: Any) -> None:
    """Write down whom the rules tell of faults that were raised. What is missed here the next look finds."""
    note_faults(fault_ids=fault_ids, at=timezone.now())


@receiver(faults_changed)
def follow_low_batteries(sender: Any, receiver_ids: list[int], fault_ids: list[int], **unknown: Any) -> None:
    """A low battery moves the date of its cells."""
    low = Fault.objects.filter(pk__in=fault_ids, kind=Fault.Kind.LOW_BATTERY)
    concerned = sorted(set(low.values_list("receiver_id", flat=True)))
    if concerned:
        refresh_receivers(receiver_ids=concerned, at=timezone.now())


@receiver(faults_changed)
def look_at_findings(sender: Any, receiver_ids: list[int], **unknown: Any) -> None:
    """Faults are among the things that are found. After the dates: what is late is another one."""
    look_again(receiver_ids=receiver_ids, at=timezone.now())


@receiver(cells_fitted_by_hand)
def warn_of_a_bad_lot(sender: Any, fitting: Fitting, user: User, **unknown: Any) -> list[str]:
    """Tell who has just put cells in that their lot is suspect or being recalled."""
    return words_on_lot(LotFit.objects.visible_to(user), Recall.objects.visible_to(user), fitting)


@receiver(policy_changed)
def refresh_after_a_policy(sender: Any, duty: str, at: datetime, by: User | None = None, **unknown: Any) -> None:
    """A changed limit moves every date of its class: worked out in the background, at once."""
    jobs.enqueue(
        handler="maintenance.actions.due.refresh_after_policy",
        key=f"policy:{duty}:{at.isoformat()}",
        title=gettext("Due dates after a changed policy"),
        by=by,
    )


@receiver(catalogue_changed)
def refresh_after_a_type(sender: Any, kind: str, pk: int, at: datetime, by: User | None = None, **unknown: Any) -> None:
    """Figures of a type have changed: every date is worked out anew in the background, at once."""
    jobs.enqueue(
        handler="maintenance.actions.due.refresh_after_policy",
        key=f"type:{kind}:{pk}:{at.isoformat()}",
        title=gettext("Due dates after a changed type"),
        by=by,
    )


@receiver(person_leaving)
def say_what_waits(sender: Any, person: User, user: User, **unknown: Any) -> list[str]:
    """Name the visits that still count on somebody who is about to be locked out or to work elsewhere."""
    visits = Visit.objects.visible_to(user).filter(crew__user=person).to_come().for_day()
    rows = list(visits.order_by("planned_on", "pk")[:MOST_NAMED])
    planned = gettext("%(site)s: planned for %(day)s. Give it to somebody else first.")
    open_ = gettext("%(site)s: under way since %(day)s. Give it to somebody else first.")
    lines = [
        (open_ if visit.state == Visit.State.OPEN else planned)
        % {"site": visit.site.name, "day": weekday_said(visit.planned_on)}
        for visit in rows
    ]
    n_more = visits.count() - len(rows)
    return lines + ([gettext("And %(n_more)s more visits.") % {"n_more": n_more}] if n_more else [])
