"""Issued papers, which never change, and customers' requests."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from company.models import Customer
from devices.models import Receiver
from maintenance.models.visits import Visit
from maintenance.querysets import ReportQuerySet, RequestMessageQuerySet, RequestQuerySet
from sites.models import Site


class IssuedReport(models.Model):
    """A paper as it was issued, byte for byte. A correction is a new revision that says what changed."""

    class Kind(models.TextChoices):
        SERVICE = "service_report", _("service report")
        SLOT_MAP = "slot_map", _("slot map")
        LID_LABEL = "lid_label", _("lid label")

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="reports")
    visit = models.ForeignKey(Visit, null=True, blank=True, on_delete=models.PROTECT, related_name="reports")
    receiver = models.ForeignKey(Receiver, null=True, blank=True, on_delete=models.PROTECT, related_name="reports")
    kind = models.CharField(max_length=16, choices=Kind)
    number = models.CharField(max_length=30)
    revision = models.PositiveSmallIntegerField(default=1)
    title = models.CharField(max_length=200)
    what_changed = models.CharField(max_length=300, blank=True)
    data = models.JSONField(help_text=_("The facts the paper was made from."))
    content = models.BinaryField()
    sha256 = models.CharField(max_length=64)
    n_pages = models.PositiveSmallIntegerField(default=0)
    issued_at = models.DateTimeField(default=timezone.now)
    issued_by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+")
    in_portal = models.BooleanField(default=True)

    objects = ReportQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["kind", "number", "revision"], name="report_revision_once"),
            models.CheckConstraint(condition=Q(revision__gte=1), name="report_revision_from_one"),
        ]

    def __str__(self) -> str:
        return f"{self.number} revision {self.revision}"

    def get_absolute_url(self) -> str:
        return reverse("maintenance:report_detail", args=[self.pk])

    @property
    def file_name(self) -> str:
        return f"{self.number}-r{self.revision}.pdf"


class Request(models.Model):
    """A customer asks for something; the office's work item with a reply thread."""

    class State(models.TextChoices):
        OPEN = "open", _("open")
        PLANNED = "planned", _("planned")
        DONE = "done", _("done")

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="requests")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(default=timezone.now)
    title = models.CharField(max_length=120)
    state = models.CharField(max_length=8, choices=State, default=State.OPEN)
    visit = models.ForeignKey(Visit, null=True, blank=True, on_delete=models.SET_NULL, related_name="requests")

    objects = RequestQuerySet.as_manager()

    def __str__(self) -> str:
        return self.title


class RequestMessage(models.Model):
    """One message in the thread of a request."""

    request = models.ForeignKey(Request, on_delete=models.CASCADE, related_name="messages")
    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(default=timezone.now)
    text = models.TextField()
    photo = models.BinaryField(null=True, blank=True)
    photo_type = models.CharField(max_length=30, blank=True)

    objects = RequestMessageQuerySet.as_manager()

    def __str__(self) -> str:
        return self.text[:60]
