"""When each thing that wears must be changed, and why: kept apart from the things so that a nightly write is narrow."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from company.models import Customer
from devices.models import Fitting, Receiver, Registration, Transmitter
from maintenance.querysets import DueChangeQuerySet, DueQuerySet, StaffOnly
from sites.models import Site


class RefreshRun(models.Model):
    """One night's refresh. A second start of the same business day resumes it; its chunks are Job rows that name it."""

    class State(models.TextChoices):
        OPEN = "open", _("open")
        CLOSED = "closed", _("closed")

    business_day = models.DateField(unique=True)
    model_version = models.CharField(max_length=20)
    state = models.CharField(max_length=8, choices=State, default=State.OPEN)
    n_chunks = models.PositiveIntegerField(default=0)
    n_items = models.PositiveIntegerField(default=0)
    n_changed = models.PositiveIntegerField(default=0)
    started_at = models.DateTimeField(default=timezone.now)
    closed_at = models.DateTimeField(null=True)

    objects = StaffOnly.as_manager()

    def __str__(self) -> str:
        return f"refresh of {self.business_day}"


class DueItem(models.Model):
    """One thing that wears: cells of a transmitter, a receiver's standby battery, or a whole unit."""

    class Kind(models.TextChoices):
        CELLS = "cells", _("cells")
        STANDBY = "standby", _("standby battery")
        UNIT = "unit", _("whole unit")

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="due_items")
    kind = models.CharField(max_length=8, choices=Kind)
    fitting = models.OneToOneField(Fitting, null=True, on_delete=models.CASCADE, related_name="due_item")
    receiver = models.ForeignKey(Receiver, on_delete=models.PROTECT, related_name="due_items")
    registration = models.ForeignKey(Registration, null=True, on_delete=models.PROTECT, related_name="due_items")
    transmitter = models.ForeignKey(Transmitter, null=True, on_delete=models.PROTECT, related_name="due_items")
    duty = models.CharField(max_length=12)
    harm = models.PositiveSmallIntegerField(
        help_text=_("0 life safety, 1 security, 2 convenience: the order of lists.")
    )
    due_on = models.DateField(null=True, help_text=_("Empty: no estimate."))
    reason = models.CharField(max_length=30)
    opinions = models.JSONField(default=list, help_text=_("Every rule's word: date, code, sentence."))
    flags = models.JSONField(default=list)
    exposure = models.FloatField(null=True, help_text=_("Share of the usable charge drawn so far, u."))
    exposure_limit = models.FloatField(null=True, help_text=_("u at which the risk limit is reached."))
    rate_per_day = models.FloatField(null=True)
    planning_q = models.FloatField(null=True)
    chance_ahead = models.FloatField(null=True, help_text=_("Chance of an end within 90 days, for the order of work."))
    n_ends = models.PositiveIntegerField(default=0, help_text=_("Ended lives that the limit rests on."))
    lot_factor = models.FloatField(null=True, help_text=_("Below 1 where its lot has shown short lives."))
    figures = models.JSONField(
        default=dict,
        help_text=_("The sentence that stood with the date, and its notes; kept for when it has been changed."),
    )
    model_version = models.CharField(max_length=20)
    signature = models.BigIntegerField(
        default=0, help_text=_("Place, model, rules that speak, flags and reason in one number: what a night compares.")
    )
    as_of = models.DateField()
    is_closed = models.BooleanField(default=False, help_text=_("The thing has been changed; kept for its history."))

    objects = DueQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["receiver"], condition=Q(kind="standby", is_closed=False), name="one_open_standby_due"
            ),
            models.UniqueConstraint(
                fields=["transmitter"], condition=Q(kind="unit", is_closed=False), name="one_open_unit_due"
            ),
            models.CheckConstraint(
                condition=~Q(kind="cells") | Q(fitting__isnull=False), name="due_cells_have_a_fitting"
            ),
        ]
        indexes = [
            models.Index(fields=["harm", "due_on"], name="due_by_harm", condition=Q(is_closed=False)),
            models.Index(fields=["site", "due_on"], name="due_by_site", condition=Q(is_closed=False)),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} of {self.registration or self.receiver}"

    def get_absolute_url(self) -> str:
        return reverse("maintenance:due_why", args=[self.pk])


class DueChange(models.Model):
    """A published date that moved."""

    due_item = models.ForeignKey(DueItem, on_delete=models.CASCADE, related_name="changes")
    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    from_on = models.DateField(null=True)
    to_on = models.DateField(null=True)
    from_reason = models.CharField(max_length=30, blank=True)
    to_reason = models.CharField(max_length=30)
    run = models.ForeignKey(RefreshRun, null=True, on_delete=models.SET_NULL, related_name="changes")

    objects = DueChangeQuerySet.as_manager()

    def __str__(self) -> str:
        return f"{self.due_item}: {self.from_on} → {self.to_on}"
