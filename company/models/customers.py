"""Customers, the people to talk to there, and who may look into the portal."""

from __future__ import annotations

import uuid

from django.db import models
from django.db.models.functions import Upper
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from company.models.people import User
from company.querysets import CustomerQuerySet, StaffOnly


class Paper(models.TextChoices):
    A4 = "a4", "A4"
    LETTER = "letter", _("Letter")


class Customer(models.Model):
    """Who owns sites and gets the reports."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    code = models.CharField(_("customer code"), max_length=30)
    name = models.CharField(max_length=120)
    language = models.CharField(max_length=8, default="en")
    paper = models.CharField(_("paper size"), max_length=8, choices=Paper, default=Paper.A4)
    inspections_per_year = models.PositiveSmallIntegerField(default=1)
    response_hours = models.PositiveSmallIntegerField(_("agreed response [h]"), null=True, blank=True)
    note = models.TextField(blank=True)
    created_at = models.DateTimeField(default=timezone.now, editable=False)
    closed_at = models.DateTimeField(null=True, blank=True, editable=False)

    objects = CustomerQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                Upper("code"), name="customer_code_once", violation_error_message=_("Another customer has this code.")
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("company:customer_detail", args=[self.pk])


class Contact(models.Model):
    """A person at the customer who need not have an account."""

    customer = models.ForeignKey(Customer, on_delete=models.CASCADE, related_name="contacts")
    name = models.CharField(max_length=120)
    role = models.CharField(max_length=80, blank=True)
    email = models.EmailField(blank=True)
    phone = models.CharField(max_length=40, blank=True)
    gets_reports = models.BooleanField(_("gets reports by mail"), default=False)
    gets_notices = models.BooleanField(_("gets notices of visits"), default=False)

    objects = StaffOnly.as_manager()

    def __str__(self) -> str:
        return f"{self.name} ({self.customer})"


class PortalAccess(models.Model):
    """One person may look at one customer, or only at some of its sites (rows of the app above name them)."""

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="portal_access")
    customer = models.ForeignKey(Customer, on_delete=models.CASCADE, related_name="portal_access")
    is_limited = models.BooleanField(_("only some sites"), default=False)
    given_at = models.DateTimeField(default=timezone.now, editable=False)

    objects = StaffOnly.as_manager()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["user", "customer"], name="portal_access_once")]

    def __str__(self) -> str:
        return f"{self.user} at {self.customer}"
