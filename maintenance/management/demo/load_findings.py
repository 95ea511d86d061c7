"""Look at every link and receiver of the demo firm as a night would, and let a few findings rest with a reason."""

from __future__ import annotations

from datetime import timedelta

from company.models import User
from devices.actions.link_watch import judge_links
from devices.actions.silence import judge_receivers
from devices.models import Receiver
from maintenance.actions.findings import refresh_findings
from maintenance.actions.findings_snooze import snooze_findings
from maintenance.management.demo.clock import at
from maintenance.management.demo.world import DemoFirm
from maintenance.models import FindingRecord
from maintenance.rules.findings import longest_snooze_days

RESTS = (
    ("no_spare_slot", 60, "A second receiver is on the offer that the customer has in hand."),
    ("cells_unknown_age", 28, "Taken over without papers: all cells come out on the next round."),
    ("never_walk_tested", 13, "The room is let until the weekend; tested on the next visit."),
    ("portable_supervised", 21, "The customer asks the family before supervision is switched off."),
)
"""Kind, days of rest from today, reason: one finding of each where there is one."""


def load_findings(firm: DemoFirm, office: User) -> int:
    """Find what needs a person, and snooze one finding of some kinds; gives the number found."""
    when = at(firm.today, 7, 30)
    judge_links(at=when)
    # What was silent is on record before anybody is told how often silence is to be expected.
    judge_receivers(at=when)
    done = refresh_findings(receivers=Receiver.objects.open().values_list("pk", flat=True), at=when)
    for code, wanted_days, reason in RESTS:
        row = FindingRecord.objects.awake(firm.today).filter(code=code).in_order().first()
        if row is not None:
            days = min(wanted_days, longest_snooze_days([row.duty]))
            snooze_findings(
                pks=[row.pk],
                until=firm.today + timedelta(days=days),
                reason=reason,
                by=office,
                at=when,
                today=firm.today,
            )
    return done.n_new
