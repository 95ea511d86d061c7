"""Forms of event logs: whose file it is, and what its columns and words mean."""

from __future__ import annotations

from collections import Counter
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django import forms
from django.utils.text import format_lazy
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from company.models import Customer
from company.spreadsheets import MAX_BYTES
from devices.actions.event_files import zones
from devices.models import IntakeSource
from devices.rules.event_log import LogMap
from devices.rules.event_log_memory import SLOT_OFFSETS
from devices.rules.event_words import IGNORE
from devices.rules.events import EventKind as K
from sites.models import Site

KINDS: list[tuple[str, Any]] = [
    (K.CHECK_IN, gettext_lazy("check-in")), (K.ACTIVATION, gettext_lazy("activation")), (K.RESTORE, gettext_lazy("activation over")),
    (K.LOW_BATTERY, gettext_lazy("low battery")), (K.BATTERY_RESTORED, gettext_lazy("low battery over")),
    (K.TAMPER, gettext_lazy("tamper")), (K.TAMPER_RESTORED, gettext_lazy("tamper over")),
    (K.TROUBLE, gettext_lazy("trouble")), (K.TROUBLE_RESTORED, gettext_lazy("trouble over")),
    (K.MISSING, gettext_lazy("missing")), (K.MISSING_RESTORED, gettext_lazy("missing over")),
    (K.INTERFERENCE, gettext_lazy("interference")), (K.INTERFERENCE_OVER, gettext_lazy("interference over")),
    (K.POWER_FAULT, gettext_lazy("receiver: power fault")), (K.POWER_RESTORED, gettext_lazy("receiver: power back")),
    (K.STANDBY_LOW, gettext_lazy("receiver: standby battery low")),
    (K.STANDBY_RESTORED, gettext_lazy("receiver: standby battery good again")),
    (K.RECEIVER_TAMPER, gettext_lazy("receiver: tamper")),
    (K.RECEIVER_TAMPER_RESTORED, gettext_lazy("receiver: tamper over")),
    (K.RECEIVER_FAULT, gettext_lazy("receiver: fault")), (K.RECEIVER_RESTORED, gettext_lazy("receiver: fault over")),
    (K.LINK_TEST, gettext_lazy("test of the link")), (K.UNREGISTERED, gettext_lazy("unregistered transmitter heard")),
]  # fmt: skip
KIND_LABELS = {str(code): label for code, label in KINDS}

COLUMNS: dict[str, tuple[Any, Any]] = {
    "time": (gettext_lazy("Time of the event"), gettext_lazy("Day and time, or the day alone.")),
    "clock": (gettext_lazy("Time of day"), gettext_lazy("Only where it stands in a column of its own.")),
    "event": (gettext_lazy("What happened"), gettext_lazy("A code such as E384, or words.")),
    "state": (gettext_lazy("New or restored"), gettext_lazy("Only where it stands in a column of its own.")),
    "serial": (gettext_lazy("Serial of the transmitter"), ""),
    "slot": (gettext_lazy("Zone or slot"), ""),
    "place": (
        gettext_lazy("Account or site"),
        gettext_lazy("Account number, code or name of the site, or the receiver."),
    ),
    "receiver": (gettext_lazy("Receiver"), gettext_lazy("Label, code or serial, beside an account or site.")),
    "margin": (gettext_lazy("Signal margin [dB]"), ""),
    "volts": (gettext_lazy("Battery [V]"), ""),
    "note": (gettext_lazy("Note"), ""),
}
TIME_FORMATS: list[tuple[str, Any]] = [
    ("iso", gettext_lazy("year first, or the month as a word: 2026-11-03 14:05, 3 Nov 2026 2:05 pm")),
    ("dmy", gettext_lazy("day first: 03/11/2026 is 3 November")),
    ("mdy", gettext_lazy("month first: 03/11/2026 is 11 March")),
    ("ymd", gettext_lazy("digits run together: 20261103140500")),
    ("epoch", gettext_lazy("seconds since 1970: 1793714700")),
]
MOST_RECEIVERS = 300
CHOSEN = {
    "required": gettext_lazy("Choose one of the list."),
    "invalid_choice": gettext_lazy("“%(value)s” is none of the choices. Choose one of the list."),
}
GONE = {"invalid_choice": gettext_lazy("This is not in the list any more. Choose again.")}
WHOLE = {
    "required": gettext_lazy("Give a whole number."), "invalid": gettext_lazy("Give a whole number."),
    "min_value": gettext_lazy("Give a number from %(limit_value)s on."), "max_value": gettext_lazy("Give at most %(limit_value)s."),
}  # fmt: skip


