"""How cells ended: asked when they come out, and asked anew where it was recorded wrong."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from devices.forms.ledger import LedgerForm
from devices.models import BatteryType, Fitting, FittingEnd, Transmitter
from devices.models.batteries import WhyOut
from devices.querysets import end_of_day
from devices.rules.slot_map import FIRST_YEAR

END_FIELDS = ("removed_why", "removed_v", "removed_v_under_load", "low_seen_on", "last_alive_on", "end_note")


def _day_field(label: str, help_text: str) -> forms.DateField:
    return forms.DateField(
        label=label, required=False, help_text=help_text,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )  # fmt: skip


def end_fields(label: str) -> dict[str, forms.Field]:
    """Fields that ask how cells ended, by name."""
    return {
        "removed_why": forms.ChoiceField(label=label, choices=WhyOut.choices, initial=WhyOut.PREVENTIVE),
        "removed_v": forms.FloatField(label=_("Volts measured [V]"), required=False, min_value=0, max_value=60),
        "removed_v_under_load": forms.BooleanField(
            label=_("Measured under load"), required=False,
            help_text=_("While the transmitter sent, or with a load across the cells. Cells at rest nearly always look full."),
        ),
        "low_seen_on": _day_field(
            _("First low-battery signal"),
            _("After a low-battery signal: the day it was first seen, if our records do not know it."),
        ),
        "last_alive_on": _day_field(
            _("Last known working"), _("Found dead: the last day it was heard or passed a test. It tells when they died.")
        ),
        "end_note": forms.CharField(label=_("Note on the old ones"), required=False, max_length=200),
    }  # fmt: skip


class EndForm(LedgerForm):
    """What every form about an end cleans and gives."""

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if cleaned.get("removed_v_under_load") and cleaned.get("removed_v") is None and "removed_v" in cleaned:
            self.add_error("removed_v", _("Give the volts that were measured under load, or leave the box empty."))
        for name in ("low_seen_on", "last_alive_on"):
            day = cleaned.get(name)
            if day and day > self.today:
                self.add_error(name, _("This day has not come yet."))
            elif day and day.year < FIRST_YEAR:
                self.add_error(name, _("This lies before %(year)s.") % {"year": FIRST_YEAR})
        return cleaned

    def moment_of(self, name: str, *, removed_at: datetime, known: datetime | None = None) -> datetime | None:
        """The moment that a typed day stands for: what was known of that day, else its end, never after the removal."""
        day: date | None = self.cleaned_data.get(name)
        if day is None:
            return None
        if known is not None and known.astimezone(self.zone).date() == day:
            return known
        return min(end_of_day(day, self.zone), removed_at)

    def end_facts(self, removed_at: datetime) -> dict[str, Any]:
        """What the actions that take cells out ask for."""
        cleaned = self.cleaned_data
        return {
            "removed_why": cleaned.get("removed_why") or WhyOut.UNKNOWN,
            "removed_v": cleaned.get("removed_v"),
            "removed_v_under_load": bool(cleaned.get("removed_v_under_load")),
            "low_seen_at": self.moment_of("low_seen_on", removed_at=removed_at),
            "last_alive_at": self.moment_of("last_alive_on", removed_at=removed_at),
            "end_note": cleaned.get("end_note") or "",
        }


class BatteryForm(EndForm):
    """Cells fitted, and how the old ones ended."""

    battery_type = forms.ModelChoiceField(
        label=gettext_lazy("Cells"),
        queryset=BatteryType.objects.none(),
        required=False,
        empty_label=gettext_lazy("not known"),
    )
    n_cells = forms.IntegerField(label=gettext_lazy("How many"), min_value=1, max_value=24)
    lot = forms.CharField(
        label=gettext_lazy("Lot or date code"),
        max_length=40,
        required=False,
        help_text=gettext_lazy("Several lots: put a semicolon between them."),
    )
    made_on = forms.DateField(
        label=gettext_lazy("Made on"), required=False, widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )
    is_age_unknown = forms.BooleanField(label=gettext_lazy("Found in place, nobody knows since when"), required=False)
    field_order = ("battery_type", "n_cells", "lot", "made_on", "is_age_unknown", *END_FIELDS, "at", "reason")

    def __init__(self, *args: Any, transmitter: Transmitter, types: Any, has_cells: bool, **kwargs: Any) -> None:
        kind = transmitter.type
        initial = {
            "battery_type": kind.battery_type_id if kind else None,
            "n_cells": kind.n_cells if kind else 1,
            "reason": "battery changed" if has_cells else "cells recorded",
        }
        super().__init__(*args, initial=initial | kwargs.pop("initial", {}), **kwargs)
        self.fields["battery_type"].queryset = types  # type: ignore[attr-defined]
        if has_cells:
            self.fields.update(end_fields(_("How the old ones ended")))
            self.order_fields(self.field_order)

    def clean_made_on(self) -> Any:
        made_on = self.cleaned_data["made_on"]
        if made_on and made_on > self.today:
            raise forms.ValidationError(_("This day has not come yet."))
        return made_on


class TakeOutForm(EndForm):
    """Cells taken out and none put in."""

    field_order = (*END_FIELDS, "at", "reason")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields.update(end_fields(_("How they ended")))
        self.order_fields(self.field_order)


class CorrectEndForm(EndForm):
    """How cells ended, said anew; begins with what is on record."""

    field_order = (*END_FIELDS, "reason")

    def __init__(self, *args: Any, fitting: Fitting, end: FittingEnd | None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["at"], self.fields["version"]  # what must not have changed is what was said, not the slot map
        self.fields["seen_end"] = forms.IntegerField(widget=forms.HiddenInput, required=False, min_value=0)
        self.fields.update(end_fields(_("How they ended")))
        self.order_fields(self.field_order)
        self.fields["end_note"].label = _("Note on these cells")
        self.fields["reason"].label = _("Why it is corrected")
        self.fitting, self.end = fitting, end
        low = end.low_seen_at if end else fitting.first_low_at
        alive = end.last_alive_at if end else fitting.last_alive_at
        if not self.is_bound:
            self.initial.update({
                "seen_end": end.pk if end else 0,
                "removed_why": fitting.removed_why or WhyOut.UNKNOWN, "removed_v": fitting.removed_v,
                "removed_v_under_load": fitting.removed_v_under_load, "end_note": end.note if end else "",
                "low_seen_on": low.astimezone(self.zone).date() if low else None,
                "last_alive_on": alive.astimezone(self.zone).date() if alive else None,
            })  # fmt: skip
        self.known = {"low_seen_on": low, "last_alive_on": alive}

    def corrected(self) -> dict[str, Any]:
        """What the correcting action asks for."""
        cleaned, removed_at = self.cleaned_data, self.fitting.removed_at
        assert removed_at is not None
        return {
            # A form that does not say what it was made from is as good as stale.
            "seen_end": cleaned["seen_end"] if cleaned["seen_end"] is not None else -1,
            "why": cleaned["removed_why"], "volts": cleaned["removed_v"], "note": cleaned["end_note"],
            "is_under_load": cleaned["removed_v_under_load"], "reason": cleaned["reason"],
            "low_seen_at": self.moment_of("low_seen_on", removed_at=removed_at, known=self.known["low_seen_on"]),
            "last_alive_at": self.moment_of("last_alive_on", removed_at=removed_at, known=self.known["last_alive_on"]),
        }  # fmt: skip
