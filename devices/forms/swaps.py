"""Forms of swaps: the unit that comes in, and what becomes of the old one."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from company.forms.days import recorded_day, sensible_day
from devices.actions.swaps_receiver import NewReceiver
from devices.actions.swaps_transmitter import OLD_BECOMES, RETIRED, NewUnit
from devices.forms.ledger import LedgerForm
from devices.forms.receivers import MOST_SLOTS
from devices.forms.serials import AsksForSerial
from devices.models import BatteryType, Receiver, ReceiverType, Transmitter, TransmitterType


def _day(label: Any, help_text: Any = "", within: Any = sensible_day) -> forms.DateField:
    return forms.DateField(
        label=label, required=False, help_text=help_text, validators=[within],
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )  # fmt: skip


class _SwapForm(LedgerForm):
    def clean_loan_until(self) -> Any:
        """A loan ends some day to come."""
        day = self.cleaned_data["loan_until"]
        if day and day < self.today:
            raise forms.ValidationError(_("The loan would be over already. Give the day on which it goes back."))
        return day


class TransmitterSwapForm(AsksForSerial, _SwapForm):
    """Another transmitter in the place of a broken one. `versions` are those of the receivers it stands at."""

    serial = forms.CharField(
        label=gettext_lazy("Serial number of the new unit"), max_length=40,
        widget=forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
    )  # fmt: skip
    type = forms.ModelChoiceField(
        label=gettext_lazy("Type, if it is new"),
        queryset=TransmitterType.objects.none(),
        required=False,
        empty_label=gettext_lazy("not known"),
    )
    old_becomes = forms.ChoiceField(label=gettext_lazy("The old unit is"), choices=OLD_BECOMES, initial=RETIRED)
    loan_until = _day(gettext_lazy("On loan until"), gettext_lazy("Only for a unit on loan: the day it goes back."))
    battery_type = forms.ModelChoiceField(
        label=gettext_lazy("Cells in the new unit"),
        queryset=BatteryType.objects.none(),
        required=False,
        empty_label=gettext_lazy("not noted"),
    )
    n_cells = forms.IntegerField(label=gettext_lazy("How many"), min_value=1, max_value=24, required=False)
    versions = forms.CharField(widget=forms.HiddenInput, required=False)
    field_order = ("serial", "type", "old_becomes", "loan_until", "battery_type", "n_cells", "reason", "at")

    def __init__(
        self, *args: Any, transmitter: Transmitter, transmitters: Any, receivers: Iterable[Receiver], types: Any,
        cells: Any, **kwargs: Any,
    ) -> None:  # fmt: skip
        rows = list(receivers)
        kind = transmitter.type
        initial = {
            "type": transmitter.type_id, "versions": ",".join(f"{row.pk}:{row.version}" for row in rows),
            "n_cells": kind.n_cells if kind else 1,
        }  # fmt: skip
        super().__init__(*args, receiver=rows[0] if rows else None, initial=initial, **kwargs)
        self.fields["type"].queryset = types  # type: ignore[attr-defined]
        self.fields["battery_type"].queryset = cells  # type: ignore[attr-defined]
        self.transmitters = transmitters

    def clean_serial(self) -> str:
        """As printed, without blanks around it."""
        serial: str = self.cleaned_data["serial"].strip()
        if any(not character.isprintable() for character in serial):
            raise forms.ValidationError(_("A serial number cannot hold such characters."))
        return serial

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        self.ask_which_unit(cleaned.get("serial", ""))
        return cleaned

    def unit(self) -> NewUnit:
        """The unit that comes in, as the action takes it."""
        names = ("serial", "type", "loan_until", "old_becomes", "battery_type", "n_cells")
        return NewUnit(**{name: self.cleaned_data[name] for name in names})

    @property
    def seen_versions(self) -> dict[int, int]:
        """Receiver → version the form was made from; anything odd counts as stale."""
        return versions_of(self.cleaned_data["versions"])


def versions_of(text: str) -> dict[int, int]:
    """Receiver → version out of a hidden field."""
    pairs = [pair.split(":") for pair in text.split(",") if pair.count(":") == 1]
    return {int(a): int(b) for a, b in pairs if a.isdecimal() and b.isdecimal() and len(a) < 19 and len(b) < 19}


class ReceiverSwapForm(_SwapForm):
    """Another receiver in the place of a broken one."""

    type = forms.ModelChoiceField(
        label=gettext_lazy("Type"),
        queryset=ReceiverType.objects.none(),
        required=False,
        empty_label=gettext_lazy("not known"),
    )
    n_slots = forms.IntegerField(
        label=gettext_lazy("Slots"),
        min_value=1,
        max_value=MOST_SLOTS,
        required=False,
        help_text=gettext_lazy("Empty: as many as the type has."),
    )
    serial = forms.CharField(label=gettext_lazy("Serial number of the new unit"), max_length=40, required=False)
    loan_until = _day(gettext_lazy("On loan until"), gettext_lazy("Only for a unit on loan: the day it goes back."))
    standby_fitted_on = _day(gettext_lazy("Standby battery of the new unit fitted on"), within=recorded_day)
    field_order = ("type", "n_slots", "serial", "loan_until", "standby_fitted_on", "reason", "at")

    def __init__(self, *args: Any, receiver: Receiver, types: Any, **kwargs: Any) -> None:
        super().__init__(*args, receiver=receiver, initial={"type": receiver.type_id}, **kwargs)
        self.fields["type"].queryset = types  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        kind, typed = cleaned.get("type"), cleaned.get("n_slots")
        if kind is None and typed is None and "n_slots" not in self.errors:
            self.add_error("n_slots", _("Count the slots, or choose the type."))
        if kind is not None and typed is not None and typed > kind.n_slots:
            self.add_error("n_slots", _("This type has %(n_slots)s slots.") % {"n_slots": kind.n_slots})
        return cleaned

    def unit(self) -> NewReceiver:
        """The unit that comes in, as the action takes it."""
        cleaned = self.cleaned_data
        kind = cleaned["type"]
        return NewReceiver(
            kind, cleaned["n_slots"] or kind.n_slots, serial=cleaned["serial"].strip(),
            loan_until=cleaned["loan_until"], standby_fitted_on=cleaned["standby_fitted_on"],
        )  # fmt: skip


class WorksAgainForm(forms.Form):
    """Who saw the end effect of an output, and when."""

    seen_by = forms.CharField(
        label=gettext_lazy("Seen by"), max_length=80, help_text=gettext_lazy("Who saw lamp, sounder or display react.")
    )
    version = forms.IntegerField(widget=forms.HiddenInput, required=False, min_value=0, max_value=2**31 - 1)
