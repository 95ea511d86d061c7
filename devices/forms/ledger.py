"""Forms of single changes: why, when, absences."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Any

from django import forms
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from company.forms.days import sensible_day
from company.local_time import NoSuchTime, local_moment
from devices.models import Receiver
from devices.rules.slot_map import FIRST_YEAR

CLOCK_GRACE = timedelta(minutes=2)
"""A browser's clock may run ahead of ours by this much."""


class WallTimeField(forms.DateTimeField):
    """A day and time as typed, without a zone: which clock it was read off is known to the form alone."""

    def to_python(self, value: Any) -> datetime | None:
        with timezone.override(UTC):
            typed = super().to_python(value)
        return typed.astimezone(UTC).replace(tzinfo=None) if typed else None


class LedgerForm(forms.Form):
    """What every change of the ledger asks: when, why, and on which version of the slot map it was made."""

    at = WallTimeField(
        label=gettext_lazy("When"),
        required=False,
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        input_formats=["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M"],
        help_text=gettext_lazy("Leave empty for now. Time of the site."),
    )
    reason = forms.CharField(
        label=gettext_lazy("Why"), max_length=200, widget=forms.TextInput(attrs={"autocomplete": "off"})
    )
    version = forms.IntegerField(widget=forms.HiddenInput, required=False, min_value=0, max_value=2**31 - 1)

    def __init__(self, *args: Any, receiver: Receiver | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.receiver = receiver
        if receiver is not None and not self.is_bound:
            self.initial.setdefault("version", receiver.version)

    @property
    def zone(self) -> tzinfo:
        """Time zone that typed days and times are meant in: the site's."""
        return self.receiver.site.zone if self.receiver is not None else timezone.get_current_timezone()

    @property
    def today(self) -> date:
        """The day that it is at the site."""
        return timezone.localdate(timezone=self.zone)

    def clean_at(self) -> datetime:
        """Take the typed time as the site's, and now where none was typed."""
        wall: datetime | None = self.cleaned_data["at"]
        now = timezone.now()
        if wall is None:
            return now
        try:
            typed = local_moment(wall, self.zone)
        except NoSuchTime as error:
            raise forms.ValidationError(str(error)) from error
        if typed > now + CLOCK_GRACE:
            raise forms.ValidationError(_("This time has not come yet."))
        if typed.year < FIRST_YEAR:
            raise forms.ValidationError(_("This lies before %(year)s.") % {"year": FIRST_YEAR})
        return min(typed, now)

    @property
    def seen_version(self) -> int:
        """Version the form was made from; a form without one is as good as stale."""
        return self.cleaned_data.get("version") or 0


class ReasonForm(LedgerForm):
    """Remove, put back, take down: only when and why."""


class AwayForm(LedgerForm):
    """A transmitter out of use or off the site, agreed with somebody."""

    from_on = forms.DateField(
        label=gettext_lazy("From"),
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        validators=[sensible_day],
    )
    agreed_until_on = forms.DateField(
        label=gettext_lazy("Agreed until"),
        required=False,
        validators=[sensible_day],
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )
    agreed_with = forms.CharField(label=gettext_lazy("Agreed with"), max_length=120)
    interim = forms.CharField(
        label=gettext_lazy("Interim measure"),
        max_length=200,
        required=False,
        help_text=gettext_lazy("What stands in for it meanwhile."),
    )

    field_order = ("reason", "from_on", "agreed_until_on", "agreed_with", "interim")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        begins, ends = cleaned.get("from_on"), cleaned.get("agreed_until_on")
        if begins and ends and ends < begins:
            self.add_error("agreed_until_on", _("This lies before the beginning."))
        return cleaned


class BackForm(LedgerForm):
    """A transmitter is back."""

    ended_on = forms.DateField(
        label=gettext_lazy("Back on"),
        validators=[sensible_day],
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        help_text=gettext_lazy("First day on which it is there again."),
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]
        self.fields["reason"].required = False
