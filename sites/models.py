"""Records of places. Facts that change have a from and a to; nothing is overwritten that a report may cite."""

from __future__ import annotations

import uuid
import zoneinfo
from datetime import date, timedelta

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.db.models.functions import Upper
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from company.models import Customer, PortalAccess
from sites.querysets import AccessNoteQuerySet, PlaceQuerySet, ShownQuerySet, SiteQuerySet, StaffOnly


def known_time_zone(name: str) -> None:
    """Refuse a name that is not in the time zone data."""
    if name not in zoneinfo.available_timezones():
        raise ValidationError(_("“%(name)s” is not a time zone, such as Europe/London."), params={"name": name})


def default_time_zone() -> str:
    return settings.TIME_ZONE


class Site(models.Model):
    """One address of a customer where receivers hang."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="sites")
    code = models.CharField(_("site code"), max_length=30)
    name = models.CharField(max_length=120)
    kind = models.CharField(_("kind of building"), max_length=60, blank=True)
    address = models.CharField(max_length=200, blank=True)
    town = models.CharField(max_length=80, blank=True)
    postcode = models.CharField(max_length=16, blank=True)
    latitude = models.FloatField(null=True, blank=True, validators=[MinValueValidator(-90), MaxValueValidator(90)])
    longitude = models.FloatField(null=True, blank=True, validators=[MinValueValidator(-180), MaxValueValidator(180)])
    time_zone = models.CharField(max_length=60, default=default_time_zone, validators=[known_time_zone])
    person_to_meet = models.CharField(max_length=120, blank=True)
    phone = models.CharField(max_length=40, blank=True)
    note = models.TextField(blank=True)
    created_at = models.DateTimeField(default=timezone.now, editable=False)
    closed_at = models.DateTimeField(null=True, blank=True, editable=False)

    objects = SiteQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                Upper("code"), name="site_code_once", violation_error_message=_("Another site has this code.")
            ),
            # Target of the composite keys that hold customer_id right on every row below.
            models.UniqueConstraint(fields=["id", "customer"], name="site_with_customer"),
        ]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("sites:site_detail", args=[self.pk])

    @property
    def zone(self) -> zoneinfo.ZoneInfo:
        return zoneinfo.ZoneInfo(self.time_zone)


class PlaceRow(models.Model):
    """Base of rows that hang on one site; carries customer_id so that scope is one comparison."""

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.CASCADE)

    class Meta:
        abstract = True


class PortalSite(models.Model):
    """One site that a limited portal access includes."""

    access = models.ForeignKey(PortalAccess, on_delete=models.CASCADE, related_name="portal_sites")
    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="portal_sites")

    objects = StaffOnly.as_manager()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["access", "site"], name="portal_site_once")]

    def __str__(self) -> str:
        return f"{self.access}: {self.site}"


class VisitingHours(PlaceRow):
    """When the site can be visited on one weekday (0 = Monday)."""

    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="visiting_hours")
    weekday = models.PositiveSmallIntegerField(validators=[MaxValueValidator(6)])
    opens = models.TimeField()
    closes = models.TimeField()

    objects = PlaceQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["site", "weekday", "opens"], name="hours_once"),
            models.CheckConstraint(condition=Q(weekday__lte=6), name="hours_weekday_range"),
            models.CheckConstraint(condition=Q(closes__gt=models.F("opens")), name="hours_close_after_open"),
        ]

    def __str__(self) -> str:
        return f"{self.site} {self.weekday} {self.opens}-{self.closes}"


class SiteClosure(PlaceRow):
    """Days without access, or days when the building is empty and work is easiest. The end is exclusive."""

    class Kind(models.TextChoices):
        NO_ACCESS = "no_access", _("no access")
        PREFERRED = "preferred", _("empty, preferred")

    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="closures")
    kind = models.CharField(max_length=10, choices=Kind)
    from_on = models.DateField()
    to_on = models.DateField()
    reason = models.CharField(max_length=120, blank=True)
    batch = models.UUIDField(null=True, blank=True, help_text=_("Of the file that brought it, for taking it back."))

    objects = PlaceQuerySet.as_manager()

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(to_on__gt=models.F("from_on")), name="closure_ends_later")]

    @property
    def last_on(self) -> date:
        """The last day that is part of it, as people say it."""
        return self.to_on - timedelta(days=1)

    def __str__(self) -> str:
        return f"{self.site} {self.get_kind_display()} {self.from_on}"


class Hazard(PlaceRow):
    """A danger to the person who works there, with the day it was noted."""

    class Kind(models.TextChoices):
        MAINS = "mains", _("mains voltage")
        HEIGHT = "height", _("work at height")
        TRAFFIC = "traffic", _("moving traffic or machines")
        LONE = "lone_work", _("lone work")
        ASBESTOS = "asbestos", _("asbestos")
        ANIMALS = "animals", _("animals")
        OTHER = "other", _("other")

    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="hazards")
    kind = models.CharField(max_length=10, choices=Kind)
    text = models.CharField(max_length=200)
    noted_on = models.DateField()
    cleared_on = models.DateField(null=True, blank=True)

    objects = PlaceQuerySet.as_manager()

    def __str__(self) -> str:
        return f"{self.get_kind_display()}: {self.text}"


class Area(PlaceRow):
    """Building, floor, room as one short path, with the order a person walks them in."""

    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="areas")
    path = models.CharField(max_length=120)
    walk_order = models.PositiveIntegerField(default=0)

    objects = PlaceQuerySet.as_manager()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["site", "path"], name="area_once_a_site")]

    def __str__(self) -> str:
        return self.path


class FloorPlan(PlaceRow):
    """A picture of a floor; pins of slots are rows of the app above."""

    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="floor_plans")
    name = models.CharField(max_length=80)
    picture = models.BinaryField()
    media_type = models.CharField(max_length=30)
    width_px = models.PositiveIntegerField()
    height_px = models.PositiveIntegerField()
    walk_order = models.PositiveIntegerField(default=0)
    added_at = models.DateTimeField(default=timezone.now)
    removed_at = models.DateTimeField(null=True, blank=True)

    objects = PlaceQuerySet.as_manager()

    def __str__(self) -> str:
        return f"{self.site}: {self.name}"


class MonitoringCentre(PlaceRow):
    """Who answers the signals of this site. Its passphrase is an access note."""

    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="monitoring_centres")
    name = models.CharField(max_length=120)
    phone = models.CharField(max_length=40, blank=True)
    account = models.CharField(max_length=40, blank=True)
    affected_outputs = models.CharField(max_length=200, blank=True)

    objects = PlaceQuerySet.as_manager()

    def __str__(self) -> str:
        return self.name


class AccessNote(PlaceRow):
    """Key-safe and door codes, encrypted with a key outside the database; never in papers, logs, search or portal."""

    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="access_notes")

    class Kind(models.TextChoices):
        KEY_SAFE = "key_safe", _("key safe")
        DOOR = "door", _("door code")
        ALARM = "alarm", _("alarm code")
        PASSPHRASE = "passphrase", _("passphrase of the monitoring centre")
        OTHER = "other", _("other")

    kind = models.CharField(max_length=10, choices=Kind, default=Kind.OTHER)
    title = models.CharField(max_length=80)
    centre = models.ForeignKey(
        MonitoringCentre, null=True, blank=True, on_delete=models.SET_NULL, related_name="access_notes"
    )
    cipher = models.BinaryField(help_text=_("Emptied when the note is removed; the row stays for the log of showings."))
    removed_at = models.DateTimeField(null=True, blank=True)
    changed_at = models.DateTimeField(default=timezone.now)
    changed_by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.SET_NULL, related_name="+")

    objects = AccessNoteQuerySet.as_manager()

    def __str__(self) -> str:
        return self.title


class AccessNoteShown(models.Model):
    """Who was shown an access note, and when."""

    note = models.ForeignKey(AccessNote, on_delete=models.PROTECT, related_name="shown")
    to = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(default=timezone.now)
    visit_id = models.BigIntegerField(null=True, blank=True)

    objects = ShownQuerySet.as_manager()

    def __str__(self) -> str:
        return f"{self.note} shown to {self.to}"
