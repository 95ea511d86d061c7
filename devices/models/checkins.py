"""What transmitters said: one narrow row per transmitter and day, faults, and how it came in."""

from __future__ import annotations

import uuid

from django.db import models
from django.db.models import F, Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from company.models import Customer
from devices.fields import DayField
from devices.models.receivers import Receiver
from devices.models.registrations import Registration, Transmitter
from devices.querysets import CheckInQuerySet, FaultQuerySet, StaffOnly
from sites.models import Site


class CheckInDay(models.Model):
    """One transmitter's day. The table is made by hand in the migration.

    PostgreSQL: monthly range partitions on the day; SQLite: STRICT, WITHOUT ROWID, whole days as integers.
    There is no surrogate key and no second index: the key (transmitter, day) serves writing and the site read.
    `customer_id` is fixed at intake: a transmitter that moves to another customer takes no history along.
    """

    pk = models.CompositePrimaryKey("transmitter_id", "day")
    transmitter_id = models.IntegerField()
    day = DayField()
    customer_id = models.IntegerField()
    heard = models.SmallIntegerField(default=0)
    expected = models.SmallIntegerField(default=0)
    activations = models.SmallIntegerField(default=0)
    loss_runs = models.SmallIntegerField(default=0, help_text=_("Number of runs of lost check-ins."))
    lowest_margin_db = models.SmallIntegerField(null=True)
    flags = models.SmallIntegerField(default=0, help_text=_("1 low battery seen, 2 tamper seen, 4 counter capped."))
    last_heard_s = models.IntegerField(null=True, help_text=_("Seconds since midnight UTC of the last check-in."))
    presence = models.BinaryField(null=True, help_text=_("96 bits, one a quarter hour; merged by OR."))

    LOW_BATTERY = 1
    TAMPER = 2
    CAPPED = 4

    objects = CheckInQuerySet.as_manager()

    class Meta:
        db_table = "devices_checkinday"

    def __str__(self) -> str:
        return f"{self.transmitter_id} {self.day}"


class Fault(models.Model):
    """Something a receiver showed, raised–cleared; a latched one stays until a person clears it."""

    class Kind(models.TextChoices):
        MISSING = "missing", _("missing")
        LOW_BATTERY = "low_battery", _("low battery")
        TAMPER = "tamper", _("tamper")
        INTERFERENCE = "interference", _("interference")
        RECEIVER_POWER = "receiver_power", _("receiver power")

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")
    receiver = models.ForeignKey(Receiver, on_delete=models.PROTECT, related_name="faults")
    registration = models.ForeignKey(
        Registration, null=True, blank=True, on_delete=models.PROTECT, related_name="faults"
    )
    transmitter = models.ForeignKey(Transmitter, null=True, blank=True, on_delete=models.PROTECT, related_name="faults")
    kind = models.CharField(max_length=14, choices=Kind)
    raised_at = models.DateTimeField()
    cleared_at = models.DateTimeField(null=True, blank=True, help_text=_("The condition is gone."))
    is_latched = models.BooleanField(default=False)
    latch_cleared_at = models.DateTimeField(null=True, blank=True, help_text=_("A person has cleared the receiver."))
    cause = models.CharField(max_length=120, blank=True)
    source = models.CharField(max_length=40, blank=True)

    objects = FaultQuerySet.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(cleared_at=None) | Q(cleared_at__gte=F("raised_at")), name="fault_ends_later"
            ),
            models.UniqueConstraint(
                fields=["receiver", "transmitter", "kind"], condition=Q(cleared_at=None), name="one_open_fault_a_kind"
            ),
        ]
        indexes = [models.Index(fields=["site", "raised_at"], name="fault_by_site")]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} at {self.receiver}"


class IntakeSource(models.Model):
    """A gateway or export that hands over check-ins, with the digest of its token."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    name = models.CharField(max_length=80, unique=True)
    customer = models.ForeignKey(Customer, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    token_sha256 = models.CharField(max_length=64, blank=True)
    watermark_at = models.DateTimeField(null=True, blank=True)
    is_active = models.BooleanField(default=True)

    objects = StaffOnly.as_manager()

    def __str__(self) -> str:
        return self.name


class IntakeBatch(models.Model):
    """Ledger of what came in: same id and digest twice is once, same id with another digest is an error."""

    source = models.ForeignKey(IntakeSource, on_delete=models.PROTECT, related_name="batches")
    batch_id = models.CharField(max_length=80)
    sha256 = models.CharField(max_length=64)
    received_at = models.DateTimeField(default=timezone.now)
    n_rows = models.PositiveIntegerField(default=0)
    n_taken = models.PositiveIntegerField(default=0)
    n_refused = models.PositiveIntegerField(default=0)
    answer = models.JSONField(default=dict)

    objects = StaffOnly.as_manager()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["source", "batch_id"], name="batch_once_a_source")]

    def __str__(self) -> str:
        return f"{self.source} {self.batch_id}"


class SetAside(models.Model):
    """Events of a serial nobody knows: kept and shown, never dropped, never failing the batch."""

    batch = models.ForeignKey(IntakeBatch, on_delete=models.PROTECT, related_name="set_aside")
    serial = models.CharField(max_length=40)
    event = models.JSONField()
    why = models.CharField(max_length=120)

    objects = StaffOnly.as_manager()

    def __str__(self) -> str:
        return f"{self.serial}: {self.why}"
