"""People who sign in, and what the planner must know of a technician."""

from __future__ import annotations

from typing import Any, ClassVar

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.contrib.auth.models import PermissionsMixin
from django.db import models
from django.db.models.functions import Lower
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from company.querysets import StaffOnly, UserQuerySet


class UserManager(BaseUserManager.from_queryset(UserQuerySet)):  # type: ignore[misc]
    """Makes people; the e-mail address is kept in lower case so that signing in does not depend on it."""

    def create_user(self, email: str, password: str | None = None, **fields: Any) -> User:
        """Make a person. Without a password they must use the reset mail to set one."""
        if not email:
            raise ValueError("A person needs an e-mail address.")
        user = self.model(email=email.strip().lower(), **fields)
        user.set_password(password)
        user.save(using=self._db)
        return user

    def create_superuser(self, email: str, password: str | None = None, **fields: Any) -> User:
        """Make the first manager of an installation."""
        fields |= {"audience": User.Audience.OFFICE, "is_manager": True, "is_superuser": True}
        return self.create_user(email, password, **fields)


class User(AbstractBaseUser, PermissionsMixin):
    """A person with one audience: office, technician or portal (a customer's person)."""

    class Audience(models.TextChoices):
        OFFICE = "office", _("Office")
        TECHNICIAN = "technician", _("Technician")
        PORTAL = "portal", _("Customer portal")

    email = models.EmailField(_("e-mail address"))
    name = models.CharField(max_length=120)
    phone = models.CharField(max_length=40, blank=True)
    audience = models.CharField(max_length=12, choices=Audience)
    is_manager = models.BooleanField(
        _("manager"), default=False, help_text=_("May also change people, policy, prices and settings.")
    )
    is_active = models.BooleanField(_("may sign in"), default=True)
    theme = models.CharField(
        _("look"),
        max_length=5,
        choices=[("auto", _("as the device")), ("light", _("light")), ("dark", _("dark"))],
        default="auto",
    )
    invited_at = models.DateTimeField(null=True, blank=True, editable=False)
    deactivated_at = models.DateTimeField(null=True, blank=True, editable=False)
    joined_at = models.DateTimeField(default=timezone.now, editable=False)

    USERNAME_FIELD = "email"
    EMAIL_FIELD = "email"
    REQUIRED_FIELDS: ClassVar[list[str]] = ["name"]

    objects = UserManager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                Lower("email"), name="user_email_once", violation_error_message=_("This address is already in use.")
            ),
            models.CheckConstraint(
                condition=models.Q(is_manager=False) | models.Q(audience="office"), name="user_manager_is_office"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} <{self.email}>"

    def get_absolute_url(self) -> str:
        return reverse("company:person_edit", args=[self.pk])

    def get_short_name(self) -> str:
        return self.name

    @property
    def is_office(self) -> bool:
        return self.audience == self.Audience.OFFICE

    @property
    def is_technician(self) -> bool:
        return self.audience == self.Audience.TECHNICIAN

    @property
    def is_portal(self) -> bool:
        return self.audience == self.Audience.PORTAL

    @property
    def is_staff_member(self) -> bool:
        """One of the firm's own people."""
        return self.audience in (self.Audience.OFFICE, self.Audience.TECHNICIAN)

    @property
    def is_staff(self) -> bool:
        """Django's admin is for managers only."""
        return self.is_manager and self.is_superuser


class Technician(models.Model):
    """Where a technician starts and ends the day, and what they are able to do."""

    user = models.OneToOneField(User, on_delete=models.CASCADE, related_name="technician")
    start_place = models.CharField(max_length=120, blank=True)
    start_latitude = models.FloatField(null=True, blank=True)
    start_longitude = models.FloatField(null=True, blank=True)
    end_place = models.CharField(max_length=120, blank=True, help_text=_("Empty: the same as the start."))
    end_latitude = models.FloatField(null=True, blank=True)
    end_longitude = models.FloatField(null=True, blank=True)
    skills = models.CharField(max_length=200, blank=True, help_text=_("Words separated by commas."))

    objects = StaffOnly.as_manager()

    def __str__(self) -> str:
        return str(self.user)


class TechnicianShift(models.Model):
    """Working hours on one weekday (0 = Monday)."""

    technician = models.ForeignKey(Technician, on_delete=models.CASCADE, related_name="shifts")
    weekday = models.PositiveSmallIntegerField()
    begins = models.TimeField()
    ends = models.TimeField()

    objects = StaffOnly.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["technician", "weekday"], name="shift_once_a_weekday"),
            models.CheckConstraint(condition=models.Q(weekday__lte=6), name="shift_weekday_range"),
            models.CheckConstraint(condition=models.Q(ends__gt=models.F("begins")), name="shift_ends_after_it_begins"),
        ]

    def __str__(self) -> str:
        return f"{self.technician} {self.weekday}"


class TechnicianDayOff(models.Model):
    """One day off."""

    technician = models.ForeignKey(Technician, on_delete=models.CASCADE, related_name="days_off")
    day = models.DateField()
    reason = models.CharField(max_length=80, blank=True)

    objects = StaffOnly.as_manager()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["technician", "day"], name="day_off_once")]

    def __str__(self) -> str:
        return f"{self.technician} {self.day}"
