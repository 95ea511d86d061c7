"""Forms of the firm's letterhead, prices and policy."""

from __future__ import annotations

from datetime import date
from typing import Any

from django import forms
from django.conf import settings
from django.utils.dateformat import format as date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from company.currencies import CURRENCIES
from company.forms.texts import at_most
from company.models import Firm, RiskPolicy
from company.models.firm import DateStyle, Duty
from company.pictures import MAX_BYTES


class CurrencyField(forms.ChoiceField):
    """A currency by its code, however it was typed."""

    def to_python(self, value: Any) -> str:
        return super().to_python(value).strip().upper()


def languages(*kept: str) -> list[tuple[str, str]]:
    """Languages to choose from: those of this installation, and one on record that it has no words in (yet)."""
    known = dict(settings.LANGUAGES)
    return [
        *known.items(),
        *(
            (code, _("%(code)s (English until its words are here)") % {"code": code})
            for code in kept
            if code and code not in known
        ),
    ]


class FirmForm(forms.ModelForm):
    """The firm's settings, each with what it does; `seen` tells a page that was overtaken."""

    currency = CurrencyField(
        choices=[(code, f"{code} · {name}") for code, name in CURRENCIES.items()],
        help_text=gettext_lazy("Stands behind every price on screen."),
    )
    language = forms.ChoiceField(
        choices=languages,
        help_text=gettext_lazy("Of screens and papers. A customer may have another on their own papers."),
    )
    logo = forms.FileField(
        label=gettext_lazy("Picture on the letterhead"), required=False,
        widget=forms.ClearableFileInput(attrs={"accept": "image/png,image/jpeg"}),
        help_text=gettext_lazy("PNG or JPEG, up to 4 MB; drawn anew, small, on white. On service reports from the next one issued."),
    )  # fmt: skip
    remove_logo = forms.BooleanField(label=gettext_lazy("Take the present picture away"), required=False)
    seen = forms.CharField(widget=forms.HiddenInput, max_length=64)

    GROUPS = (
        (
            gettext_lazy("Letterhead"),
            gettext_lazy("On papers from the next one issued; papers issued before never change."),
            ("name", "address", "phone", "email", "logo", "remove_logo", "paper_note"),
        ),
        (
            gettext_lazy("How things are written"),
            gettext_lazy("On every screen at once, on papers from the next one issued."),
            ("paper", "language", "units", "date_style"),
        ),
        (
            gettext_lazy("Prices"),
            gettext_lazy(
                "The firm's own costs, kept to compare plans and policies inside the firm; never on customers' papers. "
                "No page works with them yet."
            ),
            ("currency", "cost_per_hour", "cost_per_km", "cost_per_callout"),
        ),
        (
            gettext_lazy("Check-ins"),
            gettext_lazy(
                "Days older than this are dropped in the night, and nobody can bring them back: the strips that show each "
                "day and findings that look at single days end there. Kept for ever are the sums of each set of cells (days, "
                "check-ins, activations), so dates, lives and reports stay as they are."
            ),
            ("checkin_months",),
        ),
    )

    class Meta:
        model = Firm
        fields = (
            "name", "address", "phone", "email", "paper_note", "paper", "language", "units", "date_style", "currency",
            "cost_per_hour", "cost_per_km", "cost_per_callout", "checkin_months",
        )  # fmt: skip
        # Not `notes_on_phones`: the sheet that a phone keeps holds no codes, so the choice would change nothing.
        widgets = {"address": forms.Textarea(attrs={"rows": 3}), "date_style": forms.RadioSelect}
        labels = {
            "name": gettext_lazy("Name of the firm"),
            "email": gettext_lazy("E-mail"),
            "cost_per_hour": gettext_lazy("Cost of an hour"),
            "cost_per_km": gettext_lazy("Cost of a kilometre"),
            "cost_per_callout": gettext_lazy("Cost of a call-out"),
            "checkin_months": gettext_lazy("Months of check-ins kept"),
        }
        help_texts = {
            "name": gettext_lazy("Stands on every page and paper."),
            "phone": gettext_lazy("On papers and lid labels: the number that people at the site ring."),
            "paper_note": gettext_lazy("Such as a register number. At the foot of every page of a paper."),
            "paper": gettext_lazy("Of papers whose customer has no size of their own."),
            "units": gettext_lazy(
                "Lengths of cables; with feet, ways on the road in miles. A box takes the other unit with its name."
            ),
            "date_style": gettext_lazy("On screen and paper. Forms and files take 2025-05-03 whatever is chosen."),
            "cost_per_hour": gettext_lazy("Of one technician, all in."),
            "cost_per_km": gettext_lazy("Of the van, for each kilometre. A price for a mile is divided by 1.609344."),
            "cost_per_callout": gettext_lazy("Of going out for one dead battery, beside hours and kilometres."),
            "checkin_months": gettext_lazy("24 to 240. Empty: every day is kept for ever."),
        }

    def __init__(self, *args: Any, today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["seen"].initial = self.instance.seen
        at_most(self, address=400)
        language = self.fields["language"]
        assert isinstance(language, forms.ChoiceField)
        language.choices = languages(self.instance.language)
        style = self.fields["date_style"]
        assert isinstance(style, forms.ChoiceField)
        style.choices = [(value, f"{example(today, value)} (today)") for value in DateStyle.values]
        if not self.instance.logo:
            del self.fields["remove_logo"]

    def groups(self) -> list[tuple[Any, Any, list[forms.BoundField]]]:
        """Title, what it does, and fields of each part, for the template."""
        return [
            (title, lead, [self[name] for name in names if name in self.fields]) for title, lead, names in self.GROUPS
        ]

    def picture(self) -> bytes | None:
        """Uploaded bytes, empty ones to take the present picture away, None to keep it."""
        upload = self.cleaned_data.get("logo")
        if upload:
            return bytes(upload.read(MAX_BYTES + 1))
        return b"" if self.cleaned_data.get("remove_logo") else None

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if cleaned.get("logo") and cleaned.get("remove_logo"):
            self.add_error("remove_logo", _("Either a new picture, or none. Take one of the two back."))
        return cleaned


def example(day: date, style: str) -> str:
    """A day in one of the styles, to choose by."""
    form = {DateStyle.DAY_MONTH: "j F Y", DateStyle.MONTH_DAY: "F j, Y", DateStyle.ISO: "Y-m-d"}[DateStyle(style)]
    return date_format(day, form)


OURS = ("suggestion of this product", "own suggestion")
"""Notes of figures that no manager has entered: they do not stay beside figures that one has."""
OWN_FIGURES = {"p_dead", "p_call", "grace_days", "calendar_cap_days", "longest_window_h"}


class PolicyForm(forms.ModelForm):
    longest_window_h = forms.FloatField(
        label=gettext_lazy("Longest supervision window [h]"), required=False, min_value=0.01, max_value=240,
        help_text=gettext_lazy("Empty: this duty class asks for no supervision."),
    )  # fmt: skip
    reason = forms.CharField(label=gettext_lazy("Why it is changed"), max_length=300)
    seen = forms.CharField(widget=forms.HiddenInput, max_length=64)

    class Meta:
        model = RiskPolicy
        fields = ("p_dead", "p_call", "grace_days", "calendar_cap_days", "source_note")
        labels = {"source_note": gettext_lazy("Where these figures come from")}
        help_texts = {
            "p_dead": gettext_lazy(
                "Share of batteries that may die in service before they are changed. Smaller: earlier dates, more cells."
            ),
            "p_call": gettext_lazy(
                "Share that may signal low before the planned change. Smaller: fewer unplanned trips, more cells."
            ),
            "grace_days": gettext_lazy(
                "Time to change after the first signal; then it counts as late. Sooner where batteries of a kind have died sooner."
            ),
            "source_note": gettext_lazy(
                "Such as “own figures”, a contract, or the title of a standard with its clause."
            ),
            "calendar_cap_days": gettext_lazy("Batteries are changed after so many days whatever the estimate says."),
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["seen"].initial = self.instance.seen
        if self.instance.longest_window_s:
            self.fields["longest_window_h"].initial = self.instance.longest_window_s / 3600

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        hours = cleaned.get("longest_window_h")
        if self.instance.duty == Duty.LIFE_SAFETY and hours is None and "longest_window_h" not in self.errors:
            self.add_error(
                "longest_window_h", _("Life safety needs a longest window: an unwatched slot is never in order.")
            )
        self.instance.longest_window_s = round(hours * 3600) if hours else None
        dead, call = cleaned.get("p_dead"), cleaned.get("p_call")
        if dead is not None and call is not None and dead > call:
            self.add_error(
                "p_dead",
                _("Must not be above the share signalling low (%(call)s), since those found dead have ended, too.")
                % {"call": f"{call:g}"},
            )
        if cleaned.get("source_note", "").startswith(OURS) and set(self.changed_data) & OWN_FIGURES:
            cleaned["source_note"] = "own figures"
        return cleaned
