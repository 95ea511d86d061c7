"""Findings as they stand: what the rules found in the records, kept so that a firm's list is one query."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from company.models import Customer
from company.models.firm import Duty
from devices.models import Receiver
from maintenance.querysets import FindingQuerySet
from sites.models import Site


class FindingRecord(models.Model):
    """One finding from the day it was first seen until the records no longer show it; snoozed with a reason and a day.

    A finding that comes back is a new row. `key` names the same finding from one look to the next.
    """

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="findings")
    receiver = models.ForeignKey(Receiver, null=True, blank=True, on_delete=models.CASCADE, related_name="findings")
    key = models.CharField(max_length=120)
    code = models.SlugField(max_length=60)
    slot = models.PositiveSmallIntegerField(null=True, blank=True)
    output = models.PositiveSmallIntegerField(null=True, blank=True)
    duty = models.CharField(max_length=12, choices=Duty, blank=True)
    harm = models.PositiveSmallIntegerField(help_text=_("0 = worst; lists are sorted by it."))
    what = models.CharField(max_length=300)
    where = models.CharField(max_length=300)
    why = models.CharField(max_length=500)
    do = models.CharField(max_length=500)
    since_on = models.DateField(null=True, blank=True)
    found_at = models.DateTimeField(default=timezone.now)
    gone_at = models.DateTimeField(null=True, blank=True)
    snoozed_until = models.DateField(null=True, blank=True)
    snooze_reason = models.CharField(max_length=200, blank=True)
    snoozed_by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+")
    snoozed_at = models.DateTimeField(null=True, blank=True)

    objects = FindingQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["key"], condition=Q(gone_at=None), name="one_open_finding_per_key"),
        ]
        indexes = [
            models.Index(fields=["site", "harm"], name="finding_open_by_site", condition=Q(gone_at=None)),
            models.Index(fields=["harm", "since_on"], name="finding_open_by_harm", condition=Q(gone_at=None)),
        ]

    def __str__(self) -> str:
        return f"{self.where}: {self.what}"
