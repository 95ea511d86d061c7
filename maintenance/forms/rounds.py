"""Forms of rounds and stops."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from company.forms.days import sensible_day
from company.models import User
from maintenance.actions.rounds import RoundPlan
from maintenance.models import Round
from maintenance.rules.rounds.packing import DEFAULT_HORIZON_WEEKS, DEFAULT_SPARES_PERCENT


class RoundForm(forms.Form):
    name = forms.CharField(max_length=80, help_text=_("Such as the part of the island or the road."))
    day = forms.DateField(widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"), validators=[sensible_day])
    technician = forms.ModelChoiceField(User.objects.none(), empty_label=None)
    starts = forms.TimeField(label=_("Sets out at"), widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"))
    horizon_weeks = forms.IntegerField(
        label=_("Change what falls due within [weeks]"),
        min_value=0,
        max_value=104,
        initial=DEFAULT_HORIZON_WEEKS,
        help_text=_("Counted from the day of the visit; 0 changes only what is late or due that day."),
    )
    note = forms.CharField(max_length=300, required=False, help_text=_("The technician reads it."))

    def __init__(self, *args: Any, by: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["technician"]
        field.queryset = User.objects.visible_to(by).technicians()  # type: ignore[attr-defined]
        field.label_from_instance = lambda user: user.name  # type: ignore[attr-defined]

    def plan(self) -> RoundPlan:
        """What was decided, once the form is valid."""
        return RoundPlan(**{name: self.cleaned_data[name] for name in RoundPlan.__dataclass_fields__})


class VersionForm(forms.Form):
    """Every button of a round carries the version that the page was made from."""

    version = forms.IntegerField(min_value=1, max_value=2**31 - 1, widget=forms.HiddenInput)


class MinutesForm(VersionForm):
    minutes = forms.IntegerField(min_value=5, max_value=720)


class ShiftForm(VersionForm):
    by_places = forms.TypedChoiceField(choices=[("-1", _("up")), ("1", _("down"))], coerce=int)


class AddStopForm(VersionForm):
    site = forms.IntegerField(min_value=1, max_value=2**31 - 1)
    horizon_weeks = forms.IntegerField(min_value=0, max_value=104)


class MoveStopForm(VersionForm):
    to = forms.ModelChoiceField(Round.objects.none(), label=_("Round"))

    def __init__(self, *args: Any, by: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["to"].queryset = Round.objects.visible_to(by).open()  # type: ignore[attr-defined]


class CancelForm(VersionForm):
    reason = forms.CharField(max_length=300)


class SparesForm(forms.Form):
    spares = forms.IntegerField(
        label=_("Spares [%]"), min_value=0, max_value=200, initial=DEFAULT_SPARES_PERCENT, required=False
    )

    def percent(self) -> int:
        """The share asked for, or the usual one where nothing usable was given."""
        value = self.cleaned_data.get("spares") if self.is_valid() else None
        return DEFAULT_SPARES_PERCENT if value is None else value


class RoundFilterForm(forms.Form):
    STATES = (
        ("open", _("to come")), ("draft", _("being planned")), ("to_publish", _("to publish")), ("published", _("published")), ("done", _("done")),
        ("cancelled", _("cancelled")), ("all", _("all")),
    )  # fmt: skip
    q = forms.CharField(label=_("Name, number or site"), required=False)
    state = forms.ChoiceField(choices=STATES, required=False)
    technician = forms.ModelChoiceField(User.objects.none(), required=False, empty_label=_("anyone"))

    def __init__(self, *args: Any, by: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["technician"]
        field.queryset = User.objects.visible_to(by).technicians()  # type: ignore[attr-defined]
        field.label_from_instance = lambda user: user.name  # type: ignore[attr-defined]
