"""What a form asks where a serial looks like that of a known transmitter: the same unit, or another one."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import F
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from devices.models import Transmitter


class AsksForSerial(forms.Form):
    """A form with a field `serial` and the `transmitters` that a person may see.

    Capitals never make another unit. Blanks and hyphens may, and no rule can know it: then the form names the unit it
    knows and asks, with a box that is there only from then on.
    """

    transmitters: Any

    is_another = forms.BooleanField(
        label=gettext_lazy("It is another unit, with this very serial number"), required=False, widget=forms.HiddenInput
    )

    def known_unit(self, serial: str) -> Transmitter | None:
        """The transmitter of this serial, whatever its capitals."""
        rows = self.transmitters.filter(serial__iexact=serial).select_related("type")
        found: Transmitter | None = rows.order_by(F("retired_at").asc(nulls_first=True), "pk").first()
        return found

    def ask_which_unit(self, serial: str) -> None:
        """Refuse a serial that only looks like a known one, unless it was said that it is another unit."""
        if not serial or self.known_unit(serial) is not None:
            return
        alike = self.transmitters.looking_like(serial)
        if not alike:
            return
        self.fields["is_another"].widget = forms.CheckboxInput()
        if not self.cleaned_data.get("is_another"):
            named = {"unit": alike[0].serial, "where": _where(alike[0])}
            self.add_error(
                "serial",
                _(
                    "%(unit)s, which %(where)s, differs only in spaces or hyphens. If you mean that unit, write it so; "
                    "if not, tick “It is another unit” and send the form again."
                )
                % named,
            )


def _where(unit: Transmitter) -> str:
    place = unit.registrations.open().select_related("receiver__site").order_by("pk").first()
    if place is not None:
        return _("stands in %(receiver)s, slot %(slot)s") % {"receiver": place.receiver, "slot": place.slot}
    return _("was taken out of use") if unit.retired_at is not None else _("stands in no slot")
