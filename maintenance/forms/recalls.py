"""Forms of recalls, and of pulling the sites of a recall or lot into rounds."""

from __future__ import annotations

import re
import uuid
from datetime import date
from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from company.models import Customer, User
from devices.models import BatteryType, TransmitterType
from devices.rules.slot_map import lots_of
from maintenance.actions.rounds import RoundPlan
from maintenance.models import Recall, RecallItem, Round
from maintenance.rules.recalls import RecallFilter
from maintenance.rules.rounds.packing import DEFAULT_HORIZON_WEEKS
from sites.models import Site

USUAL_DAYS = 28
"""Days that a new recall is given unless somebody says otherwise. Decided for this product."""
FURTHEST_DAYS = 2 * 365


def _date(**rest: Any) -> forms.DateField:
    return forms.DateField(widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"), **rest)


class WhichForm(forms.Form):
    """What a recall names: its fields are those of `RecallFilter`."""

    what = forms.ChoiceField(
        label=gettext_lazy("What must come out"),
        choices=Recall.What,
        initial=Recall.What.CELLS,
        widget=forms.RadioSelect,
    )
    lots = forms.CharField(
        label=gettext_lazy("Lot or date codes"),
        required=False,
        max_length=1000,
        help_text=gettext_lazy("Several with a comma between."),
    )
    unknown_from = _date(label=gettext_lazy("No lot noted, fitted from"), required=False)
    unknown_to = _date(label=gettext_lazy("to"), required=False)
    with_undated = forms.BooleanField(
        label=gettext_lazy("Also those whose day of fitting nobody knows"), required=False, initial=True
    )
    serial_from = forms.CharField(label=gettext_lazy("Serials from"), required=False, max_length=40)
    serial_to = forms.CharField(
        label=gettext_lazy("to"),
        required=False,
        max_length=40,
        help_text=gettext_lazy("Both ends belong to the range."),
    )
    transmitter_type = forms.ModelChoiceField(
        TransmitterType.objects.none(), required=False, empty_label=gettext_lazy("any")
    )
    battery_type = forms.ModelChoiceField(
        BatteryType.objects.none(), label=gettext_lazy("Cells"), required=False, empty_label=gettext_lazy("any")
    )
    customer = forms.ModelChoiceField(
        Customer.objects.none(), required=False, empty_label=gettext_lazy("every customer")
    )
    site = forms.CharField(
        label=gettext_lazy("Site"), required=False, max_length=120, help_text=gettext_lazy("Its code or its full name.")
    )

    def __init__(self, *args: Any, by: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.by = by
        for name, model in (("transmitter_type", TransmitterType), ("battery_type", BatteryType)):
            self.fields[name].queryset = model.objects.visible_to(by).order_by("label", "pk")  # type: ignore[attr-defined]
        self.fields["battery_type"].label_from_instance = lambda row: row.iec_code  # type: ignore[attr-defined]
        customers = Customer.objects.visible_to(by).current().order_by("name", "pk")
        self.fields["customer"].queryset = customers  # type: ignore[attr-defined]

    def clean_lots(self) -> tuple[str, ...]:
        return lots_of(re.sub(r"[\r\n\t]+", ";", self.cleaned_data["lots"]))

    def clean_site(self) -> int | None:
        words = self.cleaned_data["site"].strip()
        if not words:
            return None
        sites = Site.objects.visible_to(self.by).current()
        found = list(sites.filter(code__iexact=words)[:2]) or list(sites.filter(name__iexact=words)[:2])
        if len(found) != 1:
            why = (
                _("Several sites are called that: give the code.")
                if found
                else _("No site is called “%(words)s”.") % {"words": words}
            )
            raise forms.ValidationError(why)
        return int(found[0].pk)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if not self.errors:
            for name, text in self.wanted().problems():
                self.add_error(name or None, text)
        return cleaned

    def wanted(self) -> RecallFilter:
        """The filter, once the fields are clean."""
        cleaned = self.cleaned_data
        keys: dict[str, Any] = {
            name: cleaned[name].pk if cleaned[name] else None
            for name in ("transmitter_type", "battery_type", "customer")
        }
        plain = ("lots", "unknown_from", "unknown_to", "with_undated", "serial_from", "serial_to", "site")
        return RecallFilter(**{name: cleaned[name] for name in plain}, **keys)

    def asked(self) -> list[tuple[str, str]]:
        """What was typed, for the hidden fields of the form that opens the recall."""
        return [(name, self.data[name]) for name in self.fields if self.data.get(name)]


class OpenForm(forms.Form):
    title = forms.CharField(
        max_length=120, help_text=gettext_lazy("Such as “Lot 24A17” or what the maker's letter is called.")
    )
    why = forms.CharField(
        label=gettext_lazy("What is wrong with them"), max_length=500, widget=forms.Textarea(attrs={"rows": 3}),
        help_text=gettext_lazy("In a sentence; it stands on the page of the recall and on its print."),
    )  # fmt: skip
    due_on = _date(
        label=gettext_lazy("To be done by"), help_text=gettext_lazy("Their due dates come forward to this day.")
    )
    n_seen = forms.IntegerField(min_value=0, widget=forms.HiddenInput)
    key = forms.UUIDField(widget=forms.HiddenInput, initial=uuid.uuid4)

    def __init__(self, *args: Any, today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.today = today

    def clean_due_on(self) -> date:
        due_on: date = self.cleaned_data["due_on"]
        if due_on < self.today:
            raise forms.ValidationError(_("That day is over. Choose today or a later day."))
        if (due_on - self.today).days > FURTHEST_DAYS:
            raise forms.ValidationError(_("That is more than two years away. Is the year right?"))
        return due_on


class RecallListForm(forms.Form):
    STATES = (("open", gettext_lazy("open")), ("closed", gettext_lazy("closed")), ("all", gettext_lazy("all")))
    q = forms.CharField(label=gettext_lazy("Title, site or serial"), required=False, max_length=80)
    state = forms.ChoiceField(choices=STATES, required=False)


class NoteForm(forms.Form):
    """What was seen, and the state that this form means to set: sent twice it sets it once."""

    STATES = (RecallItem.State.OPEN, RecallItem.State.NOT_AFFECTED)
    state = forms.ChoiceField(choices=[(state, state.label) for state in STATES], widget=forms.HiddenInput)
    note = forms.CharField(label=gettext_lazy("What was seen"), max_length=200)


class CloseForm(forms.Form):
    reason = forms.CharField(label=gettext_lazy("Why it is closed"), max_length=200)

    def __init__(self, *args: Any, is_settled: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["reason"].required = not is_settled


class AddForm(forms.Form):
    serials = forms.CharField(
        required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2}),
        help_text=gettext_lazy("Several with a comma or a new line between. Each must stand in a slot."),
    )  # fmt: skip
    matching = forms.BooleanField(required=False)
    reason = forms.CharField(label=gettext_lazy("How they came to light"), max_length=200)

    def clean_serials(self) -> list[str]:
        parts = re.split(r"[,;\s]+", self.cleaned_data["serials"].strip())
        return list(dict.fromkeys(part for part in parts if part))


class PullForm(forms.Form):
    """Which sites go into which round. `into`: a draft that is there; else new ones from the day on."""

    site = forms.TypedMultipleChoiceField(coerce=int, required=False)
    into = forms.ModelChoiceField(
        Round.objects.none(),
        label=gettext_lazy("Round"),
        required=False,
        empty_label=gettext_lazy("new rounds, from the day below on"),
    )
    name = forms.CharField(max_length=70, required=False)
    technician = forms.ModelChoiceField(User.objects.none(), required=False, empty_label=None)
    day = _date(label=gettext_lazy("First day"), required=False)
    starts = forms.TimeField(
        label=gettext_lazy("Sets out at"),
        required=False,
        initial="08:30",
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
    )
    n_a_day = forms.IntegerField(
        label=gettext_lazy("Stops a day, at most"), min_value=1, max_value=40, initial=8, required=False,
        help_text=gettext_lazy("More sites than that go on to the technician's next working days."),
    )  # fmt: skip
    horizon_weeks = forms.IntegerField(
        label=gettext_lazy("Change what falls due within [weeks]"),
        min_value=0,
        max_value=104,
        initial=DEFAULT_HORIZON_WEEKS,
        required=False,
    )

    def __init__(self, *args: Any, by: User, site_ids: list[int], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["site"].choices = [(pk, pk) for pk in site_ids]  # type: ignore[attr-defined]
        drafts = Round.objects.visible_to(by).filter(state=Round.State.DRAFT).select_related("technician")
        into, technician = self.fields["into"], self.fields["technician"]
        into.queryset = drafts.order_by("day", "number")  # type: ignore[attr-defined]
        into.label_from_instance = lambda r: f"{r}, {r.day.day} {r.day:%b}, {r.technician.name}"  # type: ignore[attr-defined]
        technician.queryset = User.objects.visible_to(by).technicians()  # type: ignore[attr-defined]
        technician.label_from_instance = lambda user: user.name  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if not cleaned.get("site") and "site" not in self.errors:
            self.add_error(None, _("Pick at least one site."))
        if not cleaned.get("into"):
            for name in ("name", "technician", "day", "starts", "n_a_day"):
                if cleaned.get(name) in (None, "") and name not in self.errors:
                    self.add_error(name, _("A new round needs this."))
        return cleaned

    def plan(self) -> RoundPlan:
        """The first round, once the form is valid."""
        cleaned = self.cleaned_data
        weeks = cleaned.get("horizon_weeks")
        return RoundPlan(
            name=cleaned["name"], day=cleaned["day"], technician=cleaned["technician"], starts=cleaned["starts"],
            horizon_weeks=DEFAULT_HORIZON_WEEKS if weeks is None else weeks,
        )  # fmt: skip
