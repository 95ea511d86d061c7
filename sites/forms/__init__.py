"""Forms of places: they clean what was typed; actions decide and write."""

from __future__ import annotations

import zoneinfo
from collections.abc import Mapping
from datetime import timedelta
from typing import Any, ClassVar

from django import forms
from django.conf import settings
from django.contrib.auth.models import AnonymousUser
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from company.forms.choices import SeveralField
from company.forms.days import sensible_day
from company.forms.drawn import DrawnForm
from company.forms.texts import at_most
from company.models import Customer, PortalAccess, User
from sites.forms.access_notes import AccessNoteForm
from sites.models import Area, Hazard, MonitoringCentre, Site, SiteClosure

__all__ = ["AccessNoteForm"]


def _day() -> forms.DateInput:
    return forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")


class SiteForm(DrawnForm):
    time_zone = forms.ChoiceField(label=gettext_lazy("Time zone"))

    class Meta:
        model = Site
        fields: tuple[str, ...] = (
            "code", "name", "kind", "address", "town", "postcode", "latitude", "longitude", "time_zone",
            "person_to_meet", "phone", "note",
        )  # fmt: skip
        widgets = {"note": forms.Textarea(attrs={"rows": 3})}
        help_texts = {
            "code": gettext_lazy("Short and unique; imports find the site by it."),
            "kind": gettext_lazy("Such as care home, school, workshop."),
            "latitude": gettext_lazy("Degrees north, such as 58.2104."),
            "longitude": gettext_lazy("Degrees east; west is negative."),
            "note": gettext_lazy("For the firm's own people. No codes here: those are access notes."),
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        at_most(self, note=4000)
        self._offer_zones({settings.TIME_ZONE, self.instance.time_zone})
        self.fields["time_zone"].initial = self.instance.time_zone

    def _offer_zones(self, near: set[str]) -> None:
        """Those that are likely first, then all others: nobody looks for Europe below Africa."""
        zone = self.fields["time_zone"]
        assert isinstance(zone, forms.ChoiceField)
        others = sorted(zoneinfo.available_timezones() - near)
        zone.choices = [
            (_("In use here"), [(name, name) for name in sorted(near)]),
            (_("All others"), [(name, name) for name in others]),
        ]

    def clean_code(self) -> str:
        return self.cleaned_data["code"].strip()

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if (cleaned.get("latitude") is None) != (cleaned.get("longitude") is None):
            missing = "latitude" if cleaned.get("latitude") is None else "longitude"
            if missing not in self.errors:
                self.add_error(missing, _("A position needs both numbers."))
        return cleaned


class NewSiteForm(SiteForm):
    class Meta(SiteForm.Meta):
        fields = ("customer", *SiteForm.Meta.fields)

    def __init__(self, *args: Any, for_user: User | AnonymousUser, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        customer = self.fields["customer"]
        assert isinstance(customer, forms.ModelChoiceField)
        customer.queryset = Customer.objects.visible_to(for_user).current().order_by("name", "pk")
        known = Site.objects.visible_to(for_user).order_by().values_list("time_zone", flat=True).distinct()
        self._offer_zones({settings.TIME_ZONE, self.instance.time_zone, *known})


class ClosureForm(DrawnForm):
    last_on = forms.DateField(
        label=gettext_lazy("Last day"),
        widget=_day(),
        help_text=gettext_lazy("This day is still part of it."),
        validators=[sensible_day],
    )
    ALSO: ClassVar[Mapping[str, str]] = {"last_on": "to_on"}

    class Meta:
        model = SiteClosure
        fields = ("kind", "from_on", "reason")
        labels = {"from_on": gettext_lazy("First day")}
        widgets = {"from_on": _day()}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.order_fields(["kind", "from_on", "last_on", "reason"])
        self.fields["from_on"].validators.append(sensible_day)
        if self.instance.pk:
            self.fields["last_on"].initial = self.instance.to_on - timedelta(days=1)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        first, last = cleaned.get("from_on"), cleaned.get("last_on")
        if first and last:
            if last < first:
                self.add_error("last_on", _("The last day is before the first."))
            else:
                # The end of every span is exclusive in the records; people name the last day.
                self.instance.to_on = last + timedelta(days=1)
        return cleaned


class HazardForm(DrawnForm):
    class Meta:
        model = Hazard
        fields = ("kind", "text", "noted_on")
        labels = {"text": gettext_lazy("What and where")}
        widgets = {"noted_on": _day()}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["noted_on"].validators.append(sensible_day)


class ClearHazardForm(forms.Form):
    on = forms.DateField(label=gettext_lazy("Gone since"), widget=_day(), validators=[sensible_day])


def tidy_path(text: str) -> str:
    """One way to write a path: " Main house /first floor//" is "Main house / first floor"."""
    pieces = (" ".join(piece.split()) for piece in text.split("/"))
    return " / ".join(piece for piece in pieces if piece)


class AreaForm(DrawnForm):
    class Meta:
        model = Area
        fields = ("path", "walk_order")
        labels = {
            "path": gettext_lazy("Building, floor, room"),
            "walk_order": gettext_lazy("Place in the walking order"),
        }
        help_texts = {"path": gettext_lazy("One short path, such as: Main house / first floor / room 12.")}

    def clean_path(self) -> str:
        path = tidy_path(self.cleaned_data["path"])
        if self.instance.site.areas.filter(path=path).exclude(pk=self.instance.pk).exists():
            raise forms.ValidationError(_("This site has an area of that name already."))
        return path


class AreaNameForm(forms.Form):
    path = forms.CharField(
        label=gettext_lazy("Building, floor, room"), max_length=120,
        help_text=gettext_lazy("One short path, such as: Main house / first floor / room 12."),
    )  # fmt: skip

    def clean_path(self) -> str:
        path = tidy_path(self.cleaned_data["path"])
        if not path:
            raise forms.ValidationError(_("Write where it is."))
        return path


class MergeAreaForm(forms.Form):
    into = forms.ModelChoiceField(
        label=gettext_lazy("Merge into"), queryset=Area.objects.none(), empty_label=gettext_lazy("Choose an area")
    )

    def __init__(self, *args: Any, areas: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["into"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = areas


class MonitoringCentreForm(DrawnForm):
    class Meta:
        model = MonitoringCentre
        fields = ("name", "phone", "account", "affected_outputs")
        help_texts = {"account": gettext_lazy("The passphrase is no part of it: keep it as an access note.")}


class FloorPlanForm(forms.Form):
    name = forms.CharField(max_length=80)
    picture = forms.FileField(
        help_text=gettext_lazy("PNG, JPEG or WebP, up to 8 MB."),
        widget=forms.ClearableFileInput(attrs={"accept": "image/png,image/jpeg,image/webp"}),
    )


class PlanNameForm(forms.Form):
    name = forms.CharField(max_length=80)


class PortalSitesForm(forms.Form):
    sites = SeveralField(
        label=gettext_lazy("Sites"), queryset=Site.objects.none(), required=False, widget=forms.CheckboxSelectMultiple
    )

    def __init__(self, *args: Any, access: PortalAccess, for_user: User | AnonymousUser, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        sites = Site.objects.visible_to(for_user).filter(customer=access.customer)
        field = self.fields["sites"]
        assert isinstance(field, forms.ModelMultipleChoiceField)
        field.queryset = sites.order_by("name", "pk")
        field.initial = access.portal_sites.values_list("site_id", flat=True)
