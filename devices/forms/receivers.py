"""Forms of a receiver and its outputs."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from company.forms.days import recorded_day, sensible_day
from company.forms.lengths import LengthField, begin
from devices.models import Output, Receiver, ReceiverType

MOST_SLOTS = 1024


class ReceiverForm(forms.ModelForm):
    """A receiver's own facts."""

    reason = forms.CharField(label=gettext_lazy("Why"), max_length=200)
    version = forms.IntegerField(widget=forms.HiddenInput, required=False, min_value=0, max_value=2**31 - 1)
    cable_m = LengthField(
        label=gettext_lazy("Cable length, one way"), required=False,
        help_text=gettext_lazy("Another unit goes with its name, such as 50 m or 160 ft."),
    )  # fmt: skip

    class Meta:
        model = Receiver
        fields = (
            "label", "area", "type", "n_slots", "serial", "evidence", "supply_v", "fed_from", "cable_m", "cable_gauge",
            "measured_v", "measured_on", "standby_fitted_on", "installed_on", "loan_until", "note",
        )  # fmt: skip
        labels = {
            "n_slots": gettext_lazy("Slots"),
            "serial": gettext_lazy("Serial number"),
            "evidence": gettext_lazy("What reaches us"),
            "fed_from": gettext_lazy("Fed from"),
        }
        widgets = {
            name: forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
            for name in ("measured_on", "standby_fitted_on", "installed_on", "loan_until")
        }

    def __init__(self, *args: Any, types: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kinds: Any = self.fields["type"]
        kinds.queryset, kinds.empty_label = types, _("not known")
        self.fields["n_slots"].required = False
        for name in ("installed_on", "standby_fitted_on"):
            self.fields[name].validators.append(recorded_day)
        self.fields["loan_until"].validators.append(sensible_day)
        for name in ("supply_v", "measured_v"):
            self.fields[name].widget.attrs |= {"min": 0, "max": 60, "step": "any"}
        begin(self, "cable_m", self.instance.cable_m)
        if not self.is_bound:
            self.initial["version"] = self.instance.version

    def _get_validation_exclusions(self) -> set[str]:
        # The label is unique within the site and among receivers in use, so those two take part though nobody types them.
        exclusions: set[str] = super()._get_validation_exclusions()  # type: ignore[misc]
        return exclusions - {"site", "removed_at"}

    def clean_n_slots(self) -> int:
        """As counted, or as many as the type has."""
        typed: int | None = self.cleaned_data["n_slots"]
        kind: ReceiverType | None = self.cleaned_data.get("type")
        if typed is None and kind is None:
            raise forms.ValidationError(_("Count the slots, or choose the type."))
        if typed is not None and not 1 <= typed <= MOST_SLOTS:
            raise forms.ValidationError(_("A receiver has 1 to %(most)s slots.") % {"most": MOST_SLOTS})
        return typed if typed is not None else kind.n_slots  # type: ignore[union-attr]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        for name in ("supply_v", "measured_v", "cable_m"):
            value = cleaned.get(name)
            if value is not None and not 0 <= value <= 10000:
                self.add_error(name, _("This figure cannot be."))
        return cleaned

    @property
    def seen_version(self) -> int:
        return self.cleaned_data.get("version") or 0


class OutputForm(forms.ModelForm):
    """One output of a receiver."""

    reason = forms.CharField(label=gettext_lazy("Why"), max_length=200)
    version = forms.IntegerField(widget=forms.HiddenInput, required=False, min_value=0, max_value=2**31 - 1)

    class Meta:
        model = Output
        fields = (
            "number", "kind", "drives", "terminals", "contact", "rest", "load", "eol_part", "clears",
            "end_effect_seen_by", "end_effect_seen_on",
        )  # fmt: skip
        labels = {
            "drives": gettext_lazy("What it drives"),
            "end_effect_seen_by": gettext_lazy("End effect last seen by"),
            "end_effect_seen_on": gettext_lazy("End effect last seen on"),
            "rest": gettext_lazy("At rest"),
        }
        widgets = {"end_effect_seen_on": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")}

    def __init__(self, *args: Any, receiver: Receiver, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.receiver = receiver
        if self.instance.pk:
            self.fields["number"].disabled = True
        if not self.is_bound:
            self.initial["version"] = receiver.version

    def clean_number(self) -> int:
        number: int = self.cleaned_data["number"]
        if number < 1:
            raise forms.ValidationError(_("Outputs count from 1."))
        if not self.instance.pk and self.receiver.outputs.filter(number=number).exists():
            raise forms.ValidationError(_("This output is on record already."))
        return number

    @property
    def seen_version(self) -> int:
        return self.cleaned_data.get("version") or 0
