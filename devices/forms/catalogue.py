"""Forms of the firm's own catalogue rows. Shares are typed in percent and spans with their unit; the rows keep both as numbers."""

from __future__ import annotations

from itertools import pairwise
from typing import Any, ClassVar

from django import forms
from django.core.exceptions import ValidationError
from django.utils.text import slugify
from django.utils.translation import gettext, gettext_lazy

from company.cells import say_span
from devices.forms.catalogue_fields import DAY_S, PercentField, SpanField, SpansField, WordsField
from devices.models import BatteryType, Fault, ReceiverType, TransmitterType
from devices.models.catalogue import CatalogueRow
from devices.rules.words import BEHAVIOUR_WORDS, DUTY_WORDS

OWN_NAME = gettext_lazy("Your own name for it: what it is and how often it checks in. Not a maker's brand or model.")
CODE_HELP = gettext_lazy(
    "Small letters, digits and hyphens. Workbooks name it by this, so it never changes. Empty: made from the name."
)
SOURCE_HELP = gettext_lazy(
    "Such as “data sheet of March 2024, page 3”, “measured on our bench” or “typical, from memory”."
)

CHEMISTRIES = (
    ("lithium_manganese", gettext_lazy("lithium manganese dioxide (CR)")), ("lithium_thionyl", gettext_lazy("lithium thionyl chloride (ER)")),
    ("lithium_iron", gettext_lazy("lithium iron disulfide (FR)")), ("alkaline", gettext_lazy("alkaline (LR)")), ("silver_oxide", gettext_lazy("silver oxide (SR)")),
    ("nickel_hydride", gettext_lazy("nickel–metal hydride (HR)")), ("lead_acid", gettext_lazy("sealed lead acid")), ("other", gettext_lazy("other")),
)  # fmt: skip
KINDS = (
    ("pendant", gettext_lazy("pendant")), ("wall_button", gettext_lazy("wall button")), ("pull_cord", gettext_lazy("pull cord")), ("door_contact", gettext_lazy("door contact")),
    ("contact", gettext_lazy("contact")), ("motion", gettext_lazy("motion detector")), ("smoke", gettext_lazy("smoke detector")), ("temperature", gettext_lazy("temperature")),
    ("repeater", gettext_lazy("repeater")), ("other", gettext_lazy("other")),
)  # fmt: skip
CONTACTS = (
    ("none", gettext_lazy("no contact")), ("no", gettext_lazy("normally open")), ("nc", gettext_lazy("normally closed")), ("either", gettext_lazy("normally open or closed")),
)  # fmt: skip


