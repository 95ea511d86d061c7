"""Forms of panels that report by DC-09 frames, and of their keys."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from devices.forms.sources import SiteOfCustomer
from devices.models import PanelAccount, Receiver
from devices.rules.dc09_cipher import KeyUnfit, key_of
from sites.models import Site

MOST_ZONE = 20_000
MOST_MINUTES = 60 * 24 * 60


class ReceiverOfSite(forms.ModelChoiceField):
    """A receiver with where it hangs."""

    def label_from_instance(self, obj: Receiver) -> str:
        return f"{obj.site.name}: {obj.label}"


class OnceInput(forms.TextInput):
    """A field that is never filled in again, not even where the form is refused."""

    def get_context(self, name: str, value: Any, attrs: dict[str, Any] | None) -> dict[str, Any]:
        return super().get_context(name, None, attrs)


class KeyField(forms.CharField):
    """A key in hex digits, as bytes; empty is None."""

    def __init__(self, **kwargs: Any) -> None:
        look = {"autocomplete": "off", "spellcheck": "false", "autocapitalize": "off", "class": "num"}
        super().__init__(max_length=160, widget=OnceInput(attrs=look), **kwargs)

    def clean(self, value: Any) -> Any:
        text = super().clean(value)
        if not text:
            return None
        try:
            return key_of(text)
        except KeyUnfit:
            raise forms.ValidationError(
                _("A key is 32, 48 or 64 hex digits (0–9, A–F). Copy it from the panel’s settings.")
            ) from None


class PanelForm(forms.ModelForm):
    """What may change of a panel."""

    zone_of_slot_1 = forms.IntegerField(
        label=gettext_lazy("Zone of slot 1"), initial=1, min_value=1 - MOST_ZONE, max_value=MOST_ZONE,
        help_text=gettext_lazy("1 where zone 1 is slot 1. If the panel calls slot 1 zone 101, give 101: zone 112 is slot 12 then."),
    )  # fmt: skip
    every_min = forms.FloatField(
        label=gettext_lazy("A message at least every"), required=False, min_value=1, max_value=MOST_MINUTES,
        help_text=gettext_lazy("Minutes. Look in the panel how often it tests its link by itself, and give a little more: 1500 (25 hours) for one that tests daily, 10 for one that tests every five minutes. After that its link counts as lost; with less than its own time it would be lost again and again though nothing is wrong. Empty: it may stay silent."),
        widget=forms.NumberInput(attrs={"step": "any"}),
    )  # fmt: skip
    seen = forms.CharField(widget=forms.HiddenInput, required=False, max_length=64)

    class Meta:
        model = PanelAccount
        fields = ("number", "receiver", "note")
        labels = {"number": gettext_lazy("Account number"), "receiver": gettext_lazy("Reports for")}
        help_texts = {
            "number": gettext_lazy("3 to 16 digits 0–9 and A–F, as set in the panel."),
            "receiver": gettext_lazy("Empty: the only receiver at the site."),
        }

    field_order = ("site", "number", "receiver", "zone_of_slot_1", "every_min", "key", "note", "seen")

    def __init__(self, *args: Any, receivers: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        old: Any = self.fields["receiver"]
        self.fields["receiver"] = ReceiverOfSite(
            queryset=receivers, required=False, label=old.label, help_text=old.help_text,
            empty_label=_("the only one at the site"),
        )  # fmt: skip
        if not self.is_bound:
            self.initial["zone_of_slot_1"] = self.instance.slot_offset + 1
            if self.instance.supervised_s:
                self.initial["every_min"] = self.instance.supervised_s / 60
        self.order_fields(self.field_order)

    def clean_number(self) -> str:
        return str(self.cleaned_data["number"]).strip().lstrip("#").upper()

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        zone, minutes = cleaned.get("zone_of_slot_1"), cleaned.get("every_min")
        if zone is not None:
            self.instance.slot_offset = zone - 1
        self.instance.supervised_s = round(minutes * 60) if minutes else None
        self.ask_for_receiver(cleaned, self.instance.site_id)
        return cleaned

    def ask_for_receiver(self, cleaned: dict[str, Any], site_id: int | None) -> None:
        """Left empty it means the only receiver at the site, so there may not be several."""
        if site_id is None or cleaned.get("receiver") is not None or "receiver" in self.errors:
            return
        receivers: Any = self.fields["receiver"]
        n_there = receivers.queryset.filter(site_id=site_id).count()
        if n_there > 1:
            self.add_error(
                "receiver", _("This site has %(n)s receivers. Choose the one it reports for.") % {"n": n_there}
            )


class NewPanelForm(PanelForm):
    """A new panel: where it stands, and for a manager its key."""

    def __init__(self, *args: Any, sites: Any, may_set_key: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["site"] = SiteOfCustomer(queryset=sites, label=_("Site"))
        if may_set_key:
            self.fields["key"] = KeyField(
                label=_("Key"), required=False,
                help_text=_("Hex digits, as set in the panel. It is never shown again. Empty: the panel sends in clear."),
            )  # fmt: skip
        self.order_fields(self.field_order)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        site: Site | None = cleaned.get("site")
        receiver: Receiver | None = cleaned.get("receiver")
        if site is not None and receiver is not None and receiver.site_id != site.pk:
            self.add_error("receiver", _("This receiver is at another site. Choose one of this site."))
        if site is not None:
            self.instance.site, self.instance.customer_id = site, site.customer_id
            self.ask_for_receiver(cleaned, site.pk)
        return cleaned


class PanelKeyForm(forms.Form):
    """The key of a panel's messages, entered once."""

    seen = forms.CharField(widget=forms.HiddenInput, required=False, max_length=64)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["key"] = KeyField(
            label=_("Key"),
            help_text=_("32, 48 or 64 hex digits (0–9, A–F), as set in the panel. It is never shown again."),
        )
