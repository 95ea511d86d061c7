"""Forms of what a slot is set to: register, change, move."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from company.models.firm import Duty
from devices.actions.slot_settings import OutputChoice, Settings, asks_in_force
from devices.forms.ledger import LedgerForm
from devices.forms.serials import AsksForSerial
from devices.models import Output, Receiver, Transmitter, TransmitterType
from devices.models.registrations import Behaviour, Contact
from devices.rules.words import DUTY_WORDS, list_words, span_words, window_words

UNKNOWN = "unknown"
TO_CHOOSE = ("", gettext_lazy("choose …"))
NO_BEHAVIOUR = ("", gettext_lazy("does not drive it"))
LONGEST_INTERVAL_S = 7 * 86400


class SettingsForm(LedgerForm):
    """Settings of one slot, with one pair of fields for each output of the receiver."""

    label = forms.CharField(
        label=gettext_lazy("Place"), max_length=80, help_text=gettext_lazy("As people there call it, such as Room 12.")
    )
    area = forms.CharField(
        label=gettext_lazy("Area"), max_length=120, required=False, help_text=gettext_lazy("Building, floor or wing.")
    )
    duty = forms.ChoiceField(
        label=gettext_lazy("Duty class"),
        choices=Duty.choices,
        help_text=gettext_lazy("How bad a dead battery is here."),
    )
    is_portable = forms.BooleanField(label=gettext_lazy("Leaves the site"), required=False)
    window = forms.ChoiceField(
        label=gettext_lazy("Supervision"),
        help_text=gettext_lazy("After how long a silent transmitter counts as missing."),
    )
    interval_s = forms.IntegerField(
        label=gettext_lazy("Checks in every [s]"),
        required=False,
        min_value=1,
        max_value=LONGEST_INTERVAL_S,
        help_text=gettext_lazy("Empty: unknown."),
    )
    contact = forms.ChoiceField(label=gettext_lazy("Contact at rest"), choices=Contact.choices)
    input_number = forms.IntegerField(label=gettext_lazy("Input"), min_value=1, max_value=99, initial=1)
    is_shared = forms.BooleanField(
        label=gettext_lazy("Meant to stand in several slots"),
        required=False,
        help_text=gettext_lazy("One battery change serves all of them."),
    )
    note = forms.CharField(label=gettext_lazy("Note"), max_length=300, required=False)

    field_order: tuple[str, ...] = ("label", "area", "duty", "is_portable", "window", "interval_s", "contact")

    def __init__(
        self, *args: Any, receiver: Receiver, outputs: list[Output], settings: Settings | None = None, **kwargs: Any
    ) -> None:
        initial = {**_initial_of(receiver, settings), **kwargs.pop("initial", {})}
        super().__init__(*args, receiver=receiver, initial=initial, **kwargs)
        self.outputs = outputs
        self.fields["window"].choices = _window_choices(receiver, settings)  # type: ignore[attr-defined]
        self.fields["window"].help_text = _window_help(receiver, settings)
        known = receiver.type.behaviours if receiver.type else []
        for output in outputs:
            drives = f" ({output.drives})" if output.drives else ""
            used = settings and next((c for c in settings.outputs if c.output.pk == output.pk), None)
            choices = [
                (code, words)
                for code, words in Behaviour.choices
                if not known or code in known or code == "unknown" or (used and used.behaviour == code)
            ]
            self.fields[f"output_{output.number}"] = forms.ChoiceField(
                label=f"Output {output.number}{drives}", choices=[NO_BEHAVIOUR, *choices], required=False
            )
            self.fields[f"seconds_{output.number}"] = forms.FloatField(
                label=_("Output %(number)s: on for [s]") % {"number": output.number},
                required=False,
                min_value=0.1,
                max_value=86400,
            )

    def output_fields(self) -> list[tuple[forms.BoundField, forms.BoundField]]:
        """Behaviour and seconds of each output, side by side."""
        return [(self[f"output_{output.number}"], self[f"seconds_{output.number}"]) for output in self.outputs]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        for output in self.outputs:
            behaviour, seconds = cleaned.get(f"output_{output.number}"), cleaned.get(f"seconds_{output.number}")
            if behaviour == "momentary" and not seconds and f"seconds_{output.number}" not in self.errors:
                self.add_error(f"seconds_{output.number}", _("Say for how many seconds it stays on."))
            if behaviour != "momentary" and seconds:
                self.add_error(f"seconds_{output.number}", _("Seconds only go with “on for a set time”."))
        return cleaned

    def settings(self) -> Settings:
        """What was typed, as an action takes it."""
        cleaned = self.cleaned_data
        window = cleaned["window"]
        return Settings(
            label=cleaned["label"],
            duty=cleaned["duty"],
            area=cleaned["area"],
            is_portable=cleaned["is_portable"],
            supervision=window if window in ("off", "unknown") else "on",
            window_s=None if window in ("off", "unknown") else int(window),
            interval_s=cleaned["interval_s"],
            contact=cleaned["contact"],
            input_number=cleaned["input_number"],
            is_shared=cleaned["is_shared"],
            note=cleaned["note"],
            outputs=tuple(
                OutputChoice(output, cleaned[f"output_{output.number}"], cleaned[f"seconds_{output.number}"])
                for output in self.outputs
                if cleaned[f"output_{output.number}"]
            ),
        )


def _initial_of(receiver: Receiver, settings: Settings | None) -> dict[str, Any]:
    if settings is None:
        # How long a window is, is said by a person: a default that nobody looked at would be on record as a setting.
        return {"window": "", "contact": "unknown"}
    names = ("label", "area", "duty", "is_portable", "interval_s", "contact", "input_number", "is_shared", "note")
    initial: dict[str, Any] = {name: getattr(settings, name) for name in names}
    initial["window"] = settings.window_s if settings.supervision == "on" else settings.supervision
    for choice in settings.outputs:
        initial[f"output_{choice.output.number}"] = choice.behaviour
        initial[f"seconds_{choice.output.number}"] = choice.seconds
    return initial


def _window_choices(receiver: Receiver, settings: Settings | None) -> list[tuple[str, str]]:
    windows = {int(window) for window in receiver.type.windows_s} if receiver.type else {200, 3600, 14400, 43200, 86400}
    if settings is not None and settings.window_s:
        windows.add(settings.window_s)
    choices = [(str(window), window_words(window)) for window in sorted(windows)]
    if (
        receiver.type is None
        or receiver.type.can_switch_supervision_off
        or (settings and settings.supervision == "off")
    ):
        choices.append(("off", _("not supervised")))
    choices.append((UNKNOWN, _("not known")))
    return choices if settings is not None else [TO_CHOOSE, *choices]  # type: ignore[list-item]


def _window_help(receiver: Receiver, settings: Settings | None) -> str:
    """What a window is, how the receiver comes, and how long the firm's policy lets it be."""
    parts = [_("After how long a silent transmitter counts as missing.")]
    if settings is None and receiver.type is not None and receiver.type.default_window_s:
        parts.append(_("This type of receiver comes set to %s.") % span_words(receiver.type.default_window_s))
    limits = [
        f"{DUTY_WORDS.get(ask.duty, ask.duty)} {span_words(ask.longest_window_s)}"
        for ask in asks_in_force()
        if ask.longest_window_s
    ]
    if limits:
        parts.append(_("At most by the firm's policy: %s.") % list_words(limits))
    return " ".join(parts)


