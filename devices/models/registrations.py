"""Transmitters and their registrations in slots: the dated ledger itself."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from company.models import Customer
from company.models.firm import Duty
from devices.fields import StampField
from devices.models.catalogue import TransmitterType
from devices.models.receivers import Output, Receiver
from devices.querysets import RegistrationOutputQuerySet, RegistrationQuerySet, TransmitterQuerySet
from devices.querysets.plans import AwayQuerySet, PlannedChangeQuerySet
from sites.models import FloorPlan, Site
from sites.querysets import PlaceQuerySet


class Transmitter(models.Model):
    """One battery unit that reports by radio. Its key is a 32-bit number: it stands on every check-in row."""

    id = models.AutoField(primary_key=True)
    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    type = models.ForeignKey(
        TransmitterType,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="+",
        help_text=_("Empty: unknown."),
    )
    serial = models.CharField(max_length=40)
    made_on = models.DateField(null=True, blank=True)
    loan_until = models.DateField(null=True, blank=True)
    replaces = models.ForeignKey("self", null=True, blank=True, on_delete=models.PROTECT, related_name="replaced_by")
    unit_since = models.DateField(_("in service since"), null=True, blank=True)
    note = models.CharField(max_length=300, blank=True)
    created_at = models.DateTimeField(default=timezone.now)
    retired_at = models.DateTimeField(null=True, blank=True)
    stamp = StampField(default=0, editable=False)
    """Another one whenever where it stands, its cells or its serial changed: `devices.unit_stamps`."""

    objects = TransmitterQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["serial"],
                name="transmitter_serial_once",
                violation_error_message=_("This serial is already known."),
            ),
            models.CheckConstraint(condition=~Q(serial=""), name="transmitter_has_serial"),
        ]

    def __str__(self) -> str:
        return self.serial

    def get_absolute_url(self) -> str:
        return reverse("devices:transmitter_detail", args=[self.pk])


class Supervision(models.TextChoices):
    ON = "on", _("supervised")
    OFF = "off", _("not supervised")
    UNKNOWN = "unknown", _("unknown")


class Contact(models.TextChoices):
    NO = "no", _("normally open")
    NC = "nc", _("normally closed")
    NONE = "none", _("no contact")
    UNKNOWN = "unknown", _("unknown")


class Registration(models.Model):
    """A transmitter in a slot with its settings, from–to. Changed settings end one row and begin another.

    A slot that is taken though nothing answers is a row without a transmitter.
    """

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")
    receiver = models.ForeignKey(Receiver, on_delete=models.PROTECT, related_name="registrations")
    slot = models.PositiveSmallIntegerField()
    transmitter = models.ForeignKey(
        Transmitter, null=True, blank=True, on_delete=models.PROTECT, related_name="registrations"
    )
    input_number = models.PositiveSmallIntegerField(default=1)
    is_shared = models.BooleanField(
        _("declared to stand in several slots"), default=False, help_text=_("One battery change serves all of them.")
    )
    label = models.CharField(max_length=80)
    area = models.CharField(max_length=120, blank=True)
    duty = models.CharField(max_length=12, choices=Duty)
    is_portable = models.BooleanField(_("leaves the site"), default=False)
    supervision = models.CharField(max_length=8, choices=Supervision, default=Supervision.UNKNOWN)
    window_s = models.PositiveIntegerField(_("supervision window [s]"), null=True, blank=True)
    interval_s = models.PositiveIntegerField(_("check-in interval [s]"), null=True, blank=True)
    contact = models.CharField(max_length=8, choices=Contact, default=Contact.UNKNOWN)
    note = models.CharField(max_length=300, blank=True)
    registered_at = models.DateTimeField()
    removed_at = models.DateTimeField(null=True, blank=True)
    removed_why = models.CharField(max_length=200, blank=True)
    register_again_since = models.DateTimeField(
        null=True, blank=True, help_text=_("Set-up changed after registration; empty once registered again.")
    )
    replaces = models.ForeignKey("self", null=True, blank=True, on_delete=models.PROTECT, related_name="replaced_by")

    objects = RegistrationQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["receiver", "slot"],
                condition=Q(removed_at=None),
                name="one_open_registration_per_slot",
                violation_error_message=_("This slot is taken."),
            ),
            models.UniqueConstraint(
                fields=["transmitter", "input_number"],
                condition=Q(removed_at=None, is_shared=False, transmitter__isnull=False),
                name="one_open_place_per_input",
                violation_error_message=_("This transmitter already stands in another slot."),
            ),
            models.CheckConstraint(condition=Q(slot__gte=1), name="slot_from_one"),
            models.CheckConstraint(
                condition=Q(removed_at=None) | Q(removed_at__gt=F("registered_at")), name="registration_ends_later"
            ),
            models.CheckConstraint(
                condition=Q(supervision="on", window_s__gte=1) | Q(~Q(supervision="on"), window_s=None),
                name="window_only_when_supervised",
            ),
        ]
        indexes = [models.Index(fields=["receiver", "slot", "registered_at"], name="registration_by_slot")]

    def __str__(self) -> str:
        return f"{self.receiver}, slot {self.slot}: {self.label}"

    def get_absolute_url(self) -> str:
        return reverse("devices:slot_detail", args=[self.receiver_id, self.slot])


class Behaviour(models.TextChoices):
    FOLLOWER = "follower", _("follows the contact")
    MOMENTARY = "momentary", _("on for a set time")
    TOGGLE = "toggle", _("changes over each time")
    LATCHING = "latching", _("stays on until cleared")
    UNKNOWN = "unknown", _("unknown")


class RegistrationOutput(models.Model):
    """One output that a registration drives, and how."""

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    registration = models.ForeignKey(Registration, on_delete=models.CASCADE, related_name="outputs")
    output = models.ForeignKey(Output, on_delete=models.PROTECT, related_name="registrations")
    behaviour = models.CharField(max_length=10, choices=Behaviour, default=Behaviour.UNKNOWN)
    seconds = models.FloatField(null=True, blank=True)

    objects = RegistrationOutputQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["registration", "output"], name="output_once_a_registration"),
            models.CheckConstraint(
                condition=Q(behaviour="momentary", seconds__gt=0) | Q(~Q(behaviour="momentary"), seconds=None),
                name="seconds_only_when_momentary",
            ),
        ]

    def __str__(self) -> str:
        return f"output {self.output.number}: {self.get_behaviour_display()}"


class Away(models.Model):
    """A transmitter out of use or off site, agreed with somebody; the end is exclusive and empty while open."""

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")
    registration = models.ForeignKey(Registration, on_delete=models.PROTECT, related_name="away")
    from_on = models.DateField()
    agreed_until_on = models.DateField(null=True, blank=True)
    ended_on = models.DateField(null=True, blank=True)
    reason = models.CharField(max_length=120)
    agreed_with = models.CharField(max_length=120)
    interim = models.CharField(_("interim measure"), max_length=200, blank=True)

    objects = AwayQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["registration"], condition=Q(ended_on=None), name="one_open_away"),
            models.CheckConstraint(condition=Q(ended_on=None) | Q(ended_on__gte=F("from_on")), name="away_ends_later"),
        ]

    def __str__(self) -> str:
        return f"{self.registration} away: {self.reason}"


class PlanPin(models.Model):
    """Where a slot's transmitter, or the receiver itself, stands on a floor plan, in thousandths of width and height.

    A pin belongs to the slot's place, not to one registration: changed settings must not lose it.
    """

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")
    plan = models.ForeignKey(FloorPlan, on_delete=models.CASCADE, related_name="pins")
    receiver = models.ForeignKey(Receiver, on_delete=models.CASCADE, related_name="pins")
    slot = models.PositiveSmallIntegerField(null=True, blank=True, help_text=_("Empty: the receiver itself."))
    x_permille = models.PositiveSmallIntegerField()
    y_permille = models.PositiveSmallIntegerField()

    objects = PlaceQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["receiver", "slot"], name="one_pin_per_slot"),
            models.UniqueConstraint(fields=["receiver"], condition=Q(slot=None), name="one_pin_per_receiver"),
            models.CheckConstraint(condition=Q(x_permille__lte=1000) & Q(y_permille__lte=1000), name="pin_on_the_plan"),
        ]

    def __str__(self) -> str:
        return f"{self.plan}: {self.receiver.label}{f', slot {self.slot}' if self.slot else ''}"


class PlannedChange(models.Model):
    """What the office has decided about a slot and a technician still has to do there; done or dropped, never deleted."""

    class Kind(models.TextChoices):
        REGISTER = "register", _("register a transmitter")
        CHANGE = "change", _("change the settings")
        MOVE = "move", _("move to another slot")
        REMOVE = "remove", _("take out of the slot")

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")
    receiver = models.ForeignKey(Receiver, on_delete=models.PROTECT, related_name="planned_changes")
    slot = models.PositiveSmallIntegerField()
    registration = models.ForeignKey(
        Registration, null=True, blank=True, on_delete=models.PROTECT, related_name="planned_changes",
        help_text=_("What stood in the slot when it was planned; empty for a spare slot."),
    )  # fmt: skip
    kind = models.CharField(max_length=8, choices=Kind)
    wanted = models.JSONField(default=dict, help_text=_("Settings as the action takes them, in plain values."))
    reason = models.CharField(max_length=200)
    planned_at = models.DateTimeField(default=timezone.now)
    planned_by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+")
    done_at = models.DateTimeField(null=True, blank=True)
    done_by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+")
    dropped_at = models.DateTimeField(null=True, blank=True)
    dropped_why = models.CharField(max_length=200, blank=True)
    visit_id = models.BigIntegerField(null=True, blank=True)

    objects = PlannedChangeQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["receiver", "slot"],
                condition=Q(done_at=None, dropped_at=None),
                name="one_open_plan_per_slot",
                violation_error_message=_("A change is planned for this slot already."),
            ),
            models.CheckConstraint(condition=Q(done_at=None) | Q(dropped_at=None), name="plan_done_or_dropped"),
        ]

    def __str__(self) -> str:
        return f"{self.receiver}, slot {self.slot}: {self.get_kind_display()}"
