"""Whether a receiver can be set as somebody wants it, and what speaks against it in plain words; pure Python."""

from collections.abc import Sequence
from dataclasses import dataclass

from devices.rules.findings_facts import SupervisionAsk, window_over
from devices.rules.slot_map import OutputUse
from devices.rules.words import (
    BEHAVIOUR_WORDS,
    CONTACT_WORDS,
    DUTY_WORDS,
    WINDOW_OFF,
    behaviour_words,
    list_words,
    span_words,
)

MIN_CHECK_INS_PER_WINDOW = 2
"""A window shorter than two check-ins calls a transmitter missing after one lost message. Own rule of thumb; a public
design note sizes windows at three check-ins, no standard's figure is claimed."""


@dataclass(frozen=True, slots=True)
class ReceiverLimits:
    """What a receiver type can be set to; an empty set or None means that it is not known and nothing is refused for
    it.

    Attributes
    ----------
    n_slots, n_outputs : int or None
        How many there are.
    windows_s : frozenset of int
        Windows it can be set to [s].
    can_switch_off : bool
        Whether supervision of a slot can be switched off.
    behaviours : frozenset of str
        Behaviours its outputs know.
    """

    n_slots: int | None = None
    n_outputs: int | None = None
    windows_s: frozenset[int] = frozenset()
    can_switch_off: bool = True
    behaviours: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class SlotSetting:
    """One slot as somebody wants it to be.

    Attributes
    ----------
    serial : str
        Transmitter; empty where nobody knows what is registered here.
    window_s, interval_s : int or None
        As in `SlotRow` [s].
    is_declared_twice : bool
        The same transmitter and input is meant to stand in several slots.
    duty : str
        Duty class; empty: not judged by one.
    is_portable : bool
        It leaves the site.
    """

    slot: int
    serial: str = ""
    input_number: int = 1
    window_s: int | None = None
    interval_s: int | None = None
    outputs: tuple[OutputUse, ...] = ()
    contact: str = ""
    is_declared_twice: bool = False
    n_inputs: int | None = None
    duty: str = ""
    is_portable: bool = False


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """Another open registration of the same transmitter."""

    where: str
    slot: int
    input_number: int
    is_declared_twice: bool = False


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong with a change: refuses it, unless it is only a warning."""

    field: str
    code: str
    text: str
    is_warning: bool = False


def _window_problems(wanted: SlotSetting, limits: ReceiverLimits) -> list[Problem]:
    window_s = wanted.window_s
    if window_s is None:
        return []
    if window_s == WINDOW_OFF:
        if limits.can_switch_off:
            return []
        return [Problem("window_s", "window_not_off", "This receiver type cannot switch supervision of a slot off.")]
    if window_s < 0:
        return [Problem("window_s", "window_negative", "A supervision window cannot be negative.")]
    found = []
    if limits.windows_s and window_s not in limits.windows_s:
        can = list_words([span_words(each) for each in sorted(limits.windows_s) if each > 0])
        found.append(
            Problem(
                "window_s",
                "window_not_settable",
                f"This receiver type cannot be set to {span_words(window_s)}; it knows {can}.",
            )
        )
    if wanted.interval_s and window_s < wanted.interval_s:
        found.append(
            Problem(
                "window_s",
                "window_under_interval",
                f"The transmitter checks in every {span_words(wanted.interval_s)}: a window of {span_words(window_s)} "
                "would call it missing although it works.",
            )
        )
    elif wanted.interval_s and window_s < MIN_CHECK_INS_PER_WINDOW * wanted.interval_s:
        found.append(
            Problem(
                "window_s",
                "window_under_two",
                f"The window of {span_words(window_s)} holds fewer than two check-ins of "
                f"{span_words(wanted.interval_s)}: one lost message raises a fault.",
                is_warning=True,
            )
        )
    return found


def _policy_problems(wanted: SlotSetting, asks: Sequence[SupervisionAsk]) -> list[Problem]:
    """A window longer than the duty class asks is a warning here and a finding afterwards, by the same rule."""
    ask = next((one for one in asks if one.duty == wanted.duty), None)
    if ask is None or not window_over(ask, window_s=wanted.window_s, is_portable=wanted.is_portable):
        return []
    return [
        Problem(
            "window_s",
            "window_over_duty",
            f"{span_words(wanted.window_s or 0)} is longer than the {span_words(ask.longest_window_s or 0)} that the "
            f"firm's policy asks for {DUTY_WORDS.get(wanted.duty, wanted.duty)}.",
            is_warning=True,
        )
    ]


def _output_problems(wanted: SlotSetting, limits: ReceiverLimits) -> list[Problem]:
    found = []
    seen: set[int] = set()
    for use in wanted.outputs:
        if use.number in seen:
            found.append(Problem("outputs", "output_twice", f"Output {use.number} is given twice for this slot."))
        seen.add(use.number)
        if use.number < 1 or (limits.n_outputs is not None and use.number > limits.n_outputs):
            have = "" if limits.n_outputs is None else f" It has {limits.n_outputs}."
            found.append(Problem("outputs", "no_such_output", f"The receiver has no output {use.number}.{have}"))
        if use.behaviour and use.behaviour not in BEHAVIOUR_WORDS:
            found.append(Problem("outputs", "no_such_behaviour", f"Nobody knows the behaviour “{use.behaviour}”."))
        elif use.behaviour and limits.behaviours and use.behaviour not in limits.behaviours:
            can = list_words([BEHAVIOUR_WORDS[code] for code in BEHAVIOUR_WORDS if code in limits.behaviours])
            found.append(
                Problem(
                    "outputs",
                    "behaviour_not_settable",
                    f"Output {use.number} cannot be set to “{BEHAVIOUR_WORDS[use.behaviour]}”; "
                    f"this receiver type knows: {can}.",
                )
            )
        if use.behaviour == "momentary" and not (use.pulse_s and use.pulse_s > 0):
            found.append(
                Problem(
                    "outputs", "momentary_without_seconds", f"Say for how many seconds output {use.number} stays on."
                )
            )
        if use.behaviour != "momentary" and use.pulse_s:
            found.append(
                Problem(
                    "outputs",
                    "seconds_without_momentary",
                    f"Seconds are only for “on for a set time”; output {use.number} {behaviour_words(use.behaviour)}.",
                )
            )
    return found


def _twice_problems(wanted: SlotSetting, elsewhere: Sequence[Elsewhere]) -> list[Problem]:
    if not wanted.serial:
        return []
    same = [other for other in elsewhere if other.input_number == wanted.input_number]
    if not same or wanted.is_declared_twice:
        return []
    places = list_words([f"{other.where}, slot {other.slot}" for other in same])
    return [
        Problem(
            "serial",
            "registered_twice",
            f"Transmitter {wanted.serial} (input {wanted.input_number}) is already registered at {places}. "
            "Move it, or declare that it stands in several slots.",
        )
    ]


def problems(
    wanted: SlotSetting,
    limits: ReceiverLimits,
    *,
    elsewhere: Sequence[Elsewhere] = (),
    taken_by: str | None = None,
    asks: Sequence[SupervisionAsk] = (),
) -> list[Problem]:
    """Everything that speaks against a change of one slot, in plain words.

    Parameters
    ----------
    wanted : SlotSetting
        The slot as it shall be.
    limits : ReceiverLimits
        What the receiver type can be set to.
    elsewhere : sequence of Elsewhere
        Other open registrations of the same transmitter (not the one that is being changed or moved).
    taken_by : str or None
        What stands in the slot now, where it is not this registration.
    asks : sequence of SupervisionAsk
        What the company asks of each duty class; only warned of.

    Returns
    -------
    list of Problem
        Empty where nothing speaks against it. Those with `is_warning` do not refuse the change.
    """
    found = []
    if wanted.slot < 1 or (limits.n_slots and wanted.slot > limits.n_slots):
        have = f" It has slots 1 to {limits.n_slots}." if limits.n_slots else ""
        found.append(Problem("slot", "no_such_slot", f"The receiver has no slot {wanted.slot}.{have}"))
    if taken_by is not None:
        found.append(Problem("slot", "slot_taken", f"Slot {wanted.slot} is taken by {taken_by}."))
    if wanted.input_number < 1 or (wanted.n_inputs and wanted.input_number > wanted.n_inputs):
        found.append(Problem("input_number", "no_such_input", f"The transmitter has no input {wanted.input_number}."))
    if wanted.contact not in CONTACT_WORDS:
        found.append(Problem("contact", "no_such_contact", f"A contact cannot be “{wanted.contact}”."))
    found += _window_problems(wanted, limits)
    found += _policy_problems(wanted, asks)
    found += _output_problems(wanted, limits)
    found += _twice_problems(wanted, elsewhere)
    return found


REGISTER_AGAIN_FIELDS = frozenset({"contact", "interval_s", "input_number"})
"""Settings made on the transmitter: after a change of one of them it must be registered again. Common practice, no
source."""


def must_register_again(old: SlotSetting, new: SlotSetting) -> bool:
    """Whether the change touches what the receiver learned from the transmitter when it was registered."""
    return any(getattr(old, name) != getattr(new, name) for name in REGISTER_AGAIN_FIELDS)


def contact_misfits(contact: str, offered: str) -> bool:
    """Whether the contact on record cannot be right for a type of transmitter.

    Parameters
    ----------
    contact : str
        What the slot says: "no", "nc", "none", or "" or "unknown" where nobody knows, which misfits nothing.
    offered : str
        What the type has: "no", "nc", "either" or "none"; "" where that is not known.
    """
    if contact not in ("no", "nc", "none") or not offered:
        return False
    return contact == "none" if offered == "either" else contact != offered
