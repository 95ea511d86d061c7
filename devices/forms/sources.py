"""Forms of sources of check-ins and of their tokens."""

from __future__ import annotations

from typing import Any, cast

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from devices.actions.sources import MOST_HOURS, is_name_taken
from devices.actions.sources_use import TokenUse
from devices.models import IntakeSource
from sites.models import Site

MOST_LATE_H = 24 * 60


GONE = {"invalid_choice": gettext_lazy("This is not in the list any more. Choose again.")}


class SiteOfCustomer(forms.ModelChoiceField):
    """A site with whose it is."""

    def __init__(self, queryset: Any, **kwargs: Any) -> None:
        told = {"required": gettext_lazy("Choose a site."), **GONE}
        given: dict[str, Any] = {"empty_label": gettext_lazy("– choose –"), "error_messages": told}
        super().__init__(queryset, **(given | kwargs))

    def label_from_instance(self, obj: Site) -> str:
        return f"{obj.customer.name}: {obj.name}"


class LimitsForm(forms.ModelForm):
    """Name, limits and note: what may change of a source."""

    seen = forms.CharField(widget=forms.HiddenInput, required=False, max_length=64)
    late_after_h = forms.FloatField(
        label=gettext_lazy("Its link counts as lost after"), required=False, min_value=0.25, max_value=MOST_LATE_H,
        help_text=gettext_lazy("Hours without a batch. Empty: it may stay silent, as an export by hand does."),
        widget=forms.NumberInput(attrs={"step": "any"}),
        error_messages={
            "invalid": gettext_lazy("Give hours as a number, such as 2 or 0.5."),
            "min_value": gettext_lazy("Give 0.25 hours or more."), "max_value": gettext_lazy("Give at most %(limit_value)s hours."),
        },
    )  # fmt: skip

    class Meta:
        model = IntakeSource
        fields = ("name", "per_minute", "note")
        labels = {"name": gettext_lazy("Name"), "per_minute": gettext_lazy("Batches a minute, at most")}
        help_texts = {
            "name": gettext_lazy("As you speak of it, such as “Gateway, Harbour House”."),
            "per_minute": gettext_lazy("More are put off to the next minute, and lost to nobody."),
        }
        error_messages = {
            "name": {
                "required": gettext_lazy("Give it a name, as you speak of it."),
                "max_length": gettext_lazy("Give a name of at most %(limit_value)s characters."),
            },
            "per_minute": {
                "required": gettext_lazy("Give a number from 1 to 100,000."), "invalid": gettext_lazy("Give a number from 1 to 100,000."),
            },
            "note": {"max_length": gettext_lazy("Write at most %(limit_value)s characters.")},
        }  # fmt: skip

    field_order = ("name", "kind", "customer", "site", "late_after_h", "per_minute", "note", "seen")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        limit: Any = self.fields["per_minute"]
        limit.min_value, limit.max_value = 1, 100_000
        limit.widget.attrs |= {"min": 1, "max": 100_000}
        if not self.is_bound and self.instance.late_after_s:
            self.initial["late_after_h"] = self.instance.late_after_s / 3600

    def clean_name(self) -> str:
        """A name that differs from another in its capitals alone tells nobody which is meant."""
        name: str = self.cleaned_data["name"]
        if is_name_taken(name, self.instance.pk):
            raise forms.ValidationError(_("Another source has this name."))
        return name

    def clean_per_minute(self) -> int:
        value: int = self.cleaned_data["per_minute"]
        if not 1 <= value <= 100_000:
            raise forms.ValidationError(_("Give a number from 1 to 100,000."))
        return value

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        hours = cleaned.get("late_after_h")
        self.instance.late_after_s = round(hours * 3600) if hours else None
        return cleaned


