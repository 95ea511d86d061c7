"""Days as people type them: what can only be a slip of the year is told before anything is worked out from it."""

from __future__ import annotations

from datetime import date, timedelta

from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.translation import gettext as _

from company.cells import FIRST_DAY

EARLIEST = date(2000, 1, 1)
YEARS_AHEAD = 5
"""Days of records and plans lie between. Own choice, far beyond any real one."""


def recorded_day(day: date) -> None:
    """Refuse a day on which nothing can have been done yet, or before anything was; a validator of form fields.

    The same days as imports take, with one day more: somewhere it is tomorrow already.
    """
    if not FIRST_DAY <= day <= timezone.localdate() + timedelta(days=1):
        raise ValidationError(
            _("Give a day from %(first)s to today. Check the year.") % {"first": FIRST_DAY.strftime("%Y-%m-%d")}
        )


def sensible_day(day: date) -> None:
    """Refuse a day that can only be a slip of the year; a validator of form fields."""
    latest = timezone.localdate() + timedelta(days=366 * YEARS_AHEAD)
    if not EARLIEST <= day <= latest:
        raise ValidationError(
            _("Give a day from %(first)s to %(last)s. Check the year.") % {"first": EARLIEST, "last": latest}
        )
