"""Who is told of faults, some faults acknowledged, one mail sent two days ago and one that waits. By the usual actions."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from company.models import User
from devices.actions.faults import acknowledge_faults
from devices.models import Fault
from maintenance.actions.notice_mail import compose
from maintenance.actions.notice_rules import take_offers
from maintenance.actions.notices import note_faults
from maintenance.management.demo.clock import at
from maintenance.models import FaultNotice
from maintenance.querysets.notices import news
from maintenance.rules.notice_words import OFFERS

NOTES = ("Rang the site, they look after it", "In the next round", "Cells are on order")
TOLD = 1
"""So many faults are told by the mail of two days ago, the newest that stood by then; as many wait to be told."""


def load_notices(manager: User, office: User, today: date) -> None:
    """Two rules in force for a year, every second of the older faults acknowledged, and mails about the newest ones."""
    take_offers(offers=OFFERS[:2], recipients=office.email, by=manager, at=at(today - timedelta(days=365), 11, 0))
    standing = list(Fault.objects.open().order_by("-raised_at", "pk"))
    then = at(today - timedelta(days=2), 14, 10)
    told = [fault for fault in standing if fault.raised_at < then][:TOLD]
    waiting = [fault for fault in standing if fault not in told][:TOLD]
    for number, fault in enumerate([fault for fault in standing if fault not in told + waiting][::2]):
        when = min(fault.raised_at + timedelta(hours=3), at(today, 7, 30))
        acknowledge_faults(faults=[fault.pk], note=NOTES[number % len(NOTES)], by=office, at=when)
    _tell(told, then)
    note_faults(fault_ids=[fault.pk for fault in waiting], at=at(today, 7, 45))


def _tell(faults: list[Fault], when: datetime) -> None:
    """A mail as it went out then. No mail server takes the demo's mails, so its row is written by hand."""
    note_faults(fault_ids=[fault.pk for fault in faults], at=when)
    for notice in FaultNotice.objects.filter(state=FaultNotice.State.WAITING).select_related("rule"):
        mail = compose(notice, news(Fault.objects.filter(notices__notice=notice)), when)
        notice.state, notice.sent_at, notice.attempts = FaultNotice.State.SENT, when + timedelta(minutes=1), 1
        notice.recipients, notice.subject, notice.body = "\n".join(mail.to), mail.subject[:200], str(mail.body)
        notice.save()