class TypeOrUnknown(forms.ModelChoiceField):
    """A type of the catalogue, or said not to be known, which is not the same as nothing said."""

    def offer(self, rows: Any) -> None:
        """Let one of these types be chosen."""
        self.queryset = rows
        self.choices = [TO_CHOOSE, (UNKNOWN, _("not known")), *((row.pk, str(row)) for row in rows)]

    def clean(self, value: Any) -> Any:
        return None if value == UNKNOWN else super().clean(value)


class RegisterForm(AsksForSerial, SettingsForm):
    """A transmitter into a spare slot; a serial nobody knows yet is a new transmitter of the type chosen."""

    serial = forms.CharField(
        label=gettext_lazy("Serial number"),
        max_length=40,
        required=False,
        help_text=gettext_lazy("Leave empty where the slot is taken, but nobody knows by what."),
        widget=forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
    )
    type = TypeOrUnknown(
        label=gettext_lazy("Type, if it is new"), queryset=TransmitterType.objects.none(), required=False
    )

    field_order = ("serial", "type", *SettingsForm.field_order)

    def __init__(self, *args: Any, transmitters: Any, types: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.transmitters = transmitters
        self.fields["type"].offer(types)  # type: ignore[attr-defined]

    def clean_serial(self) -> str:
        serial: str = self.cleaned_data["serial"].strip()
        if any(not character.isprintable() for character in serial):
            raise forms.ValidationError(_("A serial number cannot hold such characters."))
        return serial

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        self.ask_which_unit(cleaned.get("serial", ""))
        is_said = (
            bool(cleaned.get("type")) or self.data.get(self.add_prefix("type")) == UNKNOWN or "type" in self.errors
        )
        if cleaned.get("serial") and not is_said and self.known_unit(cleaned["serial"]) is None:
            self.add_error("type", _("This serial is new: choose its type, or “not known”."))
        return cleaned

    def transmitter(self) -> Transmitter | None:
        """The transmitter of this serial, an unsaved one where it is new, or None where none was given."""
        serial = self.cleaned_data["serial"]
        if not serial:
            return None
        known, kind = self.known_unit(serial), self.cleaned_data["type"]
        if known is not None and known.retired_at is not None:
            # A serial taken off the records as a slip comes as what is said now; what was really used is refused anyhow.
            known.type = kind or known.type
        return known or Transmitter(serial=serial, type=kind)


class NameForm(AsksForSerial, SettingsForm):
    """Change a slot; where nothing answered, the serial that was found may be given."""

    serial = forms.CharField(
        label=gettext_lazy("Serial number found"),
        max_length=40,
        required=False,
        help_text=gettext_lazy("If you found out what stands here."),
    )

    def __init__(self, *args: Any, transmitters: Any, is_named: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.transmitters = transmitters
        if is_named:
            del self.fields["serial"], self.fields["is_another"]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if "serial" in self.fields:
            self.ask_which_unit((cleaned.get("serial") or "").strip())
        return cleaned

    def transmitter(self) -> Transmitter | None:
        """The transmitter found in place, if one was named."""
        serial = (self.cleaned_data.get("serial") or "").strip()
        if not serial:
            return None
        return self.known_unit(serial) or Transmitter(serial=serial)


class MoveTargetForm(forms.Form):
    """First step of a move: where to."""

    to_receiver = forms.ModelChoiceField(label=gettext_lazy("To receiver"), queryset=Receiver.objects.none())
    to_slot = forms.IntegerField(label=gettext_lazy("Slot"), min_value=1, max_value=1024)

    def __init__(
        self, *args: Any, receivers: Any, stands_in: tuple[int, int] = (0, 0), must_be_free: bool = True, **kwargs: Any
    ) -> None:
        """`stands_in` is the receiver and slot that it leaves; a slot taken since the choice is refused by the action."""
        super().__init__(*args, **kwargs)
        self.fields["to_receiver"].queryset = receivers  # type: ignore[attr-defined]
        self.stands_in, self.must_be_free = stands_in, must_be_free

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        receiver, slot = cleaned.get("to_receiver"), cleaned.get("to_slot")
        if receiver is None or slot is None:
            return cleaned
        if slot > receiver.n_slots:
            self.add_error("to_slot", _("It has slots 1 to %s.") % receiver.n_slots)
        elif (receiver.pk, slot) == self.stands_in:
            self.add_error("to_slot", _("It stands in this slot already."))
        elif self.must_be_free:
            there = receiver.registrations.open().filter(slot=slot).select_related("transmitter")
            if (row := there.first()) is not None:
                what = f"{row.transmitter or _('something nobody knows')}, {row.label}"
                self.add_error("to_slot", _("Slot %(slot)s is taken by %(what)s.") % {"slot": slot, "what": what})
        return cleaned
