"""What was changed by whom and why, and files as they were handed in."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from company.models.customers import Customer
from company.querysets import ChangeRowQuerySet, StaffOnly


class ChangeRow(models.Model):
    """One change of one record. Serves history, undo and audit; never edited."""

    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+")
    customer = models.ForeignKey(Customer, null=True, on_delete=models.PROTECT, related_name="+")
    verb = models.CharField(max_length=40, help_text=_("Name of the action, such as register_transmitter."))
    subject_kind = models.CharField(max_length=40)
    subject_id = models.BigIntegerField()
    subject_text = models.CharField(max_length=200)
    before = models.JSONField(null=True)
    after = models.JSONField(null=True)
    reason = models.CharField(max_length=300, blank=True)
    batch = models.UUIDField(
        null=True, blank=True, help_text=_("What was changed in one go (an import, a bulk edit) carries one number.")
    )
    # Indexed below: nearly every row undoes nothing, and an index of those rows leads the database astray.
    undoes = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="undone_by", db_index=False
    )

    objects = ChangeRowQuerySet.as_manager()

    class Meta:
        indexes = [
            models.Index(fields=["subject_kind", "subject_id", "-at"], name="change_by_subject"),
            models.Index(fields=["batch"], name="change_by_batch", condition=models.Q(batch__isnull=False)),
            models.Index(fields=["undoes"], name="change_by_undoes", condition=models.Q(undoes__isnull=False)),
            models.Index(fields=["at"], name="change_by_day"),
        ]

    def __str__(self) -> str:
        return f"{self.verb} {self.subject_text}"


class Upload(models.Model):
    """A file handed in, byte for byte, so that a job can read it again after a crash."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    kind = models.CharField(max_length=20)
    name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64)
    content = models.BinaryField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(default=timezone.now)

    objects = StaffOnly.as_manager()

    def __str__(self) -> str:
        return self.name
