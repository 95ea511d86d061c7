"""Forms of what is installed: they clean what was typed; every judgement and every write is an action's."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from django import forms
from django.utils import timezone

from company.models.firm import Duty
from devices.actions.slots import OutputChoice, Settings
from devices.models import BatteryType, Output, Receiver, ReceiverType, Transmitter, TransmitterType
from devices.models.batteries import WhyOut
from devices.models.registrations import Behaviour, Contact
from devices.rules.slot_map import FIRST_YEAR
from devices.rules.words import window_words

CLOCK_GRACE = timedelta(minutes=2)
"""A browser's clock may run ahead of ours by this much."""

NO_BEHAVIOUR = ("", "does not drive it")
MOST_SLOTS = 1024
LONGEST_INTERVAL_S = 7 * 86400


class LedgerForm(forms.Form):
    """What every change of the ledger asks: when, why, and on which version of the slot map it was made."""

    at = forms.DateTimeField(
        label="When",
        required=False,
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        input_formats=["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M"],
        help_text="Leave empty for now. Time of the site.",
    )
    reason = forms.CharField(label="Why", max_length=200, widget=forms.TextInput(attrs={"autocomplete": "off"}))
    version = forms.IntegerField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, receiver: Receiver | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.receiver = receiver
        if receiver is not None and not self.is_bound:
            self.initial.setdefault("version", receiver.version)

    def clean_at(self) -> datetime:
        """Take the typed time as the site's, and now where none was typed."""
        typed: datetime | None = self.cleaned_data["at"]
        now = timezone.now()
        if typed is None:
            return now
        if self.receiver is not None:
            typed = typed.replace(tzinfo=self.receiver.site.zone)
        if typed > now + CLOCK_GRACE:
            raise forms.ValidationError("This time has not come yet.")
        if typed.year < FIRST_YEAR:
            raise forms.ValidationError(f"This lies before {FIRST_YEAR}.")
        return min(typed, now)

    @property
    def seen_version(self) -> int:
        """Version the form was made from; a form without one is as good as stale."""
        return self.cleaned_data.get("version") or 0


class ReasonForm(LedgerForm):
    """Remove, put back, take down: only when and why."""


