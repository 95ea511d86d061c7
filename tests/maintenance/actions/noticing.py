"""What the tests of mails about faults share: rules, faults, the mail that went out, and a server that is away."""

from __future__ import annotations

from datetime import timedelta
from smtplib import SMTPServerDisconnected

from django.core import mail

from devices.models import Fault
from maintenance.actions import notices
from maintenance.actions.notices import note_faults
from maintenance.models import NoticeRule
from tests.factories import NOW

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
CONSOLE = "django.core.mail.backends.console.EmailBackend"


def make_rule(duty="life_safety", **over):
    fields = {"duty": duty, "recipients": "night@example.org\nday@example.org", "created_at": NOW - timedelta(days=9)}
    return NoticeRule.objects.create(**(fields | over))


def make_fault(row, kind="missing", at=NOW, **over):
    fields = {
        "customer": row.customer, "site": row.site, "receiver": row.receiver, "registration": row,
        "transmitter": row.transmitter, "kind": kind, "raised_at": at, "recorded_at": at,
    }  # fmt: skip
    return Fault.objects.create(**(fields | over))


def of_receiver(receiver, kind="outage", at=NOW, **over):
    return Fault.objects.create(
        customer=receiver.customer, site=receiver.site, receiver=receiver, kind=kind, raised_at=at, recorded_at=at, **over
    )  # fmt: skip


def note(*faults, at=NOW):
    return note_faults(fault_ids=[fault.pk for fault in faults], at=at)


def the_mail():
    (message,) = mail.outbox
    return message


def broken_server(monkeypatch, failure=None):
    def fail(message):
        raise failure or SMTPServerDisconnected("away")

    monkeypatch.setattr(notices, "deliver", fail)