def zone_choices(sites: Any) -> list[tuple[str, Any]]:
    """Time zones with those of the given sites first, the commonest at the top."""
    counts = Counter(sites.values_list("time_zone", flat=True))
    used = [(zone, _("%(zone)s – %(n)s of your sites") % {"zone": zone, "n": n}) for zone, n in counts.most_common()]
    others = [(zone, zone) for zone in sorted(zones()) if zone not in counts]
    return [*used, ("UTC", "UTC"), *[(zone, label) for zone, label in others if zone != "UTC"]]


class EventFileForm(forms.Form):
    """Which file, and who hands it over: a source on record, or a new one."""

    source = forms.ModelChoiceField(
        queryset=IntakeSource.objects.none(), required=False, label=gettext_lazy("Where it comes from"),
        empty_label=gettext_lazy("A new source, named below"),
        help_text=gettext_lazy("A source remembers which column is what, so that its next file needs no choosing."),
        error_messages=GONE,
    )  # fmt: skip
    log = forms.FileField(
        label=gettext_lazy("Event log"), widget=forms.FileInput(attrs={"accept": ".csv,.tsv,.txt,.log,.xlsx,.zip"}),
        help_text=format_lazy(
            gettext_lazy("CSV, TSV or XLSX as it was exported, at most {megabytes} MB."), megabytes=MAX_BYTES // 1000000
        ),
        error_messages={
            "required": gettext_lazy("Choose a file first."), "empty": gettext_lazy("The file is empty."),
        },
    )  # fmt: skip
    name = forms.CharField(
        max_length=80, required=False, label=gettext_lazy("Name of a new source"),
        help_text=gettext_lazy("Such as the monitoring centre and its list. Leave it empty if you chose one above."),
    )  # fmt: skip
    customer = forms.ModelChoiceField(
        queryset=Customer.objects.none(), required=False, empty_label=gettext_lazy("The whole firm"),
        label=gettext_lazy("Customer of a new source"),
        help_text=gettext_lazy("What it says of others is then set aside. A source that covers all customers has none."),
        error_messages=GONE,
    )  # fmt: skip
    site = forms.ModelChoiceField(
        queryset=Site.objects.none(), required=False, empty_label=gettext_lazy("All sites"), label=gettext_lazy("Site of a new source"),
        error_messages=GONE,
    )  # fmt: skip
    zone = forms.ChoiceField(
        required=False, label=gettext_lazy("Clock of a new source"),
        help_text=gettext_lazy("Time zone in which its files give times. It can be changed with each file."),
        error_messages=CHOSEN,
    )  # fmt: skip

    def __init__(self, user: Any, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._sources = IntakeSource.objects.visible_to(user)
        fields: dict[str, Any] = self.fields
        fields["source"].queryset = self._sources.filter(
            kind=IntakeSource.Kind.FILE, is_active=True, customer__closed_at=None
        ).order_by("name", "pk")
        fields["customer"].queryset = Customer.objects.visible_to(user).filter(closed_at=None).order_by("name", "pk")
        sites = Site.objects.visible_to(user).filter(closed_at=None, customer__closed_at=None)
        fields["site"].queryset = sites.order_by("name", "pk")
        fields["zone"].choices = [("", _("of its site, or of most of your sites")), *zone_choices(sites)]
        self._usual_zone = next(
            (zone for zone, _n in Counter(sites.values_list("time_zone", flat=True)).most_common(1)), "UTC"
        )

    def clean(self) -> dict[str, Any]:
        given = super().clean() or {}
        customer, site = given.get("customer"), given.get("site")
        if given.get("source"):
            return given
        if not given.get("name"):
            self.add_error(
                "source" if "source" in self.errors else "name", _("Choose a source above, or name a new one.")
            )
        elif self._sources.filter(name__iexact=given["name"]).exists():
            self.add_error("name", _("Another source has this name. Choose it above, or take another name."))
        if customer and site and site.customer_id != customer.pk:
            self.add_error(
                "site",
                _("%(site)s is not a site of %(customer)s. Choose one of the two.")
                % {"site": site.name, "customer": customer.name},
            )
        return given

    @property
    def new_source_fields(self) -> list[Any]:
        """What is asked only where no source on record was chosen."""
        return [self[name] for name in ("name", "customer", "site", "zone")]

    def new_source(self) -> IntakeSource:
        """The source that was named, not saved yet."""
        given = self.cleaned_data
        site, customer = given["site"], given["customer"]
        zone = given["zone"] or (site.time_zone if site else self._usual_zone)
        return IntakeSource(
            name=given["name"], kind=IntakeSource.Kind.FILE, site=site, customer=site.customer if site else customer,
            column_map={"zone": zone},
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Word:
    """One word of the event column on the page: what it is, how often, and its field."""

    shown: str
    n: int
    field: Any
    is_new: bool = False


class MapForm(forms.Form):
    """What the columns and words of one file mean; its first content is what was remembered, else proposed."""

    def __init__(
        self, *args: Any, look: Mapping[str, Any], sites: Any, receivers: Sequence[Any], only: str,
        known: Container[str] | None = None, **kwargs: Any,
    ) -> None:  # fmt: skip
        super().__init__(*args, **kwargs)
        self.look, self._only, self._known = look, only, known
        labels = [self._label(at, head) for at, head in enumerate(look["heads"])]
        columns = [("", "–"), *[(str(at), label) for at, label in enumerate(labels)]]
        if len(look["sheets"]) > 1:
            self.fields["sheet"] = forms.ChoiceField(
                choices=[(name, name) for name in look["sheets"]],
                required=False,
                label=_("Sheet"),
                error_messages=CHOSEN,
            )
        self.fields["head_row"] = forms.IntegerField(
            min_value=0, max_value=200, label=_("Headings stand in row"), help_text=_("0 where there are none."),
            error_messages=WHOLE,
        )  # fmt: skip
        for name, (label, help_text) in COLUMNS.items():
            self.fields[name] = forms.ChoiceField(
                choices=columns, required=name == "time", label=label, help_text=help_text, error_messages=CHOSEN
            )
        self._add_times(sites)
        self._add_whom(receivers)
        self._add_words()

    def _label(self, at: int, head: str) -> str:
        letters, n = "", at + 1
        while n:
            n, rest = divmod(n - 1, 26)
            letters = chr(65 + rest) + letters
        example = next((cells[at] for _row, cells in self.look["sample"] if at < len(cells) and cells[at]), "")
        return " · ".join(filter(None, (letters, head, example[:30] and f"“{example[:30]}”")))

    def _add_times(self, sites: Any) -> None:
        asked = [("", _("– choose –"))]
        self.fields["time_format"] = forms.ChoiceField(
            choices=asked + TIME_FORMATS, label=_("Form of the times"),
            error_messages=CHOSEN | {"required": _("Say whether the day or the month comes first: the cells alone do not tell.")},
        )  # fmt: skip
        self.fields["zone"] = forms.ChoiceField(
            choices=asked + zone_choices(sites), label=_("Clock"),
            help_text=_("Time zone in which the file gives times, where they do not say it themselves."),
            error_messages=CHOSEN,
        )  # fmt: skip

    def _add_whom(self, receivers: Sequence[Any]) -> None:
        self.fields["slot_offset"] = forms.IntegerField(
            min_value=SLOT_OFFSETS[0], max_value=SLOT_OFFSETS[1], required=False, label=_("Zone number minus slot number"),
            help_text=_("0 where zone 1 is slot 1; 100 where zone 101 is slot 1. A panel’s account on record has its own."),
            error_messages=WHOLE,
        )  # fmt: skip
        if not self._only:
            shown = [(one.code, f"{one.site}, {one.label}") for one in receivers[:MOST_RECEIVERS]]
            self.fields["receiver_code"] = forms.ChoiceField(
                choices=[("", "–"), *shown], required=False, label=_("All rows are of receiver"),
                help_text=_("Where no column names an account, site or receiver."), error_messages=CHOSEN,
            )  # fmt: skip
        self.fields["every_row"] = forms.ChoiceField(
            choices=[("", "–"), *KINDS], required=False, label=_("Every row is"),
            help_text=_("Where no column says what happened."), error_messages=CHOSEN,
        )  # fmt: skip

    def _add_words(self) -> None:
        self.fields["others"] = forms.ChoiceField(
            choices=[("refuse", _("I choose for each")), (IGNORE, _("leave their rows out"))],
            label=_("Words without a choice"), required=False, error_messages=CHOSEN,
            help_text=_("In this file only: a word that comes for the first time in a later file is asked for again."),
        )  # fmt: skip
        choices = [("", _("– choose –")), (IGNORE, _("leave out")), *KINDS]
        for at, (_key, shown, _n, _guess) in enumerate(self.look["words"]):
            self.fields[f"word_{at}"] = forms.ChoiceField(
                choices=choices, required=False, label=shown, error_messages=CHOSEN
            )

    # --- parts of the page ---

    @property
    def words(self) -> list[Word]:
        return [
            Word(shown, n, self[f"word_{at}"], self._known is not None and key not in self._known)
            for at, (key, shown, n, _guess) in enumerate(self.look["words"])
        ]

    @property
    def n_open(self) -> int:
        """Words for which nobody chose yet and nothing was proposed."""
        return sum(not self[f"word_{at}"].value() for at in range(len(self.look["words"])))

    def _named(self, names: Sequence[str]) -> list[Any]:
        return [self[name] for name in names if name in self.fields]

    @property
    def file_fields(self) -> list[Any]:
        return self._named(("sheet", "head_row"))

    @property
    def time_fields(self) -> list[Any]:
        return self._named(("time", "clock", "time_format", "zone"))

    @property
    def whom_fields(self) -> list[Any]:
        return self._named(("serial", "slot", "place", "receiver", "slot_offset", "receiver_code"))

    @property
    def what_fields(self) -> list[Any]:
        return self._named(("event", "state", "every_row"))

    @property
    def more_fields(self) -> list[Any]:
        return self._named(("margin", "volts", "note"))

    # --- what was chosen ---

    def draft(self) -> LogMap:
        """What was chosen, whether or not it can be used; wrong fields count as not chosen."""
        given = getattr(self, "cleaned_data", {})
        columns = {name: int(given[name]) for name in COLUMNS if given.get(name)}
        words = {key: given.get(f"word_{at}", "") for at, (key, *_rest) in enumerate(self.look["words"])}
        is_same = not self.is_other_look(columns)
        if given.get("others") == IGNORE:
            # Said of these very words: the next file's are asked for.
            words = {key: kind or IGNORE for key, kind in words.items()}
        return LogMap(
            columns=columns, head_row=given.get("head_row") or 0, sheet=given.get("sheet") or self.look["sheet"],
            time_format=given.get("time_format") or "", zone=given.get("zone") or "UTC",
            is_falling=bool(self.look["is_falling"]), words={key: kind for key, kind in words.items() if kind and is_same},
            others=given.get("others") or "refuse", every_row="" if "event" in columns else given.get("every_row") or "",
            slot_offset=given.get("slot_offset") or 0, receiver_code=given.get("receiver_code") or "",
        )  # fmt: skip

    def is_other_look(self, columns: Mapping[str, int]) -> bool:
        """Whether the file must be looked at again: its words and times were counted for other columns."""
        given = getattr(self, "cleaned_data", {})
        seen = self.look["columns"]
        return (
            any(columns.get(name) != seen.get(name) for name in ("time", "event", "state"))
            or given.get("head_row", self.look["head_row"]) != self.look["head_row"]
            or (given.get("sheet") or self.look["sheet"]) != self.look["sheet"]
        )

    def clean(self) -> dict[str, Any]:
        given = super().clean() or {}
        chosen = [given[name] for name in COLUMNS if given.get(name)]
        for name in COLUMNS:
            if given.get(name) and chosen.count(given[name]) > 1:
                self.add_error(name, _("This column was chosen twice. Choose another, or none."))
        if not given.get("event") and not given.get("every_row"):
            self.add_error("event", _("Choose the column that says what happened, or what every row is."))
        if not any(given.get(name) for name in ("serial", "slot", "place", "receiver")):
            self.add_error("serial", _("Choose a column that says which transmitter it was: its serial, or the zone."))
        is_placed = given.get("place") or given.get("receiver") or given.get("receiver_code") or self._only
        if given.get("slot") and not given.get("serial") and not is_placed:
            self.add_error(
                "place",
                _("A zone alone does not say at which receiver. Choose a column, or one receiver for all rows."),
            )
        if given.get("event") and given.get("others") != IGNORE and not self.is_other_look({**self.draft().columns}):
            self._ask_for_words(given)
        return given

    def _ask_for_words(self, given: Mapping[str, Any]) -> None:
        """Ask for every word without a choice: a row must not be lost in silence."""
        for at in range(len(self.look["words"])):
            if not given.get(f"word_{at}"):
                self.add_error(f"word_{at}", _("Say what it means, or leave its rows out."))


def initial_of(look: Mapping[str, Any], kept: Mapping[str, Any], draft: Mapping[str, Any]) -> dict[str, Any]:
    """First content of the form: what was chosen for this file, else what the source remembers, else what was proposed."""
    columns = look["columns"]
    words = {**kept.get("words", {}), **draft.get("words", {})}
    found = {
        "sheet": look["sheet"], "head_row": look["head_row"], **{name: str(at) for name, at in columns.items()},
        "time_format": draft.get("time_format") or _format_of(look, kept),
        "zone": draft.get("zone") or kept.get("zone", ""),
    }  # fmt: skip
    for name in ("every_row", "slot_offset", "receiver_code"):
        found[name] = draft.get(name) or kept.get(name, "")
    found["others"] = draft.get("others", "")
    for at, (key, _shown, _n, guess) in enumerate(look["words"]):
        found[f"word_{at}"] = words.get(key) or guess
    return found


def _format_of(look: Mapping[str, Any], kept: Mapping[str, Any]) -> str:
    """The form that the cells show; where they show none, the one remembered, which a person chose once."""
    remembered = kept.get("time_format", "")
    if look["is_asked"]:
        return remembered if remembered in ("dmy", "mdy") else ""
    return str(look["time_format"] or remembered)
