"""Catalogue rows: shipped ones (devices/catalogue/*.toml) and the firm's own. A type is retired, never deleted."""

from __future__ import annotations

from django.core.exceptions import ValidationError
from django.db import models
from django.utils.translation import gettext_lazy as _

from company.models.firm import Duty
from devices.querysets import CatalogueQuerySet
from devices.rules.catalogue_figures import impossible


class Origin(models.TextChoices):
    SHIPPED = "shipped", _("shipped")
    OWN = "own", _("our own")


class CatalogueRow(models.Model):
    """Common to every type: a code that never changes, and where each figure comes from."""

    code = models.SlugField(max_length=60, unique=True)
    label = models.CharField(max_length=120)
    origin = models.CharField(max_length=8, choices=Origin, default=Origin.OWN)
    sources = models.JSONField(default=dict, help_text=_("Figure → where it comes from."))
    retired_at = models.DateTimeField(null=True, blank=True)

    objects = CatalogueQuerySet.as_manager()

    class Meta:
        abstract = True

    def __str__(self) -> str:
        return self.label

    def clean(self) -> None:
        """Refuse figures that cannot be, for the forms of the office."""
        super().clean()
        wrong = impossible({field.attname: getattr(self, field.attname) for field in self._meta.concrete_fields})
        if wrong:
            raise ValidationError(wrong)


class BatteryType(CatalogueRow):
    """A cell or block by its IEC code."""

    iec_code = models.CharField(max_length=20)
    ansi_code = models.CharField(max_length=20, blank=True)
    aliases = models.JSONField(default=list)
    chemistry = models.CharField(max_length=30)
    nominal_v = models.FloatField()
    capacity_mah = models.FloatField()
    self_discharge_per_year = models.FloatField(help_text=_("Fraction of the charge per year at 20 °C."))
    shelf_life_years = models.FloatField()
    share_0c = models.FloatField(default=1)
    share_m10c = models.FloatField(default=1)
    share_m20c = models.FloatField(default=1)
    share_m40c = models.FloatField(default=1)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=models.Q(capacity_mah__gt=0), name="battery_capacity_positive"),
        ]


class TransmitterType(CatalogueRow):
    """A kind of transmitter with what it draws."""

    class Power(models.TextChoices):
        BATTERY = "battery", _("battery")
        MAINS = "mains", _("mains")

    kind = models.CharField(max_length=20, help_text=_("Name of the picture."))
    power = models.CharField(max_length=8, choices=Power, default=Power.BATTERY)
    battery_type = models.ForeignKey(BatteryType, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    cells_series = models.PositiveSmallIntegerField(default=1)
    cells_parallel = models.PositiveSmallIntegerField(default=1)
    usable_share = models.FloatField(default=0.85)
    sleep_ua = models.FloatField(default=0)
    checkin_uas = models.FloatField(default=0, help_text=_("Charge of one check-in with its repeats [µA·s]."))
    activation_uah = models.FloatField(default=0, help_text=_("Charge of one activation with its repeats [µAh]."))
    typical_activations_per_day = models.FloatField(default=0)
    default_interval_s = models.PositiveIntegerField(default=3600)
    default_window_s = models.PositiveIntegerField(default=14400)
    default_duty = models.CharField(max_length=12, choices=Duty, default=Duty.SECURITY)
    is_portable = models.BooleanField(default=False)
    n_inputs = models.PositiveSmallIntegerField(default=1)
    contact = models.CharField(max_length=8, default="none", help_text=_("no, nc, either or none"))
    unit_life_years = models.FloatField(default=0, help_text=_("End of life of the whole unit; 0 = none stated."))
    welded_cell = models.BooleanField(default=False)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=models.Q(power="mains") | models.Q(battery_type__isnull=False),
                name="transmitter_type_has_cells",
            ),
        ]

    @property
    def n_cells(self) -> int:
        return self.cells_series * self.cells_parallel


class ReceiverType(CatalogueRow):
    """A kind of receiver: slots, outputs, supply, what its slots can be set to."""

    n_slots = models.PositiveSmallIntegerField()
    n_outputs = models.PositiveSmallIntegerField()
    supply_v_nominal = models.FloatField()
    supply_v_min = models.FloatField()
    supply_ma = models.FloatField()
    windows_s = models.JSONField(default=list)
    behaviours = models.JSONField(default=list)
    default_window_s = models.PositiveIntegerField()
    default_behaviour = models.CharField(max_length=10)
    momentary_min_s = models.FloatField(default=1)
    momentary_max_s = models.FloatField(default=60)
    momentary_default_s = models.FloatField(default=5)
    can_switch_supervision_off = models.BooleanField(default=True)
    has_standby_battery = models.BooleanField(default=False)
    standby_life_years = models.FloatField(default=0)
    latched_faults = models.JSONField(
        default=list, help_text=_("Kinds of fault that keep showing until a person clears the receiver.")
    )

    class Meta:
        constraints = [
            models.CheckConstraint(condition=models.Q(n_slots__gte=1), name="receiver_type_has_slots"),
        ]