class TypeForm(forms.ModelForm):
    """What every type's form has: sections, each with the question where its figures come from.

    `base` is the row that is changed or copied: a figure left as it was keeps its source; every other one takes the answer of
    its section, which must then be given.
    """

    SECTIONS: ClassVar[tuple[tuple[str, Any, tuple[str, ...]], ...]] = ()
    """Key, heading, fields."""
    NO_SOURCE: ClassVar[frozenset[str]] = frozenset()
    """Fields that are names or choices, not figures."""

    code = forms.CharField(label=gettext_lazy("Code"), max_length=60, required=False, help_text=CODE_HELP)
    reason = forms.CharField(label=gettext_lazy("Why it is changed"), max_length=200)
    seen = forms.CharField(widget=forms.HiddenInput, max_length=64, required=False)
    sure = forms.CharField(widget=forms.HiddenInput, max_length=300, required=False)

    def __init__(self, *args: Any, base: CatalogueRow | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.base = base
        # Kept apart: cleaning writes what was typed into the instance, which may be the base itself.
        self._was = {name: getattr(base, name) for name in self._meta.fields or ()} if base else {}
        self._sources = dict(base.sources) if base else {}
        if self.instance.pk:
            del self.fields["code"]
        else:
            del self.fields["reason"]
        self.fields["label"].help_text = OWN_NAME
        for key, heading, names in self.SECTIONS:
            if self._figures(names):
                self.fields[f"source_{key}"] = forms.CharField(
                    label=gettext("Where these figures come from (%(heading)s)") % {"heading": heading[:1].lower() + heading[1:]},
                    max_length=300, required=False,
                    help_text=(gettext("Asked where a figure changes. %(help)s") if self.base else "%(help)s") % {"help": SOURCE_HELP},
                )  # fmt: skip

    def _figures(self, names: tuple[str, ...]) -> list[str]:
        return [name for name in names if name in self.fields and name not in self.NO_SOURCE]

    def sections(self) -> list[tuple[str, str, list[Any]]]:
        """Key, heading and bound fields, for the template."""
        shown = []
        for key, heading, names in self.SECTIONS:
            wanted = [*names, f"source_{key}"]
            shown.append((key, heading, [self[name] for name in wanted if name in self.fields]))
        return shown

    def _is_sourced(self, name: str, cleaned: dict[str, Any]) -> bool:
        """Whether the figure is as it was and says where it came from."""
        return name in self._was and self._was[name] == cleaned.get(name) and bool(self._sources.get(name))

    def clean_code(self) -> str:
        code: str = self.cleaned_data["code"].strip().lower()
        if code and code != slugify(code):
            raise ValidationError(gettext("Use small letters, digits and hyphens only."))
        return code

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        sources: dict[str, str] = {}
        for key, _, names in self.SECTIONS:
            said = (cleaned.get(f"source_{key}") or "").strip()
            figures = [name for name in self._figures(names) if name not in self.errors]
            asked = [name for name in figures if not self._is_sourced(name, cleaned)]
            if asked and not said:
                labels = ", ".join(str(self.fields[name].label) for name in asked)
                self.add_error(f"source_{key}", gettext("Say where this comes from: %(labels)s.") % {"labels": labels})
            # Where no figure changed, the answer is a better source for all of them.
            sources |= dict.fromkeys(asked or figures, said) if said else {}
        self.instance.sources = self._sources | sources
        return cleaned


class BatteryTypeForm(TypeForm):
    """A cell or block."""

    SECTIONS = (
        ("name", gettext_lazy("Name"), ("label", "iec_code", "ansi_code", "aliases", "chemistry", "code")),
        (
            "charge",
            gettext_lazy("Charge"),
            ("nominal_v", "capacity_mah", "self_discharge_per_year", "shelf_life_years"),
        ),
        (
            "cold",
            gettext_lazy("What is left of it in the cold"),
            ("share_0c", "share_m10c", "share_m20c", "share_m40c"),
        ),
    )
    NO_SOURCE = frozenset({"label", "iec_code", "ansi_code", "aliases", "chemistry", "code"})

    aliases = WordsField(
        label=gettext_lazy("Also called"),
        max_length=200,
        required=False,
        help_text=gettext_lazy("Other words for the size, with commas between."),
    )
    chemistry = forms.ChoiceField(label=gettext_lazy("Chemistry"), choices=CHEMISTRIES)
    self_discharge_per_year = PercentField(
        label=gettext_lazy("Self-discharge at 20 °C [% a year]"), help_text=gettext_lazy("Charge lost by itself in a year: 1 to 2 for lithium, 2 to 3 for alkaline.")
    )  # fmt: skip
    share_0c = PercentField(
        label=gettext_lazy("Usable at 0 °C [%]"),
        help_text=gettext_lazy("Share of the rated charge that can still be drawn."),
    )
    share_m10c = PercentField(label=gettext_lazy("Usable at −10 °C [%]"))
    share_m20c = PercentField(label=gettext_lazy("Usable at −20 °C [%]"))
    share_m40c = PercentField(label=gettext_lazy("Usable at −40 °C [%]"))

    class Meta:
        model = BatteryType
        fields = (
            "label", "iec_code", "ansi_code", "aliases", "chemistry", "nominal_v", "capacity_mah", "self_discharge_per_year",
            "shelf_life_years", "share_0c", "share_m10c", "share_m20c", "share_m40c",
        )  # fmt: skip
        labels = {
            "label": gettext_lazy("Name"), "iec_code": gettext_lazy("IEC code"), "ansi_code": gettext_lazy("ANSI code"), "nominal_v": gettext_lazy("Nominal voltage [V]"),
            "capacity_mah": gettext_lazy("Rated charge [mAh]"), "shelf_life_years": gettext_lazy("Longest life that anyone answers for [years]"),
        }  # fmt: skip
        help_texts = {
            "iec_code": gettext_lazy("Such as CR2450, ER14505 or LR6."),
            "capacity_mah": gettext_lazy("At small load and about 20 °C."),
            "shelf_life_years": gettext_lazy("In use or not: no date goes beyond it."),
        }

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        names = ("share_0c", "share_m10c", "share_m20c", "share_m40c")
        for warmer, colder in pairwise(names):
            high, low = cleaned.get(warmer), cleaned.get(colder)
            if high is not None and low is not None and low > high:
                self.add_error(
                    colder, gettext("Colder cells give no more than warmer ones: give this figure or a smaller one.")
                )
        return cleaned


class TransmitterTypeForm(TypeForm):
    """A kind of transmitter with what it draws."""

    SECTIONS = (
        ("name", gettext_lazy("Name"), ("label", "kind", "code")),
        ("cells", gettext_lazy("Cells"), (
            "power", "battery_type", "cells_series", "cells_parallel", "usable_share", "welded_cell", "unit_life_years",
        )),
        ("draw", gettext_lazy("What it draws"), ("sleep_ua", "checkin_uas", "activation_uah", "typical_activations_per_day")),
        ("slot", gettext_lazy("What a new slot starts with"), (
            "default_interval_s", "default_window_s", "default_duty", "is_portable", "n_inputs", "contact",
        )),
    )  # fmt: skip
    NO_SOURCE = frozenset(
        {"label", "kind", "code", "power", "battery_type", "welded_cell", "default_duty", "is_portable", "contact"}
    )

    kind = forms.ChoiceField(label=gettext_lazy("Picture"), choices=KINDS)
    contact = forms.ChoiceField(label=gettext_lazy("Contact"), choices=CONTACTS)
    default_duty = forms.ChoiceField(label=gettext_lazy("Duty class"), choices=list(DUTY_WORDS.items()))
    usable_share = PercentField(
        label=gettext_lazy("Usable share of the charge [%]"), least=0.1,
        help_text=gettext_lazy("Down to its cut-off and under the radio's pulses. 75 to 85 is usual."),
    )  # fmt: skip
    default_interval_s = SpanField(
        label=gettext_lazy("Checks in every"),
        help_text=gettext_lazy("With its unit, such as 60 min or 200 s."),
        most_s=7 * DAY_S,
    )
    default_window_s = SpanField(
        label=gettext_lazy("Missing after"),
        help_text=gettext_lazy("The supervision window it starts with: at least two check-ins long, such as 4 h."),
    )

    class Meta:
        model = TransmitterType
        fields = (
            "label", "kind", "power", "battery_type", "cells_series", "cells_parallel", "usable_share", "welded_cell",
            "unit_life_years", "sleep_ua", "checkin_uas", "activation_uah", "typical_activations_per_day", "default_interval_s",
            "default_window_s", "default_duty", "is_portable", "n_inputs", "contact",
        )  # fmt: skip
        labels = {
            "label": gettext_lazy("Name"), "battery_type": gettext_lazy("Battery type"), "sleep_ua": gettext_lazy("Draws between events [µA]"),
            "checkin_uas": gettext_lazy("Charge of one check-in [µA·s]"), "activation_uah": gettext_lazy("Charge of one activation [µAh]"),
            "typical_activations_per_day": gettext_lazy("Activations a day"), "unit_life_years": gettext_lazy("End of life of the whole unit [years]"),
            "welded_cell": gettext_lazy("The cell cannot be changed"), "is_portable": gettext_lazy("Leaves the site with its wearer"), "n_inputs": gettext_lazy("Inputs"),
        }  # fmt: skip
        help_texts = {
            "cells_series": gettext_lazy("Cells in series give voltage, no more charge."),
            "checkin_uas": gettext_lazy("With its repeats: 25 mA for 0.1 s, four times, is 10 000."),
            "activation_uah": gettext_lazy("With its repeats: 25 mA for one second is 7."),
            "typical_activations_per_day": gettext_lazy("Used where nothing has been counted."),
            "unit_life_years": gettext_lazy("0 where none is stated."),
            "welded_cell": gettext_lazy("Then the whole unit is changed."),
        }

    def __init__(self, *args: Any, batteries: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        cells: Any = self.fields["battery_type"]
        cells.queryset, cells.empty_label = batteries, "none (mains)"

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        if cleaned.get("power") == TransmitterType.Power.BATTERY and not cleaned.get("battery_type"):
            self.add_error("battery_type", gettext("Choose the cells, or say that it runs on mains."))
        interval_s, window_s = cleaned.get("default_interval_s"), cleaned.get("default_window_s")
        if interval_s and window_s and window_s < 2 * interval_s:
            refusal = gettext("One lost check-in would already be a fault: give %(span)s or more.")
            self.add_error("default_window_s", refusal % {"span": say_span(2 * interval_s)})
        for name in ("cells_series", "cells_parallel"):
            if cleaned.get(name) == 0:
                self.add_error(name, gettext("Count from 1."))
        return cleaned


LATCHABLE = tuple(kind for kind in Fault.Kind if kind not in (Fault.Kind.OUTAGE, Fault.Kind.LINK_LOST))
"""What a receiver itself shows; the others only we see."""


class ReceiverTypeForm(TypeForm):
    """A kind of receiver."""

    SECTIONS = (
        ("name", gettext_lazy("Name and size"), ("label", "n_slots", "n_outputs", "code")),
        ("supply", gettext_lazy("Supply"), ("supply_v_nominal", "supply_v_min", "supply_ma", "has_standby_battery", "standby_life_years")),
        ("watch", gettext_lazy("Supervision"), ("windows_s", "default_window_s", "can_switch_supervision_off", "latched_faults")),
        ("outputs", gettext_lazy("Outputs"), (
            "behaviours", "default_behaviour", "momentary_min_s", "momentary_max_s", "momentary_default_s",
        )),
    )  # fmt: skip
    NO_SOURCE = frozenset(
        {
            "label",
            "code",
            "has_standby_battery",
            "can_switch_supervision_off",
            "behaviours",
            "default_behaviour",
            "latched_faults",
        }
    )

    windows_s = SpansField(
        label=gettext_lazy("Windows that a slot can be set to"),
        help_text=gettext_lazy("With commas between, such as 60 min, 4 h, 24 h."),
    )
    default_window_s = SpanField(
        label=gettext_lazy("Window it comes with"), help_text=gettext_lazy("One of those above.")
    )
    behaviours = forms.MultipleChoiceField(
        label=gettext_lazy("What its outputs can do"),
        choices=list(BEHAVIOUR_WORDS.items()),
        widget=forms.CheckboxSelectMultiple,
    )
    latched_faults = forms.MultipleChoiceField(
        label=gettext_lazy("Faults that it goes on showing until a person clears it"),
        help_text=gettext_lazy("With most, a low battery and tamper: tick none where each fault goes by itself."),
        choices=[(kind.value, kind.label) for kind in LATCHABLE],
        widget=forms.CheckboxSelectMultiple,
        required=False,
    )
    default_behaviour = forms.ChoiceField(
        label=gettext_lazy("Behaviour it comes with"), choices=list(BEHAVIOUR_WORDS.items())
    )

    class Meta:
        model = ReceiverType
        fields = (
            "label", "n_slots", "n_outputs", "supply_v_nominal", "supply_v_min", "supply_ma", "has_standby_battery",
            "standby_life_years", "windows_s", "default_window_s", "can_switch_supervision_off", "latched_faults",
            "behaviours", "default_behaviour", "momentary_min_s", "momentary_max_s", "momentary_default_s",
        )  # fmt: skip
        labels = {
            "label": gettext_lazy("Name"), "n_slots": gettext_lazy("Slots"), "n_outputs": gettext_lazy("Outputs"), "supply_v_nominal": gettext_lazy("Nominal supply [V]"),
            "supply_v_min": gettext_lazy("Least supply at its terminals [V]"), "supply_ma": gettext_lazy("Needs, with every output on [mA]"),
            "has_standby_battery": gettext_lazy("Has a standby battery"), "standby_life_years": gettext_lazy("Change the standby battery after [years]"),
            "can_switch_supervision_off": gettext_lazy("Supervision can be switched off"), "momentary_min_s": gettext_lazy("Shortest set time [s]"),
            "momentary_max_s": gettext_lazy("Longest set time [s]"), "momentary_default_s": gettext_lazy("Set time it comes with [s]"),
        }  # fmt: skip
        help_texts = {
            "supply_v_min": gettext_lazy("At the far end of the cable, with every output on."),
            "standby_life_years": gettext_lazy("0 where there is none."),
            "momentary_min_s": gettext_lazy("0 where no output can be on for a set time."),
        }

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        for name, least, most in (
            ("n_slots", 1, 1024), ("n_outputs", 0, 1024), ("supply_v_nominal", 1, 400), ("supply_v_min", 0, 400),
            ("supply_ma", 0, 100_000), ("standby_life_years", 0, 30), ("momentary_min_s", 0, DAY_S), ("momentary_max_s", 0, DAY_S),
            ("momentary_default_s", 0, DAY_S),
        ):  # fmt: skip
            value = cleaned.get(name)
            if value is not None and not least <= value <= most:
                bounds = {"least": f"{least:,}", "most": f"{most:,}"}
                self.add_error(name, gettext("Give a number from %(least)s to %(most)s.") % bounds)
        self._fits_together(cleaned)
        return cleaned

    def _fits_together(self, cleaned: dict[str, Any]) -> None:
        lowest, nominal = cleaned.get("supply_v_min"), cleaned.get("supply_v_nominal")
        if lowest is not None and nominal is not None and lowest > nominal:
            self.add_error("supply_v_min", gettext("The least supply is not above the nominal one."))
        if cleaned.get("has_standby_battery") and not cleaned.get("standby_life_years"):
            self.add_error("standby_life_years", gettext("Say after how many years the standby battery is changed."))
        windows, window = cleaned.get("windows_s"), cleaned.get("default_window_s")
        if windows and window and window not in windows:
            self.add_error("default_window_s", gettext("This is none of the windows above."))
        if cleaned.get("behaviours") and cleaned.get("default_behaviour") not in cleaned["behaviours"]:
            self.add_error(
                "default_behaviour", gettext("Its outputs cannot do this: tick it above, or choose another.")
            )
        least, usual, most = (cleaned.get(f"momentary_{name}_s") for name in ("min", "default", "max"))
        if least is not None and usual is not None and most is not None and not least <= usual <= most:
            self.add_error("momentary_default_s", gettext("Give a time between the shortest and the longest."))


FORMS: dict[str, type[TypeForm]] = {
    "batterytype": BatteryTypeForm, "transmittertype": TransmitterTypeForm, "receivertype": ReceiverTypeForm,
}  # fmt: skip
