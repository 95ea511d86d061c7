"""What a night's fit has learnt from every battery: strata, lots, and how earlier predictions came out. Derived: a fit can be made again."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from company.models.firm import Duty
from devices.models import BatteryType, TransmitterType
from maintenance.models.due import RefreshRun
from maintenance.querysets import StaffOnly


class BatteryFit(models.Model):
    """One fit of the battery model to the whole fleet. Its numbers are kept; its posteriors only while it is in use."""

    as_of = models.DateField(help_text=_("Last day whose facts it rests on."))
    made_at = models.DateTimeField(default=timezone.now)
    run = models.ForeignKey(RefreshRun, null=True, on_delete=models.SET_NULL, related_name="fits")
    model_version = models.CharField(max_length=20)
    is_current = models.BooleanField(default=False)
    n_batteries = models.PositiveIntegerField(default=0)
    n_ends = models.PositiveIntegerField(default=0)
    n_left_out = models.PositiveIntegerField(
        default=0, help_text=_("Cells whose record teaches nothing; why is in `facts`.")
    )
    prior = models.JSONField(default=dict, help_text=_("Fleet's prior: mean_ln_eta, sd_ln_eta, mean_ln_beta."))
    facts = models.JSONField(
        default=dict, help_text=_("Signals counted, health of the lots, what was left out and why.")
    )

    objects = StaffOnly.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["is_current"], condition=Q(is_current=True), name="one_current_fit"),
        ]

    def __str__(self) -> str:
        return f"fit of {self.as_of}"


class StratumFit(models.Model):
    """Batteries of one kind in one kind of transmitter, counted or not: what is known of their lives."""

    fit = models.ForeignKey(BatteryFit, on_delete=models.CASCADE, related_name="strata")
    number = models.PositiveIntegerField(help_text=_("Place in the arrays of the fit, from 0."))
    transmitter_type = models.ForeignKey(TransmitterType, null=True, on_delete=models.PROTECT, related_name="+")
    battery_type = models.ForeignKey(BatteryType, null=True, on_delete=models.PROTECT, related_name="+")
    is_measured = models.BooleanField(help_text=_("Activations were counted; else the usual number is assumed."))
    n_batteries = models.PositiveIntegerField(default=0)
    n_in_service = models.PositiveIntegerField(default=0)
    n_ends = models.PositiveIntegerField(default=0)
    n_other = models.PositiveIntegerField(default=0, help_text=_("Ends that were not wear: leaked, defect, water."))
    device_days = models.FloatField(default=0)
    expected = models.FloatField(default=0, help_text=_("Ends that the fit expects in what was lived."))
    z = models.FloatField(default=0)
    in_alarm = models.BooleanField(default=False)
    sleep_multiplier = models.FloatField(default=1)
    dead_share = models.FloatField(default=1, help_text=_("Upper bound of the share of ends that come unannounced."))
    u_1 = models.FloatField(null=True)
    u_5 = models.FloatField(null=True)
    u_10 = models.FloatField(null=True)
    u_50 = models.FloatField(null=True)
    limits = models.JSONField(default=dict, help_text=_("Duty → q, u, is_reachable."))
    facts = models.JSONField(default=dict)
    posterior = models.BinaryField(
        null=True, help_text=_("β, shape, rate, weight as 8-byte floats; only while in use.")
    )

    objects = StaffOnly.as_manager()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["fit", "number"], name="stratum_once_a_fit")]

    def __str__(self) -> str:
        return f"{self.transmitter_type or 'unknown transmitter'} with {self.battery_type or 'unknown cells'}"


class LotFit(models.Model):
    """One lot within a stratum: ends seen against ends expected. Cells without a code go by the half-year of fitting."""

    fit = models.ForeignKey(BatteryFit, on_delete=models.CASCADE, related_name="lots")
    stratum = models.ForeignKey(StratumFit, on_delete=models.CASCADE, related_name="lots")
    code = models.CharField(max_length=40, help_text=_("As written on the cell; or 2025-H2 where nothing was noted."))
    is_half_year = models.BooleanField(default=False)
    n_batteries = models.PositiveIntegerField(default=0)
    n_in_service = models.PositiveIntegerField(default=0)
    observed = models.PositiveIntegerField(default=0)
    expected = models.FloatField(default=0)
    factor = models.FloatField(default=1, help_text=_("Life of this lot against its kind."))
    chance_normal = models.FloatField(default=1)
    is_suspect = models.BooleanField(default=False)

    objects = StaffOnly.as_manager()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["stratum", "code"], name="lot_once_a_stratum")]

    def __str__(self) -> str:
        return f"lot {self.code}"


class Backtest(models.Model):
    """What was predicted with only the facts known at the start of a period, against what then happened in it."""

    fit = models.ForeignKey(BatteryFit, on_delete=models.CASCADE, related_name="backtests")
    from_on = models.DateField()
    to_on = models.DateField(help_text=_("First day after the period."))
    transmitter_type = models.ForeignKey(TransmitterType, null=True, on_delete=models.PROTECT, related_name="+")
    battery_type = models.ForeignKey(BatteryType, null=True, on_delete=models.PROTECT, related_name="+")
    is_measured = models.BooleanField()
    duty = models.CharField(max_length=12, choices=Duty)
    n_batteries = models.PositiveIntegerField(default=0, help_text=_("Batteries that were in service in the period."))
    predicted = models.FloatField(default=0)
    happened = models.PositiveIntegerField(default=0)
    n_found_dead = models.PositiveIntegerField(default=0)
    n_changed = models.PositiveIntegerField(default=0, help_text=_("Taken out in the period, for whatever reason."))
    facts = models.JSONField(default=dict)

    objects = StaffOnly.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["fit", "from_on", "transmitter_type", "battery_type", "is_measured", "duty"],
                name="backtest_once_a_cell",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"{self.from_on}: {self.predicted:.1f} predicted, {self.happened} happened"
