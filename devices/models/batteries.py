"""Fittings: a set of cells in one transmitter, from–to, and the raw sums from which exposure is worked out."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from company.models import Customer
from devices.models.catalogue import BatteryType
from devices.models.registrations import Transmitter
from devices.querysets import FittingEndQuerySet, FittingQuerySet, FittingTotalsQuerySet


class WhyOut(models.TextChoices):
    """Why cells came out; decides what the removal teaches (an end of life or not)."""

    PREVENTIVE = "preventive", _("planned change")
    LOW_BATTERY = "low_battery", _("low-battery signal")
    DEAD = "dead", _("found dead")
    LEAKED = "leaked", _("leaked")
    DEFECT = "defect", _("defect, water or bad contact")
    WRONG_TYPE = "wrong_type", _("wrong cells")
    RETIRED = "retired", _("transmitter taken out of use")
    UNKNOWN = "unknown", _("unknown")


class Fitting(models.Model):
    """Cells fitted in a transmitter. An unknown age is a value of its own: `fitted_at` is empty then."""

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    transmitter = models.ForeignKey(Transmitter, on_delete=models.PROTECT, related_name="fittings")
    battery_type = models.ForeignKey(
        BatteryType, null=True, blank=True, on_delete=models.PROTECT, related_name="+", help_text=_("Empty: unknown.")
    )
    n_cells = models.PositiveSmallIntegerField(default=1)
    fitted_at = models.DateTimeField(null=True, blank=True, help_text=_("Empty: age unknown."))
    entered_at = models.DateTimeField(default=timezone.now, help_text=_("Since when our records know these cells."))
    removed_at = models.DateTimeField(null=True, blank=True)
    removed_why = models.CharField(max_length=12, choices=WhyOut, blank=True)
    removed_v = models.FloatField(_("measured when taken out [V]"), null=True, blank=True)
    removed_v_under_load = models.BooleanField(_("measured under load"), default=False)
    lot = models.CharField(_("lot or date code"), max_length=40, blank=True)
    made_on = models.DateField(_("cell made on"), null=True, blank=True)
    first_low_at = models.DateTimeField(_("first low-battery signal"), null=True, blank=True)
    last_alive_at = models.DateTimeField(_("last known alive before the end"), null=True, blank=True)
    note = models.CharField(max_length=200, blank=True)

    objects = FittingQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["transmitter"],
                condition=Q(removed_at=None),
                name="one_open_fitting_per_transmitter",
                violation_error_message=_("This transmitter has cells fitted already."),
            ),
            models.CheckConstraint(
                condition=Q(removed_at=None) | Q(fitted_at=None) | Q(removed_at__gt=F("fitted_at")),
                name="fitting_ends_later",
            ),
            # An imported battery counted twice would double what the fleet teaches.
            models.UniqueConstraint(fields=["transmitter", "fitted_at"], name="fitting_begins_once"),
            models.CheckConstraint(condition=Q(n_cells__gte=1), name="fitting_has_cells"),
        ]

    def __str__(self) -> str:
        return f"{self.transmitter}: {self.battery_type or 'unknown cells'}"


class FittingEnd(models.Model):
    """What was said about how cells ended. Never changed: a correction is a new row that points at what it corrects.

    The newest row holds, unless it was taken back with the change of cells that it belongs to; the columns of `Fitting`
    repeat what holds, so that lists need no second look.
    """

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    fitting = models.ForeignKey(Fitting, on_delete=models.CASCADE, related_name="ends")
    why = models.CharField(max_length=12, choices=WhyOut)
    volts = models.FloatField(_("measured [V]"), null=True, blank=True)
    is_under_load = models.BooleanField(_("measured under load"), default=False)
    low_seen_at = models.DateTimeField(_("first low-battery signal"), null=True, blank=True)
    low_before_at = models.DateTimeField(
        null=True,
        blank=True,
        help_text=_("Low-battery signal known before the cells came out; holds again if they go back."),
    )
    last_alive_at = models.DateTimeField(_("last known alive"), null=True, blank=True)
    note = models.CharField(max_length=200, blank=True)
    recorded_at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+")
    corrects = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.CASCADE, related_name="corrected_by"
    )
    taken_back_at = models.DateTimeField(
        null=True, blank=True, help_text=_("The change of cells never happened: they are in service again.")
    )

    objects = FittingEndQuerySet.as_manager()

    def __str__(self) -> str:
        return f"{self.fitting}: {self.get_why_display()}"


class FittingTotals(models.Model):
    """Raw sums per fitting and setting-period: days, check-ins, activations, temperature. Derived; can be rebuilt."""

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    fitting = models.ForeignKey(Fitting, on_delete=models.CASCADE, related_name="totals")
    from_on = models.DateField(help_text=_("First day of the setting-period."))
    interval_s = models.PositiveIntegerField(null=True)
    days_measured = models.PositiveIntegerField(default=0)
    checkins = models.PositiveIntegerField(default=0)
    activations = models.PositiveIntegerField(default=0)
    temperature_days = models.PositiveIntegerField(default=0)
    temperature_sum_c = models.FloatField(default=0)
    # What days that are no longer kept have contributed: rebuilding adds the days still kept to it.
    dropped_days = models.PositiveIntegerField(db_default=0, default=0)
    dropped_checkins = models.PositiveIntegerField(db_default=0, default=0)
    dropped_activations = models.PositiveIntegerField(db_default=0, default=0)

    objects = FittingTotalsQuerySet.as_manager()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["fitting", "from_on"], name="totals_once_a_period")]

    def __str__(self) -> str:
        return f"{self.fitting} from {self.from_on}"
