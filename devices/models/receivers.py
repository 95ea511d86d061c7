"""Receivers and their outputs."""

from __future__ import annotations

import secrets

from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy

from company.models import Customer
from devices.models.catalogue import ReceiverType
from devices.querysets import OutputQuerySet, ReceiverQuerySet
from sites.models import Site

# Upper case and digits without look-alikes: keeps the QR code at its smallest version and can be read out on the phone.
CODE_ALPHABET = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"


def new_code() -> str:
    """Ten random characters: 50 bits, not guessable in practice and short enough for a small QR code."""
    return "".join(secrets.choice(CODE_ALPHABET) for _ in range(10))


class Evidence(models.TextChoices):
    """What reaches us of this receiver's check-ins; decides which words may be said about it."""

    EVERY = "every", gettext_lazy("every check-in reaches us")
    EXCEPTIONS = "exceptions", gettext_lazy("only exceptions reach us, link tested")
    VISITS = "visits", gettext_lazy("only visits tell")


class Receiver(models.Model):
    """One receiver at a site. `version` is bumped with every change that its slot map shows."""

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="receivers")
    code = models.CharField(max_length=10, unique=True, default=new_code, editable=False)
    type = models.ForeignKey(
        ReceiverType,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="+",
        help_text=gettext_lazy("Empty: unknown."),
    )
    n_slots = models.PositiveSmallIntegerField(
        help_text=gettext_lazy("Of its type, or as counted where the type is unknown.")
    )
    label = models.CharField(max_length=60)
    area = models.CharField(max_length=120, blank=True)
    serial = models.CharField(max_length=40, blank=True)
    evidence = models.CharField(max_length=10, choices=Evidence, default=Evidence.VISITS)
    supply_v = models.FloatField(gettext_lazy("nominal supply [V]"), null=True, blank=True)
    fed_from = models.CharField(max_length=120, blank=True)
    cable_m = models.FloatField(gettext_lazy("cable length, one way [m]"), null=True, blank=True)
    cable_gauge = models.CharField(max_length=20, blank=True, help_text=gettext_lazy("Such as 1.0 mm² or AWG 18."))
    measured_v = models.FloatField(gettext_lazy("last measured [V]"), null=True, blank=True)
    measured_on = models.DateField(null=True, blank=True)
    standby_fitted_on = models.DateField(gettext_lazy("standby battery fitted on"), null=True, blank=True)
    installed_on = models.DateField(null=True, blank=True)
    link_tested_at = models.DateTimeField(null=True, blank=True)
    heard_until = models.DateTimeField(null=True, blank=True, help_text=gettext_lazy("The source's own watermark."))
    judged_until = models.DateTimeField(
        null=True, blank=True, help_text=gettext_lazy("Silence was looked for up to then.")
    )
    days_closed_until = models.DateField(
        null=True, blank=True, help_text=gettext_lazy("Days of UTC before it have a row for every transmitter.")
    )
    fed_by = models.ForeignKey(
        "devices.IntakeSource", null=True, blank=True, on_delete=models.PROTECT, related_name="receivers",
        help_text=gettext_lazy("Who hands over its check-ins."),
    )  # fmt: skip
    loan_until = models.DateField(null=True, blank=True)
    replaces = models.ForeignKey("self", null=True, blank=True, on_delete=models.PROTECT, related_name="replaced_by")
    note = models.CharField(max_length=300, blank=True)
    version = models.PositiveIntegerField(default=1)
    created_at = models.DateTimeField(default=timezone.now)
    removed_at = models.DateTimeField(null=True, blank=True)

    objects = ReceiverQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["site", "label"],
                condition=Q(removed_at=None),
                name="receiver_label_once_a_site",
                violation_error_message=gettext_lazy("Another receiver at this site has this label."),
            ),
            models.UniqueConstraint(fields=["id", "customer"], name="receiver_with_customer"),
            models.CheckConstraint(condition=Q(n_slots__gte=1) & Q(n_slots__lte=1024), name="receiver_slots_range"),
        ]

    def __str__(self) -> str:
        return f"{self.site.name}, {self.label}"

    def get_absolute_url(self) -> str:
        return reverse("devices:slot_map", args=[self.pk])


class Output(models.Model):
    """One relay output: what it drives, how it rests, and who last saw the end effect."""

    class Kind(models.TextChoices):
        SIGNAL = "signal", gettext_lazy("signal")
        FAULT = "fault", gettext_lazy("fault")
        UNKNOWN = "unknown", gettext_lazy("unknown")

    class Contact(models.TextChoices):
        NO = "no", gettext_lazy("normally open")
        NC = "nc", gettext_lazy("normally closed")
        CHANGEOVER = "changeover", gettext_lazy("change-over")
        UNKNOWN = "unknown", gettext_lazy("unknown")

    class Rest(models.TextChoices):
        ENERGISED = "energised", gettext_lazy("energised at rest")
        RELEASED = "released", gettext_lazy("not energised at rest")
        UNKNOWN = "unknown", gettext_lazy("unknown")

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    receiver = models.ForeignKey(Receiver, on_delete=models.CASCADE, related_name="outputs")
    number = models.PositiveSmallIntegerField()
    kind = models.CharField(max_length=8, choices=Kind, default=Kind.UNKNOWN)
    drives = models.CharField(max_length=120, blank=True)
    terminals = models.CharField(max_length=40, blank=True)
    contact = models.CharField(max_length=10, choices=Contact, default=Contact.UNKNOWN)
    rest = models.CharField(max_length=10, choices=Rest, default=Rest.UNKNOWN)
    load = models.CharField(gettext_lazy("load against rating"), max_length=80, blank=True)
    eol_part = models.CharField(gettext_lazy("end-of-line part"), max_length=40, blank=True)
    clears = models.CharField(gettext_lazy("who clears it"), max_length=80, blank=True)
    end_effect_seen_by = models.CharField(max_length=80, blank=True)
    end_effect_seen_on = models.DateField(null=True, blank=True)
    test_again_since = models.DateTimeField(
        null=True,
        blank=True,
        help_text=gettext_lazy("The receiver was swapped; empty once the end effect was seen again."),
    )

    objects = OutputQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["receiver", "number"], name="output_number_once"),
            models.CheckConstraint(condition=Q(number__gte=1), name="output_number_from_one"),
        ]

    def __str__(self) -> str:
        return f"{self.receiver}, output {self.number}"
