"""How well each transmitter gets through, day by day: its own baseline, and whether it has fallen below it."""

from __future__ import annotations

from django.db import models

from company.models import Customer
from company.querysets import CustomerScoped
from devices.models.receivers import Receiver
from devices.models.registrations import Registration, Transmitter
from devices.querysets import StaffOnly
from devices.querysets.intake import LinkQuerySet


class LinkWatch(models.Model):
    """Running state of one transmitter's link: derived from its days, can be worked out anew. See `rules/weak_link.py`."""

    transmitter = models.OneToOneField(Transmitter, on_delete=models.CASCADE, related_name="link")
    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    registration = models.ForeignKey(Registration, null=True, on_delete=models.SET_NULL, related_name="+")
    judged_on = models.DateField(null=True)
    score = models.FloatField(default=0)
    base_heard = models.FloatField(default=0)
    base_expected = models.FloatField(default=0)
    onset_on = models.DateField(null=True)
    amber_since = models.DateField(null=True)
    red_since = models.DateField(null=True)
    share_before = models.FloatField(null=True)
    share_now = models.FloatField(null=True)

    objects = LinkQuerySet.as_manager()

    def __str__(self) -> str:
        return f"{self.transmitter}: {self.score:.1f}"


class OutageDay(models.Model):
    """A day on which so little of a receiver got through that no single transmitter is blamed."""

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    receiver = models.ForeignKey(Receiver, on_delete=models.CASCADE, related_name="outage_days")
    day = models.DateField()
    median = models.FloatField()

    objects = CustomerScoped.as_manager()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["receiver", "day"], name="outage_day_once")]

    def __str__(self) -> str:
        return f"{self.receiver} {self.day}"


class LinkDay(models.Model):
    """One day of the whole fleet: what the spread of single days around their baselines was (for φ)."""

    day = models.DateField(unique=True)
    sum_z2 = models.FloatField(default=0)
    n = models.PositiveIntegerField(default=0)

    objects = StaffOnly.as_manager()

    def __str__(self) -> str:
        return str(self.day)
