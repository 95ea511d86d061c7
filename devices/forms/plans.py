"""Forms of what is planned for a slot, and of absences in a list: they ask why, but not when."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from company.forms.days import sensible_day
from devices.actions.plans_wish import Wish
from devices.forms.settings import MoveTargetForm, RegisterForm, SettingsForm
from devices.models import Receiver

WHY = gettext_lazy("What was agreed, with whom. The technician reads it.")


class _Planned:
    """Takes the time out of a form: it will be the moment at which a technician does it."""

    fields: dict[str, forms.Field]

    def without_time(self) -> None:
        self.fields.pop("at", None)
        self.fields["reason"].help_text = WHY


class PlanRegisterForm(_Planned, RegisterForm):
    """A transmitter to be registered in a spare slot."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.without_time()
        self.fields["serial"].help_text = _("Leave empty where any unit will do; the technician fills it in.")

    def wish(self) -> Wish:
        """What was typed, as the action takes it."""
        return Wish("register", self.settings(), serial=self.cleaned_data["serial"], type=self.cleaned_data["type"])


class PlanChangeForm(_Planned, SettingsForm):
    """Settings that a slot shall have."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.without_time()

    def wish(self) -> Wish:
        """What was typed, as the action takes it."""
        return Wish("change", self.settings())


class PlanMoveForm(PlanChangeForm):
    """Settings that it shall have in the slot it is moved to."""

    def __init__(self, *args: Any, to_receiver: Receiver, to_slot: int, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.to_receiver, self.to_slot = to_receiver, to_slot

    def wish(self) -> Wish:
        """What was typed, as the action takes it."""
        return Wish("move", self.settings(), to_receiver=self.to_receiver, to_slot=self.to_slot)


class PlanRemoveForm(forms.Form):
    """A transmitter to be taken out of its slot."""

    reason = forms.CharField(
        label=gettext_lazy("Why"), max_length=200, help_text=WHY, widget=forms.TextInput(attrs={"autocomplete": "off"})
    )
    version = forms.IntegerField(widget=forms.HiddenInput, required=False, min_value=0, max_value=2**31 - 1)

    def wish(self) -> Wish:
        """What is wanted, as the action takes it."""
        return Wish("remove")

    @property
    def seen_version(self) -> int:
        """Version the form was made from; a form without one is as good as stale."""
        return self.cleaned_data.get("version") or 0


class WhyForm(forms.Form):
    """Only why."""

    reason = forms.CharField(
        label=gettext_lazy("Why"), max_length=200, widget=forms.TextInput(attrs={"autocomplete": "off"})
    )


class ExtendForm(WhyForm):
    """Another agreed day of return."""

    agreed_until_on = forms.DateField(
        label=gettext_lazy("Agreed until"), required=False, validators=[sensible_day], widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        help_text=gettext_lazy("Empty: no day is agreed."),
    )  # fmt: skip
    seen_until = forms.DateField(required=False, widget=forms.HiddenInput)
    field_order = ("agreed_until_on", "reason", "seen_until")


__all__ = [
    "ExtendForm", "MoveTargetForm", "PlanChangeForm", "PlanMoveForm", "PlanRegisterForm", "PlanRemoveForm", "WhyForm",
]  # fmt: skip
