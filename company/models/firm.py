"""The firm's own data: letterhead, prices, policy."""

from __future__ import annotations

import hashlib

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.utils.translation import gettext_lazy as _

from company.models.customers import Paper
from company.querysets import StaffOnly


class Duty(models.TextChoices):
    """How bad a dead battery is. Sorted by harm wherever it is listed."""

    LIFE_SAFETY = "life_safety", _("Life safety")
    SECURITY = "security", _("Security")
    CONVENIENCE = "convenience", _("Convenience")


class Units(models.TextChoices):
    METRIC = "m", _("metres")
    FEET = "ft", _("feet")


class DateStyle(models.TextChoices):
    """How days are written on screens and papers; forms take ISO days everywhere."""

    DAY_MONTH = "day_month", _("3 May 2025")
    MONTH_DAY = "month_day", _("May 3, 2025")
    ISO = "iso", "2025-05-03"


PRICE = [MinValueValidator(0), MaxValueValidator(500_000)]
"""A cost in whichever currency the firm has: an hour is a six-figure sum in some of them, never less than nothing."""


class Firm(models.Model):
    """One row: the firm that runs this installation."""

    name = models.CharField(max_length=120, default="Our firm")
    address = models.TextField(blank=True)
    phone = models.CharField(max_length=40, blank=True)
    email = models.EmailField(blank=True)
    paper = models.CharField(_("paper size"), max_length=8, choices=Paper, default=Paper.A4)
    cost_per_hour = models.DecimalField(max_digits=8, decimal_places=2, default=60, validators=PRICE)
    cost_per_km = models.DecimalField(max_digits=8, decimal_places=2, default="0.60", validators=PRICE)
    cost_per_callout = models.DecimalField(max_digits=8, decimal_places=2, default=150, validators=PRICE)
    currency = models.CharField(max_length=3, default="GBP")
    language = models.CharField(max_length=8, default="en")
    units = models.CharField(_("lengths in"), max_length=2, choices=Units, default=Units.METRIC)
    date_style = models.CharField(_("days written as"), max_length=10, choices=DateStyle, default=DateStyle.DAY_MONTH)
    logo = models.BinaryField(_("picture on the letterhead"), null=True, blank=True)
    logo_media_type = models.CharField(max_length=30, blank=True)
    paper_note = models.CharField(_("line at the foot of papers"), max_length=200, blank=True)
    checkin_months = models.PositiveSmallIntegerField(
        _("months of check-ins kept"), null=True, blank=True,
        validators=[MinValueValidator(24), MaxValueValidator(240)], help_text=_("Empty: for ever."),
    )  # fmt: skip
    checkins_from = models.DateField(
        null=True, blank=True, help_text=_("Days before it were dropped; the sums are kept.")
    )
    # Kept for the day on which a phone can hold a code of a visit and forget it afterwards; until then no page offers it and
    # nothing reads it. See `company.forms.firm`.
    notes_on_phones = models.BooleanField(_("access notes may be kept on a phone"), default=False)

    objects = StaffOnly.as_manager()

    class Meta:
        constraints = [models.CheckConstraint(condition=models.Q(pk=1), name="firm_is_one_row")]

    def __str__(self) -> str:
        return self.name

    @property
    def logo_digest(self) -> str:
        """What tells one picture from another; empty without one."""
        return hashlib.sha256(bytes(self.logo)).hexdigest() if self.logo else ""

    @property
    def seen(self) -> str:
        """Digest of every value of the row, for the same end as `RiskPolicy.seen`."""
        names = (column.attname for column in self._meta.concrete_fields if column.name not in ("id", "logo"))
        # As the database gives them back: 60 and 60.00 are one price.
        values = [str(getattr(self, name)) for name in sorted(names) if not name.startswith("cost_")]
        prices = [f"{float(getattr(self, name)):.2f}" for name in ("cost_per_hour", "cost_per_km", "cost_per_callout")]
        return hashlib.sha256("\n".join([*values, *prices, self.logo_digest]).encode()).hexdigest()[:32]


class RiskPolicy(models.Model):
    """How far the firm lets a battery go, per duty class: the firm's own choice, never a standard's word."""

    duty = models.CharField(max_length=12, choices=Duty, unique=True)
    p_dead = models.FloatField(
        _("share found dead, at most"),
        validators=[MinValueValidator(0.0005), MaxValueValidator(0.5)],
        help_text=_("Share of batteries that may die in service before they are changed."),
    )
    p_call = models.FloatField(
        _("share signalling low, at most"),
        validators=[MinValueValidator(0.0005), MaxValueValidator(0.5)],
        help_text=_("Share of batteries that may give a low-battery signal before the planned change."),
    )
    grace_days = models.PositiveSmallIntegerField(
        _("days after a low-battery signal"),
        validators=[MaxValueValidator(90)],
        help_text=_("Time to change after the first signal."),
    )
    calendar_cap_days = models.PositiveSmallIntegerField(
        _("longest time in service [d]"), validators=[MinValueValidator(30), MaxValueValidator(5500)]
    )
    longest_window_s = models.PositiveIntegerField(_("longest supervision window [s]"), null=True, blank=True)
    source_note = models.CharField(max_length=200, default="own suggestion")

    objects = StaffOnly.as_manager()

    def __str__(self) -> str:
        return self.get_duty_display()

    @property
    def seen(self) -> str:
        """Digest of every value of the row: a form carries it, so that two people do not undo each other unseen."""
        names = ("p_dead", "p_call", "grace_days", "calendar_cap_days", "longest_window_s", "source_note")
        values = "\n".join(repr(getattr(self, name)) for name in names)
        return hashlib.sha256(values.encode()).hexdigest()[:32]
