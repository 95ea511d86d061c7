"""Recalls: cells or whole units that must all come out, whatever their due date says, with a state for each until all are done."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils.translation import gettext_lazy as _

from company.models import Customer
from devices.models import Fitting, Receiver, Registration, Transmitter
from maintenance.querysets import RecallItemQuerySet, RecallQuerySet
from sites.models import Site


class Recall(models.Model):
    """Why, which, and by when. The list is fixed when it is opened; what comes to light later is added by hand."""

    class What(models.TextChoices):
        CELLS = "cells", _("cells")
        UNIT = "unit", _("whole unit")

    title = models.CharField(max_length=120)
    why = models.CharField(_("what is wrong with them"), max_length=500)
    what = models.CharField(max_length=6, choices=What, default=What.CELLS)
    filter = models.JSONField(default=dict, help_text=_("What the list was made from, so that it can be read later."))
    due_on = models.DateField(_("to be done by"))
    opened_at = models.DateTimeField()
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    closed_why = models.CharField(max_length=200, blank=True)

    objects = RecallQuerySet.as_manager()

    def __str__(self) -> str:
        return self.title

    def get_absolute_url(self) -> str:
        return reverse("maintenance:recall_detail", args=[self.pk])


class RecallItem(models.Model):
    """One transmitter of a recall, with where it stands while it is to do, and where it stood when that ended."""

    class State(models.TextChoices):
        OPEN = "open", _("to do")
        DONE = "done", _("done")
        NOT_AFFECTED = "not_affected", _("looked at, not affected")
        GONE = "gone", _("no longer in service")

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    recall = models.ForeignKey(Recall, on_delete=models.PROTECT, related_name="items")
    site = models.ForeignKey(Site, null=True, on_delete=models.PROTECT, related_name="+")
    receiver = models.ForeignKey(Receiver, null=True, on_delete=models.PROTECT, related_name="+")
    registration = models.ForeignKey(Registration, null=True, on_delete=models.PROTECT, related_name="+")
    transmitter = models.ForeignKey(Transmitter, on_delete=models.PROTECT, related_name="recalls")
    # Cells that the list was made of; none where a whole unit is recalled. Taking a wrong change back may delete the row.
    fitting = models.ForeignKey(Fitting, null=True, on_delete=models.SET_NULL, related_name="recalls")
    state = models.CharField(max_length=12, choices=State, default=State.OPEN)
    state_at = models.DateTimeField(null=True, blank=True)
    state_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    note = models.CharField(max_length=200, blank=True)

    objects = RecallItemQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["recall", "transmitter"], name="transmitter_once_a_recall"),
            models.CheckConstraint(
                condition=Q(state="open") | Q(state_at__isnull=False), name="recall_state_has_a_time"
            ),
        ]
        indexes = [models.Index(fields=["transmitter"], name="recall_open", condition=Q(state="open"))]

    def __str__(self) -> str:
        return f"{self.transmitter}: {self.get_state_display()}"