class SettingsForm(LedgerForm):
    """Settings of one slot, with one pair of fields for each output of the receiver."""

    label = forms.CharField(label="Place", max_length=80, help_text="As people there call it, such as Room 12.")
    area = forms.CharField(label="Area", max_length=120, required=False, help_text="Building, floor or wing.")
    duty = forms.ChoiceField(label="Duty class", choices=Duty.choices, help_text="How bad a dead battery is here.")
    is_portable = forms.BooleanField(label="Leaves the site", required=False)
    window = forms.ChoiceField(label="Supervision", help_text="After how long a silent transmitter counts as missing.")
    interval_s = forms.IntegerField(
        label="Checks in every [s]",
        required=False,
        min_value=1,
        max_value=LONGEST_INTERVAL_S,
        help_text="Empty: unknown.",
    )
    contact = forms.ChoiceField(label="Contact at rest", choices=Contact.choices)
    input_number = forms.IntegerField(label="Input", min_value=1, max_value=99, initial=1)
    is_shared = forms.BooleanField(
        label="Meant to stand in several slots", required=False, help_text="One battery change serves all of them."
    )
    note = forms.CharField(label="Note", max_length=300, required=False)

    field_order: tuple[str, ...] = ("label", "area", "duty", "is_portable", "window", "interval_s", "contact")

    def __init__(
        self, *args: Any, receiver: Receiver, outputs: list[Output], settings: Settings | None = None, **kwargs: Any
    ) -> None:
        initial = {**_initial_of(receiver, settings), **kwargs.pop("initial", {})}
        super().__init__(*args, receiver=receiver, initial=initial, **kwargs)
        self.outputs = outputs
        self.fields["window"].choices = _window_choices(receiver, settings)  # type: ignore[attr-defined]
        known = receiver.type.behaviours if receiver.type else []
        for output in outputs:
            drives = f" ({output.drives})" if output.drives else ""
            used = settings and next((c for c in settings.outputs if c.output.pk == output.pk), None)
            choices = [
                (code, words)
                for code, words in Behaviour.choices
                if not known or code in known or code == "unknown" or (used and used.behaviour == code)
            ]
            self.fields[f"output_{output.number}"] = forms.ChoiceField(
                label=f"Output {output.number}{drives}", choices=[NO_BEHAVIOUR, *choices], required=False
            )
            self.fields[f"seconds_{output.number}"] = forms.FloatField(
                label=f"Output {output.number}: on for [s]", required=False, min_value=0.1, max_value=86400
            )

    def output_fields(self) -> list[tuple[forms.BoundField, forms.BoundField]]:
        """Behaviour and seconds of each output, side by side."""
        return [(self[f"output_{output.number}"], self[f"seconds_{output.number}"]) for output in self.outputs]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        for output in self.outputs:
            behaviour, seconds = cleaned.get(f"output_{output.number}"), cleaned.get(f"seconds_{output.number}")
            if behaviour == "momentary" and not seconds and f"seconds_{output.number}" not in self.errors:
                self.add_error(f"seconds_{output.number}", "Say for how many seconds it stays on.")
            if behaviour != "momentary" and seconds:
                self.add_error(f"seconds_{output.number}", "Seconds only go with “on for a set time”.")
        return cleaned

    def settings(self) -> Settings:
        """What was typed, as an action takes it."""
        cleaned = self.cleaned_data
        window = cleaned["window"]
        return Settings(
            label=cleaned["label"],
            duty=cleaned["duty"],
            area=cleaned["area"],
            is_portable=cleaned["is_portable"],
            supervision=window if window in ("off", "unknown") else "on",
            window_s=None if window in ("off", "unknown") else int(window),
            interval_s=cleaned["interval_s"],
            contact=cleaned["contact"],
            input_number=cleaned["input_number"],
            is_shared=cleaned["is_shared"],
            note=cleaned["note"],
            outputs=tuple(
                OutputChoice(output, cleaned[f"output_{output.number}"], cleaned[f"seconds_{output.number}"])
                for output in self.outputs
                if cleaned[f"output_{output.number}"]
            ),
        )


def _initial_of(receiver: Receiver, settings: Settings | None) -> dict[str, Any]:
    if settings is None:
        return {"window": receiver.type.default_window_s if receiver.type else "unknown", "contact": "unknown"}
    names = ("label", "area", "duty", "is_portable", "interval_s", "contact", "input_number", "is_shared", "note")
    initial: dict[str, Any] = {name: getattr(settings, name) for name in names}
    initial["window"] = settings.window_s if settings.supervision == "on" else settings.supervision
    for choice in settings.outputs:
        initial[f"output_{choice.output.number}"] = choice.behaviour
        initial[f"seconds_{choice.output.number}"] = choice.seconds
    return initial


def _window_choices(receiver: Receiver, settings: Settings | None) -> list[tuple[str, str]]:
    windows = {int(window) for window in receiver.type.windows_s} if receiver.type else {200, 3600, 14400, 43200, 86400}
    if settings is not None and settings.window_s:
        windows.add(settings.window_s)
    choices = [(str(window), window_words(window)) for window in sorted(windows)]
    if (
        receiver.type is None
        or receiver.type.can_switch_supervision_off
        or (settings and settings.supervision == "off")
    ):
        choices.append(("off", "not supervised"))
    return [*choices, ("unknown", "not known")]


