"""What transmitters said: one narrow row per transmitter and day, and the faults that receivers showed."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Coalesce
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from company.models import Customer
from company.querysets import CustomerScoped
from devices.fields import DayField
from devices.models.receivers import Receiver
from devices.models.registrations import Registration, Transmitter
from devices.querysets import CheckInQuerySet, FaultQuerySet
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
    presence = models.BinaryField(
        null=True, help_text=_("96 bits, one a quarter hour in which anything was heard; merged by OR. Empty: sealed.")
    )
    acted = models.BinaryField(
        null=True,
        help_text=_("96 bits, one a quarter hour in which an activation was counted, and counts beside them."),
    )
    acts_source = models.SmallIntegerField(
        default=0, help_text=_("Source that counted the first activation, to which the bits belong. 0 = files.")
    )

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
        TROUBLE = "trouble", _("sensor trouble")
        INTERFERENCE = "interference", _("interference")
        RECEIVER_POWER = "receiver_power", _("receiver power")
        RECEIVER_STANDBY = "receiver_standby", _("receiver standby battery")
        RECEIVER_TAMPER = "receiver_tamper", _("receiver tamper")
        RECEIVER_FAULT = "receiver_fault", _("receiver fault")
        OUTAGE = "outage", _("receiver hears little or nothing")
        LINK_LOST = "link_lost", _("link lost")

    class FoundBy(models.TextChoices):
        SIGNAL = "signal", _("reported")
        WATCH = "watch", _("seen by us")

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")
    receiver = models.ForeignKey(Receiver, on_delete=models.PROTECT, related_name="faults")
    registration = models.ForeignKey(
        Registration, null=True, blank=True, on_delete=models.PROTECT, related_name="faults"
    )
    transmitter = models.ForeignKey(Transmitter, null=True, blank=True, on_delete=models.PROTECT, related_name="faults")
    kind = models.CharField(max_length=16, choices=Kind)
    raised_at = models.DateTimeField()
    cleared_at = models.DateTimeField(null=True, blank=True, help_text=_("The condition is gone."))
    is_latched = models.BooleanField(default=False)
    latch_cleared_at = models.DateTimeField(null=True, blank=True, help_text=_("A person has cleared the receiver."))
    cause = models.CharField(max_length=120, blank=True)
    source = models.CharField(max_length=40, blank=True)
    found_by = models.CharField(
        max_length=6, choices=FoundBy, default=FoundBy.SIGNAL,
        help_text=_("A reported fault ends with its restore; what we saw ourselves ends when we see it is over."),
    )  # fmt: skip
    recorded_at = models.DateTimeField(default=timezone.now, help_text=_("When it reached us; raised may be earlier."))
    acknowledged_at = models.DateTimeField(null=True, blank=True)
    acknowledged_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    acknowledged_note = models.CharField(max_length=200, blank=True)

    objects = FaultQuerySet.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(cleared_at=None) | Q(cleared_at__gte=F("raised_at")), name="fault_ends_later"
            ),
            models.UniqueConstraint(
                fields=["receiver", "transmitter", "kind"], condition=Q(cleared_at=None), name="one_open_fault_a_kind"
            ),
            # Two empty transmitters differ for the database: faults of the receiver itself need a rule of their own.
            models.UniqueConstraint(
                fields=["receiver", "kind"],
                condition=Q(cleared_at=None, transmitter=None),
                name="one_open_receiver_fault",
            ),
        ]
        indexes = [
            models.Index(fields=["site", "raised_at"], name="fault_by_site"),
            models.Index(fields=["recorded_at"], name="fault_by_record"),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} at {self.receiver}"


class FaultReport(models.Model):
    """One report that a condition began or is over, kept as it came: faults are worked out from these, in whatever order they
    came (`rules/fault_spans.py`). What a repeat says is on record already.

    Kept as long as something may still come in that lies before or among them: up to `Firm.checkins_from`, before which
    nothing is taken any more, not even from a file uploaded by hand. Low-battery signals stay for good: cells are judged
    by them (`rules/low_signals.py`).
    """

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, db_index=False, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, db_index=False, related_name="+")
    receiver = models.ForeignKey(Receiver, on_delete=models.PROTECT, db_index=False, related_name="fault_reports")
    registration = models.ForeignKey(
        Registration, null=True, blank=True, on_delete=models.PROTECT, db_index=False, related_name="+"
    )
    transmitter = models.ForeignKey(
        Transmitter, null=True, blank=True, on_delete=models.PROTECT, related_name="fault_reports"
    )
    kind = models.CharField(max_length=16, choices=Fault.Kind, help_text=_("Of the fault that it raises or ends."))
    at = models.DateTimeField()
    is_raised = models.BooleanField(help_text=_("It began, or is still there; else it is over."))
    note = models.CharField(max_length=120, blank=True)
    source = models.CharField(max_length=40, blank=True)
    received_at = models.DateTimeField()

    objects = CustomerScoped.as_manager()

    class Meta:
        constraints = [
            # Also the way to what a receiver reported since a moment.
            models.UniqueConstraint(
                "receiver", "at", "kind", Coalesce("transmitter", 0), "is_raised", name="fault_report_once"
            )
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} at {self.receiver}"