class SourceForm(LimitsForm):
    """A new source, with whom it speaks for."""

    class Meta(LimitsForm.Meta):
        fields = ("name", "kind", "customer", "site", "per_minute", "note")  # type: ignore[assignment]
        labels = LimitsForm.Meta.labels | {
            "kind": gettext_lazy("How it hands over"), "customer": gettext_lazy("Speaks for"), "site": gettext_lazy("Only for the site"),
        }  # fmt: skip
        help_texts = LimitsForm.Meta.help_texts | {
            "customer": gettext_lazy("A gateway speaks for one customer. This cannot be changed later: its batches stand for them."),
            "site": gettext_lazy("Choose one where the gateway must not speak for others of the customer."),
        }  # fmt: skip

    def __init__(self, *args: Any, customers: Any, sites: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["customer"].queryset = customers  # type: ignore[attr-defined]
        self.fields["site"] = SiteOfCustomer(
            queryset=sites, required=False, label=self.fields["site"].label, help_text=self.fields["site"].help_text
        )
        kinds = [IntakeSource.Kind.API, IntakeSource.Kind.FILE]
        self.fields["kind"].choices = [(kind.value, kind.label) for kind in kinds]  # type: ignore[attr-defined]
        customer: Any = self.fields["customer"]
        customer.empty_label = _("– choose; a file may be of the whole firm –")
        customer.error_messages |= {"required": _("A gateway speaks for one customer: choose whose.")} | GONE
        if (self.data.get("kind") or self.initial.get("kind")) == IntakeSource.Kind.API:
            # Where a site is chosen it says whose; the page of a gateway asks for the customer all the same.
            customer.empty_label, customer.required = _("– choose –"), not self.data.get("site")
        self.fields["kind"].error_messages |= {"required": _("Choose how it hands over.")}
        cast(Any, self.fields["site"]).empty_label = _("– every site of the customer –")
        self.order_fields(self.field_order)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        customer, site = cleaned.get("customer"), cleaned.get("site")
        if cleaned.get("kind") == IntakeSource.Kind.API:
            # Shown again after an error it asks for the customer of a gateway as it did at first.
            self.fields["customer"].required = True
        if cleaned.get("kind") == IntakeSource.Kind.API and customer is None and "customer" not in self.errors:
            if site is None:
                self.add_error("customer", _("A gateway speaks for one customer: choose whose."))
            else:
                cleaned["customer"] = site.customer
        elif site is not None and customer is not None and site.customer_id != customer.pk:
            self.add_error("site", _("This site belongs to another customer. Choose one of this customer’s sites."))
        elif site is not None and customer is None:
            cleaned["customer"] = site.customer
        return cleaned


class TokenForm(forms.Form):
    """A token in place of the present one."""

    hours = forms.IntegerField(
        label=gettext_lazy("The former token goes on for [h]"), min_value=0, max_value=MOST_HOURS, initial=24,
        help_text=gettext_lazy("For so long both are taken, so that nothing is lost while you put the new one in. 0: it ends now."),
        error_messages={
            "required": gettext_lazy("Give hours from 0 to %(most)s.") % {"most": MOST_HOURS},
            "invalid": gettext_lazy("Give whole hours."), "min_value": gettext_lazy("Give 0 hours or more."),
            "max_value": gettext_lazy("Give at most %(limit_value)s hours."),
        },
    )  # fmt: skip
    ends_former = forms.BooleanField(label=gettext_lazy("The former token may be refused from now on"), required=False)
    key = forms.CharField(widget=forms.HiddenInput, max_length=200)
    seen = forms.CharField(widget=forms.HiddenInput, max_length=64)

    def __init__(self, *args: Any, use: TokenUse, has_token: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        hours, ends = self.fields["hours"], self.fields["ends_former"]
        is_kept = bool(use.former_until) and not use.is_used
        if is_kept or not has_token:
            hours.widget = hours.hidden_widget()
        if use.former_until and use.is_used:
            hours.label = _("The present token goes on for")
            hint = {"hint": use.former_hint}
            ends.label = _("Yes, the former token …%(hint)s may be refused from now on") % hint
            ends.help_text = _("A gateway that still has it is cut off until it gets another.")
        else:
            del self.fields["ends_former"]


class WhyAndSeenForm(forms.Form):
    """Why something is ended, made from what was seen."""

    reason = forms.CharField(
        label=gettext_lazy("Why"), max_length=300, error_messages={"required": gettext_lazy("Say why, for whoever reads it later.")}
    )  # fmt: skip
    seen = forms.CharField(widget=forms.HiddenInput, required=False, max_length=64)


class DismissForm(forms.Form):
    """Why nobody needs to look at a unit, up to the event that was newest on the page."""

    reason = forms.CharField(
        label=gettext_lazy("Why"),
        max_length=200,
        help_text=gettext_lazy("Such as “the neighbour’s”, or “lies in our workshop”."),
        error_messages={"required": gettext_lazy("Say why, for whoever reads it later.")},
    )
    newest = forms.IntegerField(widget=forms.HiddenInput, min_value=1, max_value=2**62)


class DismissManyForm(DismissForm):
    """The same of many units: those chosen, or every one that a filter shows."""

    units = forms.CharField(widget=forms.HiddenInput, required=False, max_length=4000)
    what = forms.CharField(widget=forms.HiddenInput, required=False, max_length=10)
    show = forms.CharField(widget=forms.HiddenInput, required=False, max_length=10)
    q = forms.CharField(widget=forms.HiddenInput, required=False, max_length=40)
