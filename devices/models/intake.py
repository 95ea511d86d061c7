"""How check-ins and events come in: sources with their tokens, the ledger of batches, and what nobody could place."""

from __future__ import annotations

import uuid
from typing import Any

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from company.models import Customer
from devices.models.receivers import Receiver
from devices.models.registrations import Transmitter
from devices.querysets import StaffOnly
from devices.querysets.intake import BatchQuerySet, SetAsideQuerySet
from devices.rules.set_aside_units import MOST_UNIT, unit_key
from sites.models import Site


class IntakeSource(models.Model):
    """A gateway, an export or a listener that hands over check-ins, with the digest of its token.

    A source with a customer speaks for that customer's receivers only, one with a site for that site's. Only files and
    panels that the office itself connects may have neither: a monitoring centre's export covers the whole firm.
    """

    class Kind(models.TextChoices):
        API = "api", _("gateway, by the intake address")
        FILE = "file", _("event log, by file")
        PANEL = "panel", _("panels, by DC-09 frames")

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    name = models.CharField(max_length=80, unique=True, error_messages={"unique": _("Another source has this name.")})
    kind = models.CharField(max_length=6, choices=Kind, default=Kind.API)
    customer = models.ForeignKey(Customer, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    token_sha256 = models.CharField(max_length=64, blank=True)
    token_hint = models.CharField(max_length=4, blank=True, help_text=_("Last characters of the token."))
    token_made_at = models.DateTimeField(null=True, blank=True)
    previous_sha256 = models.CharField(
        max_length=64, blank=True, help_text=_("Still taken for a while after a new one.")
    )
    previous_until = models.DateTimeField(null=True, blank=True)
    last_used_at = models.DateTimeField(null=True, blank=True)
    per_minute = models.PositiveIntegerField(_("batches a minute, at most"), default=240)
    late_after_s = models.PositiveIntegerField(
        _("silent for too long after [s]"),
        null=True,
        blank=True,
        help_text=_("Then the link counts as lost. Empty: never."),
    )
    watermark_at = models.DateTimeField(null=True, blank=True)
    n_clamped = models.PositiveIntegerField(default=0, help_text=_("Times that a wrong clock gave and that were cut."))
    column_map = models.JSONField(default=dict, blank=True, help_text=_("What was chosen for the last file."))
    note = models.CharField(max_length=200, blank=True)
    is_active = models.BooleanField(default=True)
    created_at = models.DateTimeField(default=timezone.now)
    retired_at = models.DateTimeField(null=True, blank=True)

    objects = StaffOnly.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=~Q(kind="api") | Q(customer__isnull=False), name="gateway_speaks_for_a_customer"
            ),
            models.CheckConstraint(
                condition=Q(site=None) | Q(customer__isnull=False), name="source_site_with_customer"
            ),
            models.CheckConstraint(condition=Q(per_minute__gte=1), name="source_rate_from_one"),
        ]
        indexes = [models.Index(fields=["token_sha256"], name="source_by_token")]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("devices:source_detail", args=[self.pk])


class IntakeBatch(models.Model):
    """Ledger of what came in: same id and digest twice is once, same id with another digest is an error."""

    # The constraint below is the index of its source, and people are never deleted: every batch writes each index.
    source = models.ForeignKey(IntakeSource, on_delete=models.PROTECT, related_name="batches", db_index=False)
    batch_id = models.CharField(max_length=80)
    sha256 = models.CharField(max_length=64)
    received_at = models.DateTimeField(default=timezone.now)
    file_name = models.CharField(max_length=120, blank=True)
    from_at = models.DateTimeField(null=True, blank=True, help_text=_("First event in it."))
    until_at = models.DateTimeField(null=True, blank=True, help_text=_("Last event in it."))
    n_rows = models.PositiveIntegerField(default=0)
    n_taken = models.PositiveIntegerField(default=0)
    n_refused = models.PositiveIntegerField(default=0)
    n_set_aside = models.PositiveIntegerField(default=0)
    n_clamped = models.PositiveIntegerField(default=0)
    n_repeats = models.PositiveIntegerField(default=0, help_text=_("Times it came again, unchanged, and was answered."))
    n_conflicts = models.PositiveIntegerField(
        default=0, help_text=_("Times another content came under this id: refused.")
    )
    answer = models.JSONField(default=dict)
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+", db_index=False
    )

    objects = BatchQuerySet.as_manager()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["source", "batch_id"], name="batch_once_a_source")]
        indexes = [models.Index(fields=["received_at"], name="batch_by_time")]

    def __str__(self) -> str:
        return f"{self.source} {self.batch_id}"


class SetAside(models.Model):
    """An event that nobody could place (an unknown serial, a spare slot): kept and shown, never dropped, never failing the batch.

    Also what a transmitter on record said of its cells while it stood in no slot: adopted as it comes, by nobody (`waited`).
    """

    batch = models.ForeignKey(IntakeBatch, on_delete=models.PROTECT, related_name="set_aside")
    customer = models.ForeignKey(Customer, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    receiver = models.ForeignKey(Receiver, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    slot = models.PositiveSmallIntegerField(null=True, blank=True)
    serial = models.CharField(max_length=40, blank=True)
    unit = models.CharField(
        max_length=MOST_UNIT, blank=True, editable=False, help_text=_("What is asked together, see `unit_key`.")
    )
    kind = models.CharField(max_length=20, blank=True)
    at = models.DateTimeField(null=True, blank=True, help_text=_("When the event happened."))
    row = models.PositiveIntegerField(default=0, help_text=_("Its place in the batch."))
    event = models.JSONField()
    why = models.CharField(max_length=120)
    adopted_at = models.DateTimeField(null=True, blank=True)
    adopted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    transmitter = models.ForeignKey(Transmitter, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    dismissed_at = models.DateTimeField(null=True, blank=True)
    dismissed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    dismissed_why = models.CharField(max_length=200, blank=True)

    objects = SetAsideQuerySet.as_manager()

    class Meta:
        indexes = [
            models.Index(
                fields=["customer", "unit"],
                name="set_aside_open_units",
                condition=Q(adopted_at=None, dismissed_at=None),
            ),
            models.Index(fields=["unit", "dismissed_at"], name="set_aside_by_unit"),
        ]
        constraints = [
            models.CheckConstraint(condition=Q(adopted_at=None) | Q(dismissed_at=None), name="set_aside_one_fate"),
        ]

    def __str__(self) -> str:
        if self.serial or self.named:
            return self.serial or self.named
        if self.slot is not None and self.receiver is not None:
            return gettext("%(receiver)s, slot %(slot)s") % {"receiver": self.receiver.label, "slot": self.slot}
        return self.why

    def save(self, *args: Any, **kwargs: Any) -> None:
        if not self.unit:
            self.unit = unit_key(serial=self.serial, receiver_id=self.receiver_id, slot=self.slot, named=self.named)
        super().save(*args, **kwargs)

    @property
    def named(self) -> str:
        """The receiver as the sender wrote it."""
        return str(self.event.get("receiver") or "") if isinstance(self.event, dict) else ""

    @property
    def is_slot_there(self) -> bool:
        """Whether the receiver has the slot that is named; False where either is not known."""
        return self.receiver is not None and bool(self.slot) and 1 <= (self.slot or 0) <= self.receiver.n_slots
