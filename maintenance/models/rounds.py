"""Rounds: one technician's or crew's day."""

from __future__ import annotations

from datetime import time
from typing import TYPE_CHECKING

from django.conf import settings
from django.db import models
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from maintenance.querysets import RoundQuerySet

if TYPE_CHECKING:
    from maintenance.models.visits import Visit


class Round(models.Model):
    """A day of stops. Its stops are visits in order."""

    class State(models.TextChoices):
        DRAFT = "draft", _("being planned")
        PUBLISHED = "published", _("published")
        DONE = "done", _("done")
        CANCELLED = "cancelled", _("cancelled")

    number = models.PositiveIntegerField(unique=True)
    name = models.CharField(max_length=80)
    day = models.DateField()
    technician = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="rounds")
    starts = models.TimeField(default=time(8, 30))
    state = models.CharField(max_length=10, choices=State, default=State.DRAFT)
    note = models.CharField(max_length=300, blank=True)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.SET_NULL, related_name="+")
    made_at = models.DateTimeField(default=timezone.now)
    published_at = models.DateTimeField(null=True)
    version = models.PositiveIntegerField(default=1)

    stops: list[Visit]
    """Set by `RoundQuerySet.for_plan`: the visits in order that are not cancelled, with what the plan needs."""

    objects = RoundQuerySet.as_manager()

    class Meta:
        indexes = [models.Index(fields=["day", "technician"], name="round_by_day")]

    def __str__(self) -> str:
        return f"Round {self.number} · {self.name}"

    def get_absolute_url(self) -> str:
        return reverse("maintenance:round_detail", args=[self.pk])
