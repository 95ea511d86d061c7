"""Forms of the sheet: each kind of entry with what may be said about it, the finish, the call-out."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Any

from django import forms
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from company.forms.choices import SeveralField
from company.models import User
from devices.models import BatteryType
from devices.models.batteries import WhyOut
from devices.rules.slot_map import FIRST_YEAR
from maintenance.actions.visits import NotDone, Signing
from maintenance.models import DueItem, LotFit, Recall, Visit
from maintenance.querysets.new_cells import BadLot, bad_among, bad_lots
from maintenance.rules.visits import NOT_DONE_WHY

EARLIEST = date(FIRST_YEAR, 1, 1)
NOT_DONE_CHOICES = [("", "choose"), *NOT_DONE_WHY.items()]
WHY_OUT = [(value, label) for value, label in WhyOut.choices if value != WhyOut.RETIRED]


class EntryForm(forms.Form):
    """What every entry carries: the key that makes a second sending harmless."""

    key = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs["initial"] = {"key": uuid.uuid4(), **(kwargs.get("initial") or {})}
        super().__init__(*args, **kwargs)

    def facts(self) -> dict[str, Any]:
        """What was typed, as plain JSON."""
        return {name: value for name, value in self.cleaned_data.items() if name != "key"}


class BatteryForm(EntryForm):
    """A change of cells. Cells of a bad lot are recorded too, with a reason: what was done on site must always be."""

    cells = forms.ChoiceField(label=gettext_lazy("Cells fitted"))
    n_cells = forms.IntegerField(label=gettext_lazy("Number of cells"), min_value=1, max_value=24)
    old_why = forms.ChoiceField(
        label=gettext_lazy("Why the old ones came out"), choices=WHY_OUT, initial=WhyOut.PREVENTIVE
    )
    lot = forms.CharField(label=gettext_lazy("Lot or date code"), max_length=40, required=False)
    lot_why = forms.CharField(
        label=gettext_lazy("Why cells of a lot we warn of are in all the same"), max_length=200, required=False
    )
    old_v = forms.FloatField(label=gettext_lazy("Old set measured [V]"), min_value=0, max_value=60, required=False)
    old_under_load = forms.BooleanField(label=gettext_lazy("Measured under load"), required=False)
    last_known_on = forms.DateField(
        label=gettext_lazy("If found dead: last known working"),
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )

    def __init__(self, *args: Any, by: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.by = by
        types = BatteryType.objects.visible_to(by).offered().values_list("code", "iec_code", "label")
        choices = [(code, iec_code if iec_code in label else f"{iec_code}, {label}") for code, iec_code, label in types]
        self.fields["cells"].choices = choices  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if cleaned.get("old_under_load") and "old_v" in cleaned and cleaned["old_v"] is None:
            self.add_error("old_v", _("Give the volts that were measured under load, or leave the box empty."))
        day = cleaned.get("last_known_on")
        # A phone may stand a day ahead of us; the exact check is made with the time of the change.
        if day and not EARLIEST <= day <= timezone.localdate() + timedelta(days=1):
            self.add_error("last_known_on", _("This day cannot be right. Check the year."))
        if cleaned.get("lot") and not cleaned.get("lot_why"):
            for lot in bad_among(self.bad_lots, cleaned["lot"], cleaned.get("cells", "")):
                words = _(
                    "Lot %(code)s is %(why)s. Fit other cells, put these aside and tell the office. "
                    "If they are in already, say why here, and it is recorded."
                )
                self.add_error("lot_why", words % {"code": lot.code, "why": lot.why})
        return cleaned

    @cached_property
    def bad_lots(self) -> list[BadLot]:
        """Lots of which none is to be fitted, of every type: a page without signal must know them all."""
        return bad_lots(LotFit.objects.visible_to(self.by), Recall.objects.visible_to(self.by))

    @property
    def warns(self) -> bool:
        """Whether any of them may be of the cells that the form offers."""
        return any(lot.is_of(self["cells"].value() or "") for lot in self.bad_lots)

    def facts(self) -> dict[str, Any]:
        """As typed; what was left empty is left out, so that a form of an older page says the same as ever."""
        facts = super().facts()
        day = facts.pop("last_known_on")
        for name in ("old_under_load", "lot_why"):
            if not facts[name]:
                del facts[name]
        return facts | ({"last_known_on": day.isoformat()} if day else {})


class WalkTestForm(EntryForm):
    heard = forms.TypedChoiceField(
        label=gettext_lazy("At the output"),
        choices=[("yes", gettext_lazy("heard")), ("no", gettext_lazy("not heard"))],
        coerce=lambda value: value == "yes",
    )
    margin_db = forms.IntegerField(
        label=gettext_lazy("Signal margin [dB]"), min_value=-30, max_value=99, required=False
    )


class RegisteredForm(EntryForm):
    pass


class NoteForm(EntryForm):
    text = forms.CharField(label=gettext_lazy("Note"), max_length=600, widget=forms.Textarea(attrs={"rows": 3}))


class NotDoneForm(EntryForm):
    why = forms.ChoiceField(label=gettext_lazy("Why not done"), choices=NOT_DONE_CHOICES)
    text = forms.CharField(label=gettext_lazy("In words"), max_length=300, required=False)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if cleaned.get("why") == "other" and not cleaned.get("text"):
            self.add_error("text", _("Say it in a few words."))
        return cleaned

    def facts(self) -> dict[str, Any]:
        return super().facts() | {"why_words": NOT_DONE_WHY[self.cleaned_data["why"]]}


class StandbyForm(EntryForm):
    def facts(self) -> dict[str, Any]:
        return {"standby": True}


class VoltsForm(EntryForm):
    volts = forms.FloatField(label=gettext_lazy("Supply measured [V]"), min_value=0, max_value=60)


class CoversForm(EntryForm):
    covers = forms.BooleanField(label=gettext_lazy("Every cover is on"))
    in_place = forms.BooleanField(label=gettext_lazy("Every transmitter is in its place"))


class ClearedForm(EntryForm):
    cause = forms.CharField(
        label=gettext_lazy("What had latched it"),
        max_length=120,
        initial="work on this visit",
        help_text=gettext_lazy("Goes onto each latched fault."),
    )


class TestForm(EntryForm):
    """Putting the monitoring centre on or off test; `at` is a time of today, empty is now."""

    told = forms.CharField(
        label=gettext_lazy("Who was told"), max_length=120, help_text=gettext_lazy("At the centre and in the building.")
    )
    at = forms.TimeField(label=gettext_lazy("At"), required=False, widget=forms.TimeInput(attrs={"type": "time"}))

    def facts(self) -> dict[str, Any]:
        return {"told": self.cleaned_data["told"]}

    def made_at(self, visit: Visit, now: datetime) -> datetime:
        """The moment meant: that time today at the site, or yesterday's if today's has not come yet."""
        at = self.cleaned_data.get("at")
        if at is None:
            return now
        local = now.astimezone(visit.site.zone)
        moment = local.replace(hour=at.hour, minute=at.minute, second=0, microsecond=0)
        return moment if moment <= local else moment - timedelta(days=1)


class WithdrawForm(EntryForm):
    reason = forms.CharField(label=gettext_lazy("Why it is withdrawn"), max_length=300)


ENTRY_FORMS: dict[str, type[EntryForm]] = {
    "battery": BatteryForm, "walk_test": WalkTestForm, "registered": RegisteredForm, "note": NoteForm,
    "not_done": NotDoneForm, "volts": VoltsForm, "covers": CoversForm, "cleared": ClearedForm, "on_test": TestForm,
    "off_test": TestForm,
}  # fmt: skip
"""Kind of entry → its form."""

CORRECTABLE = ("battery", "walk_test", "note", "not_done", "volts")
"""Kinds that can be entered anew; the others are withdrawn and recorded again, because their turn matters."""


def entry_form(kind: str, by: User, *args: Any, **kwargs: Any) -> EntryForm:
    """The form of one kind; the battery's asks the catalogue."""
    form = ENTRY_FORMS[kind]
    return form(*args, by=by, **kwargs) if form is BatteryForm else form(*args, **kwargs)


