"""Who is told of which faults by mail, at which hours; and every mail with what it told."""

from __future__ import annotations

import uuid

from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from company.models import Customer
from company.querysets import StaffOnly
from devices.models import Fault


class NoticeRule(models.Model):
    """One line of "tell these people of faults of this kind of duty in these hours"."""

    class Duty(models.TextChoices):
        LIFE_SAFETY = "life_safety", _("Life safety")
        SECURITY = "security", _("Security")
        CONVENIENCE = "convenience", _("Convenience")
        RECEIVER = "receiver", _("Receivers themselves")

    duty = models.CharField(max_length=12, choices=Duty, help_text=_("Faults of slots of this duty."))
    customer = models.ForeignKey(
        Customer,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="+",
        help_text=_("Empty: of every customer."),
    )
    recipients = models.TextField(help_text=_("Addresses, one a line."))
    weekdays = models.CharField(max_length=7, default="0123456", help_text=_("0 = Monday."))
    from_time = models.TimeField(null=True, blank=True, help_text=_("Empty: at any hour."))
    to_time = models.TimeField(null=True, blank=True, help_text=_("May lie after midnight."))
    group_s = models.PositiveIntegerField(_("gather for [s]"), default=60)
    again_s = models.PositiveIntegerField(
        _("remind after [s]"), null=True, blank=True, help_text=_("While nobody has acknowledged. Empty: never.")
    )
    is_active = models.BooleanField(default=True)
    note = models.CharField(max_length=200, blank=True)
    created_at = models.DateTimeField(default=timezone.now)

    objects = StaffOnly.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(from_time=None, to_time=None) | Q(from_time__isnull=False, to_time__isnull=False),
                name="notice_hours_both_or_none",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_duty_display()}: {self.recipients.split()[0] if self.recipients.split() else ''}"


class FaultNotice(models.Model):
    """One mail about one or more faults: written with the faults, sent by a job, tried again until it is sent or given up."""

    class State(models.TextChoices):
        WAITING = "waiting", _("waiting")
        SENT = "sent", _("sent")
        FAILED = "failed", _("could not be sent")
        DROPPED = "dropped", _("over before it was sent")

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    rule = models.ForeignKey(NoticeRule, on_delete=models.PROTECT, related_name="notices")
    made_at = models.DateTimeField(default=timezone.now)
    send_at = models.DateTimeField(help_text=_("Not before: faults are gathered, and hours are kept."))
    state = models.CharField(max_length=8, choices=State, default=State.WAITING)
    sent_at = models.DateTimeField(null=True, blank=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    error = models.CharField(max_length=300, blank=True)
    recipients = models.TextField(blank=True, help_text=_("As they were when it was sent."))
    subject = models.CharField(max_length=200, blank=True)
    body = models.TextField(blank=True)
    is_reminder = models.BooleanField(default=False)

    objects = StaffOnly.as_manager()

    class Meta:
        indexes = [models.Index(fields=["send_at"], name="notice_to_send", condition=Q(state="waiting"))]

    def __str__(self) -> str:
        return self.subject or f"{self.rule} {self.made_at:%Y-%m-%d %H:%M}"


class NoticedFault(models.Model):
    """A fault in a mail. Once a rule and fault, reminders apart: a retry tells nobody twice."""

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    notice = models.ForeignKey(FaultNotice, on_delete=models.CASCADE, related_name="told")
    rule = models.ForeignKey(NoticeRule, on_delete=models.PROTECT, related_name="+")
    fault = models.ForeignKey(Fault, on_delete=models.CASCADE, related_name="notices")
    nth = models.PositiveSmallIntegerField(default=0, help_text=_("0 the first mail, 1 the first reminder …"))

    objects = StaffOnly.as_manager()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["rule", "fault", "nth"], name="fault_told_once")]

    def __str__(self) -> str:
        return f"{self.fault} in {self.notice}"
