"""Panels that report by DC-09 frames: their accounts, strangers that were heard, and how the listener fares."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from company.models import Customer
from company.querysets import CustomerScoped
from devices.models.intake import IntakeSource
from devices.models.receivers import Receiver
from devices.querysets import StaffOnly
from sites.models import Site


class PanelAccount(models.Model):
    """One account number under which a panel reports, and the site and receiver that it speaks for.

    The number of a zone in its events is the number of a slot, less `slot_offset`.
    """

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="panel_accounts")
    receiver = models.ForeignKey(
        Receiver, null=True, blank=True, on_delete=models.PROTECT, related_name="panel_accounts",
        help_text=_("Empty: the only receiver at the site."),
    )  # fmt: skip
    source = models.ForeignKey(IntakeSource, on_delete=models.PROTECT, related_name="panel_accounts")
    number = models.CharField(_("account number"), max_length=16, help_text=_("3 to 16 digits 0–9 and A–F."))
    slot_offset = models.SmallIntegerField(
        _("zone of slot 1, less 1"), default=0, help_text=_("0 where zone 1 is slot 1; 100 where zone 101 is slot 1.")
    )
    key_cipher = models.BinaryField(
        null=True, blank=True, help_text=_("Key of encrypted frames, sealed. Empty: in clear.")
    )
    supervised_s = models.PositiveIntegerField(
        _("a message at least every [s]"), null=True, blank=True, help_text=_("Empty: the link is not supervised.")
    )
    last_message_at = models.DateTimeField(null=True, blank=True)
    last_peer = models.CharField(max_length=60, blank=True)
    n_frames = models.PositiveIntegerField(default=0)
    n_warned = models.PositiveIntegerField(
        default=0, help_text=_("Taken although something about the frame was wrong.")
    )
    n_refused = models.PositiveIntegerField(default=0, help_text=_("Not understood, or out of the time window."))
    note = models.CharField(max_length=200, blank=True)
    created_at = models.DateTimeField(default=timezone.now)
    closed_at = models.DateTimeField(null=True, blank=True)

    objects = CustomerScoped.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["number"], condition=Q(closed_at=None), name="one_open_account_a_number",
                violation_error_message=_("Another panel reports under this account number."),
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"{self.number} ({self.site})"


class PanelStranger(models.Model):
    """An account number that was heard and that nobody knows; one row a number, however often it calls."""

    number = models.CharField(max_length=16, unique=True)
    first_at = models.DateTimeField()
    last_at = models.DateTimeField()
    n_frames = models.PositiveIntegerField(default=1)
    last_peer = models.CharField(max_length=60, blank=True)
    example = models.CharField(max_length=200, blank=True, help_text=_("Its last frame, in clear ones only."))
    dismissed_at = models.DateTimeField(null=True, blank=True)

    objects = StaffOnly.as_manager()

    def __str__(self) -> str:
        return self.number


class ListenerState(models.Model):
    """What one listener has met since it was started; it writes its counts every few seconds."""

    bind = models.CharField(max_length=60, unique=True)
    started_at = models.DateTimeField()
    beat_at = models.DateTimeField()
    stopped_at = models.DateTimeField(null=True, blank=True)
    counts = models.JSONField(default=dict, help_text=_("Name of a count → number."))

    objects = StaffOnly.as_manager()

    def __str__(self) -> str:
        return self.bind