class RegisterForm(SettingsForm):
    """A transmitter into a spare slot; a serial nobody knows yet is a new transmitter of the type chosen."""

    serial = forms.CharField(
        label="Serial number",
        max_length=40,
        required=False,
        help_text="Leave empty where the slot is taken, but nobody knows by what.",
        widget=forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
    )
    type = forms.ModelChoiceField(
        label="Type, if it is new", queryset=TransmitterType.objects.none(), required=False, empty_label="not known"
    )

    field_order = ("serial", "type", *SettingsForm.field_order)

    def __init__(self, *args: Any, transmitters: Any, types: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.transmitters = transmitters
        self.fields["type"].queryset = types  # type: ignore[attr-defined]

    def clean_serial(self) -> str:
        serial: str = self.cleaned_data["serial"].strip()
        if any(not character.isprintable() for character in serial):
            raise forms.ValidationError("A serial number cannot hold such characters.")
        return serial

    def transmitter(self) -> Transmitter | None:
        """The transmitter of this serial, an unsaved one where it is new, or None where none was given."""
        serial = self.cleaned_data["serial"]
        if not serial:
            return None
        known: Transmitter | None = self.transmitters.filter(serial__iexact=serial).select_related("type").first()
        return known or Transmitter(serial=serial, type=self.cleaned_data["type"])


class NameForm(SettingsForm):
    """Change a slot; where nothing answered, the serial that was found may be given."""

    serial = forms.CharField(
        label="Serial number found", max_length=40, required=False, help_text="If you found out what stands here."
    )

    def __init__(self, *args: Any, transmitters: Any, is_named: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.transmitters = transmitters
        if is_named:
            del self.fields["serial"]

    def transmitter(self) -> Transmitter | None:
        """The transmitter found in place, if one was named."""
        serial = (self.cleaned_data.get("serial") or "").strip()
        if not serial:
            return None
        known: Transmitter | None = self.transmitters.filter(serial__iexact=serial).select_related("type").first()
        return known or Transmitter(serial=serial)


class MoveTargetForm(forms.Form):
    """First step of a move: where to."""

    to_receiver = forms.ModelChoiceField(label="To receiver", queryset=Receiver.objects.none())
    to_slot = forms.IntegerField(label="Slot", min_value=1, max_value=1024)

    def __init__(self, *args: Any, receivers: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["to_receiver"].queryset = receivers  # type: ignore[attr-defined]


class BatteryForm(LedgerForm):
    """Cells fitted, and why the old ones came out."""

    battery_type = forms.ModelChoiceField(
        label="Cells", queryset=BatteryType.objects.none(), required=False, empty_label="not known"
    )
    n_cells = forms.IntegerField(label="How many", min_value=1, max_value=24)
    lot = forms.CharField(
        label="Lot or date code", max_length=40, required=False, help_text="Several lots: put a semicolon between them."
    )
    made_on = forms.DateField(
        label="Made on", required=False, widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )
    is_age_unknown = forms.BooleanField(label="Found in place, nobody knows since when", required=False)
    removed_why = forms.ChoiceField(
        label="Why the old ones came out", choices=WhyOut.choices, initial=WhyOut.PREVENTIVE
    )
    removed_v = forms.FloatField(
        label="Measured when taken out [V]", required=False, min_value=0, max_value=60, help_text="Open circuit."
    )

    field_order = ("battery_type", "n_cells", "lot", "made_on", "is_age_unknown", "removed_why", "removed_v")

    def __init__(self, *args: Any, transmitter: Transmitter, types: Any, has_cells: bool, **kwargs: Any) -> None:
        kind = transmitter.type
        initial = {
            "battery_type": kind.battery_type_id if kind else None,
            "n_cells": kind.n_cells if kind else 1,
            "reason": "battery changed" if has_cells else "cells recorded",
        }
        super().__init__(*args, initial=initial | kwargs.pop("initial", {}), **kwargs)
        self.fields["battery_type"].queryset = types  # type: ignore[attr-defined]
        if not has_cells:
            del self.fields["removed_why"], self.fields["removed_v"]

    def clean_made_on(self) -> Any:
        made_on = self.cleaned_data["made_on"]
        if made_on and made_on > timezone.localdate():
            raise forms.ValidationError("This day has not come yet.")
        return made_on


class TakeOutForm(LedgerForm):
    """Cells taken out and none put in."""

    removed_why = forms.ChoiceField(label="Why they came out", choices=WhyOut.choices)
    removed_v = forms.FloatField(label="Measured [V]", required=False, min_value=0, max_value=60)


class AwayForm(LedgerForm):
    """A transmitter out of use or off the site, agreed with somebody."""

    from_on = forms.DateField(label="From", widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"))
    agreed_until_on = forms.DateField(
        label="Agreed until", required=False, widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )
    agreed_with = forms.CharField(label="Agreed with", max_length=120)
    interim = forms.CharField(
        label="Interim measure", max_length=200, required=False, help_text="What stands in for it meanwhile."
    )

    field_order = ("reason", "from_on", "agreed_until_on", "agreed_with", "interim")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        begins, ends = cleaned.get("from_on"), cleaned.get("agreed_until_on")
        if begins and ends and ends < begins:
            self.add_error("agreed_until_on", "This lies before the beginning.")
        return cleaned


class BackForm(LedgerForm):
    """A transmitter is back."""

    ended_on = forms.DateField(
        label="Back on",
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        help_text="First day on which it is there again.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"]
        self.fields["reason"].required = False


class ReceiverForm(forms.ModelForm):
    """A receiver's own facts."""

    reason = forms.CharField(label="Why", max_length=200)
    version = forms.IntegerField(widget=forms.HiddenInput, required=False)

    class Meta:
        model = Receiver
        fields = (
            "label", "area", "type", "n_slots", "serial", "evidence", "supply_v", "fed_from", "cable_m", "cable_gauge",
            "measured_v", "measured_on", "standby_fitted_on", "installed_on", "loan_until", "note",
        )  # fmt: skip
        labels = {"n_slots": "Slots", "serial": "Serial number", "evidence": "What reaches us", "fed_from": "Fed from"}
        widgets = {
            name: forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
            for name in ("measured_on", "standby_fitted_on", "installed_on", "loan_until")
        }

    def __init__(self, *args: Any, types: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kinds: Any = self.fields["type"]
        kinds.queryset, kinds.empty_label = types, "not known"
        self.fields["n_slots"].required = False
        for name in ("supply_v", "measured_v"):
            self.fields[name].widget.attrs |= {"min": 0, "max": 60, "step": "any"}
        self.fields["cable_m"].widget.attrs |= {"min": 0, "step": "any"}
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
            raise forms.ValidationError("Count the slots, or choose the type.")
        if typed is not None and not 1 <= typed <= MOST_SLOTS:
            raise forms.ValidationError(f"A receiver has 1 to {MOST_SLOTS} slots.")
        return typed if typed is not None else kind.n_slots  # type: ignore[union-attr]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        for name in ("supply_v", "measured_v", "cable_m"):
            value = cleaned.get(name)
            if value is not None and not 0 <= value <= 10000:
                self.add_error(name, "This figure cannot be.")
        return cleaned

    @property
    def seen_version(self) -> int:
        return self.cleaned_data.get("version") or 0


class OutputForm(forms.ModelForm):
    """One output of a receiver."""

    reason = forms.CharField(label="Why", max_length=200)
    version = forms.IntegerField(widget=forms.HiddenInput, required=False)

    class Meta:
        model = Output
        fields = (
            "number", "kind", "drives", "terminals", "contact", "rest", "load", "eol_part", "clears",
            "end_effect_seen_by", "end_effect_seen_on",
        )  # fmt: skip
        labels = {
            "drives": "What it drives",
            "end_effect_seen_by": "End effect last seen by",
            "end_effect_seen_on": "End effect last seen on",
            "rest": "At rest",
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
            raise forms.ValidationError("Outputs count from 1.")
        if not self.instance.pk and self.receiver.outputs.filter(number=number).exists():
            raise forms.ValidationError("This output is on record already.")
        return number

    @property
    def seen_version(self) -> int:
        return self.cleaned_data.get("version") or 0