class CallOutForm(forms.Form):
    KINDS = [(v, label) for v, label in Visit.Kind.choices if v != Visit.Kind.ROUND]
    uuid = forms.UUIDField(widget=forms.HiddenInput)
    kind = forms.ChoiceField(label=gettext_lazy("What for"), choices=KINDS)
    why = forms.CharField(label=gettext_lazy("What was asked or reported"), max_length=200, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs["initial"] = {"uuid": uuid.uuid4(), "kind": Visit.Kind.CALL_OUT, **(kwargs.get("initial") or {})}
        super().__init__(*args, **kwargs)


class FinishForm(forms.Form):
    """Signature or refusal, and for each due thing left why; one reason may serve for all that have none."""

    signed_name = forms.CharField(label=gettext_lazy("Name of the person who signs"), max_length=120, required=False)
    signature_path = forms.CharField(max_length=60000, required=False, widget=forms.HiddenInput)
    refused_why = forms.CharField(label=gettext_lazy("Nobody signs, because"), max_length=200, required=False)
    why_all = forms.ChoiceField(label=gettext_lazy("The same reason for all"), choices=NOT_DONE_CHOICES, required=False)
    text_all = forms.CharField(label=gettext_lazy("In words"), max_length=300, required=False)

    def __init__(self, *args: Any, items: Sequence[DueItem] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.items = list(items)
        for item in self.items:
            name = (
                f"{item.registration.slot} {item.registration.label}" if item.registration else str(item.receiver.label)
            )
            self.fields[f"why_{item.pk}"] = forms.ChoiceField(
                label=_("Why %(name)s was not done") % {"name": name}, choices=NOT_DONE_CHOICES, required=False
            )
            self.fields[f"text_{item.pk}"] = forms.CharField(
                label=_("In words, %(name)s") % {"name": name}, max_length=300, required=False
            )
            self.fields[f"key_{item.pk}"] = forms.UUIDField(widget=forms.HiddenInput, initial=uuid.uuid4)

    def rows(self) -> list[tuple[DueItem, Any, Any, Any]]:
        """Each item with its three fields, for the page."""
        return [(item, self[f"why_{item.pk}"], self[f"text_{item.pk}"], self[f"key_{item.pk}"]) for item in self.items]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        for item in self.items:
            why, text = self._reason(cleaned, item)
            if why == "other" and not text:
                self.add_error(f"text_{item.pk}", _("Say it in a few words."))
        return cleaned

    def _reason(self, cleaned: dict[str, Any], item: DueItem) -> tuple[str, str]:
        own = cleaned.get(f"why_{item.pk}")
        if own:
            return own, cleaned.get(f"text_{item.pk}") or ""
        return cleaned.get("why_all") or "", cleaned.get(f"text_{item.pk}") or cleaned.get("text_all") or ""

    def not_done(self) -> list[NotDone]:
        """Reasons that were given."""
        found = []
        for item in self.items:
            why, text = self._reason(self.cleaned_data, item)
            key = self.cleaned_data.get(f"key_{item.pk}")
            if why and key:
                found.append(NotDone(item, why, text, key))
        return found

    def signing(self) -> Signing:
        """Who signed, or why nobody did."""
        cleaned = self.cleaned_data
        return Signing(cleaned["signed_name"], cleaned["signature_path"], cleaned["refused_why"])


class CrewForm(forms.Form):
    people = SeveralField(User.objects.none(), label=gettext_lazy("Who goes"), widget=forms.CheckboxSelectMultiple)

    def __init__(self, *args: Any, by: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["people"]
        field.queryset = User.objects.visible_to(by).technicians()  # type: ignore[attr-defined]
        field.label_from_instance = lambda user: user.name  # type: ignore[attr-defined]


class RemarkForm(forms.Form):
    remark = forms.CharField(
        required=False, max_length=4000, widget=forms.Textarea(attrs={"rows": 4}),
        help_text=gettext_lazy("Goes onto the report that the customer gets."),
    )  # fmt: skip
