"""Visits and what was recorded on them. Entries are never changed: a correction is a new entry that points at the old."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from company.models import Customer
from devices.models import Receiver, Registration
from devices.models.batteries import WhyOut
from maintenance.models.rounds import Round
from maintenance.querysets import EntryQuerySet, VisitQuerySet, WalkTestQuerySet
from maintenance.rules.visits import old_cells_words
from sites.models import Site


class Visit(models.Model):
    """One site in a round, or a call-out."""

    class Kind(models.TextChoices):
        ROUND = "round", _("planned round")
        CALL_OUT = "call_out", _("call-out")
        INSPECTION = "inspection", _("inspection")
        COMMISSIONING = "commissioning", _("commissioning")

    class State(models.TextChoices):
        PLANNED = "planned", _("planned")
        OPEN = "open", _("under way")
        FINISHED = "finished", _("finished")
        CANCELLED = "cancelled", _("cancelled")

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="visits")
    round = models.ForeignKey(Round, null=True, blank=True, on_delete=models.PROTECT, related_name="visits")
    position = models.PositiveSmallIntegerField(_("stop"), default=1)
    kind = models.CharField(max_length=14, choices=Kind, default=Kind.ROUND)
    state = models.CharField(max_length=10, choices=State, default=State.PLANNED)
    planned_on = models.DateField()
    planned_at = models.TimeField(null=True, blank=True)
    planned_minutes = models.PositiveSmallIntegerField(default=30)
    why = models.JSONField(default=list, help_text=_("Why this stop on this day."))
    arrived_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    finished_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    told_before = models.CharField(_("told before"), max_length=120, blank=True)
    told_after = models.CharField(_("told after"), max_length=120, blank=True)
    on_test_at = models.DateTimeField(null=True, blank=True)
    off_test_at = models.DateTimeField(null=True, blank=True)
    signed_name = models.CharField(max_length=120, blank=True)
    signature_path = models.TextField(blank=True, help_text=_("Drawn signature as an SVG path."))
    refused_why = models.CharField(_("signature refused, why"), max_length=200, blank=True)
    remark = models.TextField(blank=True, help_text=_("Office's remark on the report."))
    version = models.PositiveIntegerField(default=1)

    objects = VisitQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["round", "site"], condition=~Q(state="cancelled"), name="site_once_a_round"
            ),
            models.CheckConstraint(
                condition=~Q(state="finished") | Q(finished_at__isnull=False), name="finished_visit_has_a_time"
            ),
        ]
        indexes = [models.Index(fields=["planned_on", "state"], name="visit_by_day")]

    def __str__(self) -> str:
        return f"{self.site}, {self.planned_on}"

    def get_absolute_url(self) -> str:
        return reverse("maintenance:visit_detail", args=[self.pk])


class VisitCrew(models.Model):
    """One of the technicians on a visit."""

    visit = models.ForeignKey(Visit, on_delete=models.CASCADE, related_name="crew")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="visits")

    objects = WalkTestQuerySet.as_manager()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["visit", "user"], name="crew_once_a_visit")]

    def __str__(self) -> str:
        return f"{self.user} on {self.visit}"


class Entry(models.Model):
    """One thing recorded on a visit. The key comes from the form or phone: sending it twice records it once."""

    class Kind(models.TextChoices):
        BATTERY = "battery", _("battery changed")
        WALK_TEST = "walk_test", _("walk test")
        NOTE = "note", _("note")
        NOT_DONE = "not_done", _("not done")
        REGISTERED = "registered", _("registered again")
        VOLTS = "volts", _("supply measured")
        COVERS = "covers", _("covers on, transmitters in place")
        CLEARED = "cleared", _("receiver cleared")
        ON_TEST = "on_test", _("monitoring centre: on test")
        OFF_TEST = "off_test", _("monitoring centre: off test")

    key = models.UUIDField(unique=True)
    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, related_name="entries")
    receiver = models.ForeignKey(Receiver, null=True, blank=True, on_delete=models.PROTECT, related_name="entries")
    registration = models.ForeignKey(
        Registration, null=True, blank=True, on_delete=models.PROTECT, related_name="entries"
    )
    kind = models.CharField(max_length=12, choices=Kind)
    made_at = models.DateTimeField(help_text=_("When it was done, by the technician's clock."))
    recorded_at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    facts = models.JSONField(default=dict)
    sha256 = models.CharField(
        max_length=64, help_text=_("Digest of what was sent, so that a key cannot carry two things.")
    )
    corrects = models.ForeignKey("self", null=True, blank=True, on_delete=models.PROTECT, related_name="corrected_by")
    is_withdrawn = models.BooleanField(default=False)

    objects = EntryQuerySet.as_manager()

    class Meta:
        indexes = [models.Index(fields=["visit", "registration"], name="entry_by_slot")]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} ({self.visit})"

    @property
    def old_cells_words(self) -> str:
        """How the cells that a battery entry took out had ended, as it was recorded; empty where there were none."""
        return old_cells_words(
            self.facts, {code: str(words) for code, words in WhyOut.choices}.get(self.facts.get("old_why", ""), "")
        )


class WalkTest(models.Model):
    """A transmitter set off, and what was seen at the output."""

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    entry = models.OneToOneField(Entry, on_delete=models.CASCADE, related_name="walk_test")
    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, related_name="walk_tests")
    registration = models.ForeignKey(Registration, on_delete=models.PROTECT, related_name="walk_tests")
    at = models.DateTimeField()
    heard = models.BooleanField(_("heard at the output"))
    margin_db = models.SmallIntegerField(_("signal margin [dB]"), null=True, blank=True)

    objects = WalkTestQuerySet.as_manager()

    def __str__(self) -> str:
        return f"{self.registration}: {'heard' if self.heard else 'not heard'}"
