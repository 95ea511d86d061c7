"""Background work as rows: the database decides what is left; Celery or a thread only carries ids."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from company.querysets import JobQuerySet, StaffOnly


class Job(models.Model):
    """One piece of work that may be started again until it is done."""

    class State(models.TextChoices):
        WAITING = "waiting", _("waiting")
        RUNNING = "running", _("running")
        DONE = "done", _("done")
        FAILED = "failed", _("failed")

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    key = models.CharField(max_length=200, unique=True, help_text=_("Asking twice for the same key makes one job."))
    handler = models.CharField(max_length=120, help_text=_("Dotted name of the function that does the work."))
    args = models.JSONField(default=dict)
    title = models.CharField(max_length=200)
    state = models.CharField(max_length=8, choices=State, default=State.WAITING)
    not_before = models.DateTimeField(default=timezone.now)
    lease_until = models.DateTimeField(null=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    progress_done = models.PositiveIntegerField(default=0)
    progress_total = models.PositiveIntegerField(default=0)
    progress_text = models.CharField(max_length=200, blank=True)
    result = models.JSONField(null=True)
    result_url = models.CharField(max_length=300, blank=True)
    error = models.TextField(blank=True)
    requested_by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.SET_NULL, related_name="+")
    created_at = models.DateTimeField(default=timezone.now)
    started_at = models.DateTimeField(null=True)
    finished_at = models.DateTimeField(null=True)

    objects = JobQuerySet.as_manager()

    class Meta:
        indexes = [
            models.Index(
                fields=["state", "not_before"], name="job_open", condition=models.Q(state__in=["waiting", "running"])
            )
        ]

    def __str__(self) -> str:
        return f"{self.title} ({self.state})"

    def get_absolute_url(self) -> str:
        return reverse("company:job_detail", args=[self.uuid])

    @property
    def is_over(self) -> bool:
        return self.state in (self.State.DONE, self.State.FAILED)


class ClockRun(models.Model):
    """Which business days of a clocked job were started, so that a missed night is made up at start."""

    name = models.CharField(max_length=40)
    business_day = models.DateField()
    started_at = models.DateTimeField(default=timezone.now)

    objects = StaffOnly.as_manager()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["name", "business_day"], name="clock_run_once_a_day")]

    def __str__(self) -> str:
        return f"{self.name} {self.business_day}"


class Leader(models.Model):
    """Lease that lets one process of several do a thing (the embedded worker)."""

    name = models.CharField(max_length=40, unique=True)
    holder = models.CharField(max_length=80)
    until = models.DateTimeField()

    objects = StaffOnly.as_manager()

    def __str__(self) -> str:
        return f"{self.name}: {self.holder}"
