"""The form of one change for many slots."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms
from django.utils.text import format_lazy
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from company.models.firm import Duty
from devices.forms.settings import LONGEST_INTERVAL_S
from devices.models import Output, Receiver
from devices.models.registrations import Behaviour
from devices.rules.bulk import LONGEST_AREA, LONGEST_LABEL, WORDS, Wish, pattern_refused
from devices.rules.words import window_words

LEAVE = ("", gettext_lazy("leave as it is"))
OFF, NOT_DRIVEN = "off", "none"


class BulkForm(forms.Form):
    """What shall be changed; every empty field leaves things as they are."""

    window = forms.ChoiceField(label=gettext_lazy("Supervision"), required=False)
    interval_s = forms.IntegerField(
        label=gettext_lazy("Checks in every [s]"), required=False, min_value=1, max_value=LONGEST_INTERVAL_S,
        help_text=gettext_lazy("Set on the transmitter: every slot must be registered again."),
    )  # fmt: skip
    duty = forms.ChoiceField(label=gettext_lazy("Duty class"), required=False, choices=[LEAVE, *Duty.choices])
    area = forms.CharField(label=gettext_lazy("Area"), required=False, max_length=LONGEST_AREA)
    pattern = forms.CharField(
        label=gettext_lazy("Name by pattern"), required=False, max_length=LONGEST_LABEL,
        help_text=format_lazy(
            gettext_lazy("Such as Room {example}. Known: {known}."),
            example="{slot}", known=", ".join("{" + word + "}" for word in WORDS),
        ),
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )  # fmt: skip
    output = forms.ChoiceField(label=gettext_lazy("Output"), required=False)
    behaviour = forms.ChoiceField(
        label=gettext_lazy("Drives it so"), required=False,
        choices=[("", "–"), (NOT_DRIVEN, gettext_lazy("does not drive it")), *Behaviour.choices],
    )  # fmt: skip
    seconds = forms.FloatField(label=gettext_lazy("On for [s]"), required=False, min_value=0.1, max_value=86400)
    reason = forms.CharField(
        label=gettext_lazy("Why"), max_length=200, widget=forms.TextInput(attrs={"autocomplete": "off"})
    )
    versions = forms.CharField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, receivers: Sequence[Receiver], outputs: Sequence[Output], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        windows = {int(s) for row in receivers if row.type for s in row.type.windows_s}
        windows = windows or {200, 3600, 14400, 43200, 86400}
        choices = [LEAVE, *((str(s), window_words(s)) for s in sorted(windows) if s), (OFF, "not supervised")]
        self.fields["window"].choices = choices  # type: ignore[attr-defined]
        names: dict[int, set[str]] = {}
        for output in outputs:
            names.setdefault(output.number, set()).add(output.drives)
        self.fields["output"].choices = [  # type: ignore[attr-defined]
            LEAVE,
            *((str(n), f"Output {n}" + "".join(f" ({one})" for one in sorted(names[n]) if one)) for n in sorted(names)),
        ]

    def clean_pattern(self) -> str:
        """A pattern that can be filled."""
        pattern: str = self.cleaned_data["pattern"]
        if pattern and (why := pattern_refused(pattern)):
            raise forms.ValidationError(why)
        return pattern

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        behaviour, seconds = cleaned.get("behaviour"), cleaned.get("seconds")
        if cleaned.get("output") and not behaviour:
            self.add_error("behaviour", _("Say how the output is driven, or that it is not."))
        if behaviour and not cleaned.get("output") and "output" not in self.errors:
            self.add_error("output", _("Choose the output."))
        if behaviour == "momentary" and not seconds and "seconds" not in self.errors:
            self.add_error("seconds", _("Say for how many seconds it stays on."))
        if seconds and behaviour != "momentary":
            self.add_error("seconds", _("Seconds only go with “on for a set time”."))
        if not self.errors and self.wish().is_empty:
            raise forms.ValidationError(_("Nothing is to be changed yet: fill in at least one field."))
        return cleaned

    def wish(self) -> Wish:
        """What was typed, as the action takes it."""
        cleaned = self.cleaned_data
        window, output = cleaned["window"], cleaned["output"]
        return Wish(
            window_s=None if not window else 0 if window == OFF else int(window),
            interval_s=cleaned["interval_s"],
            duty=cleaned["duty"] or None,
            area=cleaned["area"] or None,
            pattern=cleaned["pattern"] or None,
            output=int(output) if output else None,
            behaviour="" if cleaned["behaviour"] == NOT_DRIVEN else cleaned["behaviour"],
            seconds=cleaned["seconds"],
        )
