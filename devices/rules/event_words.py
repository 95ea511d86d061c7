"""What the words and codes of an event log mean: DC-05 and DC-03 codes and plain English to our kinds of event. Pure.

Codes are those of `dc09_events`. A guess is a proposal: whoever maps the file sees every word with its count.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from devices.rules.dc09_events import DC03, DC05
from devices.rules.events import CLEARS, RAISES
from devices.rules.events import EventKind as K

CODES = frozenset(K)
IGNORE = "ignore"
"""The choice for words that say nothing of a transmitter or receiver: their rows are left out."""

_OVER_OF: dict[str, str] = {
    **{new: over for new, fault in RAISES.items() for over, ended in CLEARS.items() if ended == fault},
    "activation": "restore",
}
_MORE_ALARMS = frozenset({"131", "132", "133", "134", "135", "136"})
"""Further zones of intrusion, from memory: a proposal that a person sees before anything is taken."""
_OF_PERSONS = ("4", "5")
"""First digits of codes for opening, closing, access and bypasses, from memory: proposed to be left out."""

# Qualifiers of DC-05: 1 and E new, 3 and R restored, 6 and P still present (raises again what stands already).
_CODE = re.compile(
    r"(?:18[ ]?(?=[136]))?(?P<mark>[ERP136])?[ \-]?(?P<code>[0-9]{3})"
    r"(?:[ \-/]+[0-9]{1,2}[ \-/]+[CUZ]?(?P<zone>[0-9]{1,4})|[ ]?(?P<after>[ER]))?"
    r"(?:[ ]*[:–\-][ ]*(?P<words>\D.*)|[ ]+(?P<more>[^\W\d].*))?",
    re.IGNORECASE,
)
_LETTERS = re.compile(r"N?(?P<code>[A-Z]{2})(?:[ \-]?(?P<zone>[0-9]{1,4}))?")
_ZONE_WORDS = re.compile(
    r"[\s,;:(\-–]*\b(?:on |in |at )?(?:zone|slot|point|sensor|device|transmitter|loop)\b[ #:.\-]*(?:no\.?|nr\.?)?[ ]*"
    r"(?P<zone>[0-9]{1,4})\b\)?",
    re.IGNORECASE,
)
_OVER = re.compile(
    r"\b(?:restor\w*|rest|rst|clear\w*|normal\w*|ok|okay|over|gone|end|ended|closed?|secure[d]?|returned|return|"
    r"found|good|recover\w*|reset|off|back|r)\b"
)
_ALARM_OVER = re.compile(r"\b(?:restor\w*|rest|rst|clear(?:ed|s)?|normal\w*|over|ended?|reset|off|closed?|r)\b")
"""When an alarm is over. Fewer than for faults: who found whom, or called back, ends no alarm."""
_RESTORED = re.compile(r"\b(?:restor\w*|clear(?:ed|s)?|normal\w*|rst)\b")
_POWER = re.compile(
    r"\b(?:fail\w*|loss|lost|fault|trouble|low|off|out|outage|missing|down|cut|interrupt\w*|bad|restor\w*|ok|okay|back|returned?|normal\w*|"
    r"good|clear\w*|recover\w*|over|gone|flat|dead|exhaust\w*|r)\b"
)
"""What must be said of the mains or a panel's battery before anybody guesses."""
_RAISED = re.compile(r"\b(?:new|alarm|event|open|opening|opened|set|active|activated|on|e|trouble|fault)\b")
_PLAIN: tuple[tuple[re.Pattern[str], K, K], ...] = tuple(
    (re.compile(pattern), raised, over)
    for pattern, raised, over in (
        (r"\bunregistered|\bunknown (?:transmitter|device|sensor|serial)|\bnot enrolled", K.UNREGISTERED, K.UNREGISTERED),
        (r"\b(?:system|standby|stand-by|panel|receiver|module) batt\w*|\blow supply\b", K.STANDBY_LOW, K.STANDBY_RESTORED),
        (r"\b(?:ac|mains|power)\b", K.POWER_FAULT, K.POWER_RESTORED),
        (r"batt\w*|\blo(?:w)? ?bat\b|\bbat\b", K.LOW_BATTERY, K.BATTERY_RESTORED),
        (r"\b(?:jam\w*|interferen\w*)", K.INTERFERENCE, K.INTERFERENCE_OVER),
        (r"\b(?:receiver|panel|module|cover|enclosure|box)\b.*\btamper|\btamper\b.*\b(?:receiver|panel|module|enclosure)\b",
         K.RECEIVER_TAMPER, K.RECEIVER_TAMPER_RESTORED),
        (r"\btamper", K.TAMPER, K.TAMPER_RESTORED),
        (r"\b(?:check[ -]?in|heart ?beat|supervis\w+ (?:signal|message|ok|received)|poll(?:ed)?|status (?:ok|signal)|alive)\b",
         K.CHECK_IN, K.CHECK_IN),
        (r"\b(?:missing|missed|supervis\w+|inactiv\w+|not heard|no (?:check|heart ?beat)|lost|loss of|failed to (?:report|check)|"
         r"check[ -]?in|absent)", K.MISSING, K.MISSING_RESTORED),
        (r"\b(?:receiver|module|panel)\b.*\b(?:fail\w*|fault|trouble|restor\w*)", K.RECEIVER_FAULT, K.RECEIVER_RESTORED),
        (r"\b(?:(?:automatic|periodic|timer|auto|daily|manual|link|communicat\w+) test|test (?:report|signal|timer)|null)\b",
         K.LINK_TEST, K.LINK_TEST),
        (r"\b(?:trouble|fault|faulty|failure|malfunction)\b", K.TROUBLE, K.TROUBLE_RESTORED),
        (r"\b(?:alarm|help|panic|emergency|medical|activat\w+|press\w*|pulled|call|duress|hold[ -]?up|burglar\w*|fire|smoke|"
         r"motion|intrusion|(?:door|window|gate|hatch|contact)\b.*\b(?:open(?:ed)?|closed?))\b", K.ACTIVATION, K.RESTORE),
    )
)  # fmt: skip
"""Searched from the top. Faults stand before alarms: a smoke head in trouble has seen no smoke."""
_BAD_BATTERY = re.compile(
    r"\b(?:low|weak|flat|replace|change|bad|trouble|fault|fail\w*|exhaust\w*|deplet\w*|dead|critical|restor\w*|ok|normal|good|"
    r"clear\w*)\b|low ?batt|lowbat"
)
_DOUBT = re.compile(
    r"\b(?:no|not|non|never|without|false|cancel\w*|abort\w*|void|test\w*|drill\w*|bypass\w*|isolat\w*|inhibit\w*|shunt\w*|"
    r"omit\w*|disabl\w*|enabl\w*|mask\w*|silenc\w*|mute\w*|ack\w*|verif\w*|ignor\w*)\b|n’t|n't"
)
"""Words that turn the others round, or say that somebody tries or switches something: nobody should guess then."""
_NO_SIGNAL = re.compile(r"\b(?:fail\w*|miss\w*|late|lost|loss|overdue|stop\w*|fault|trouble)\b")
"""Beside a check-in or test of the link: it did not come."""
_NO_ALARM = re.compile(
    r"\b(?:fail\w*|error\w*|defect\w*|dirt\w*|contaminat\w*|maint\w*|servic\w*|drift\w*|life|expir\w*|exhaust\w*|flat|dead|low|"
    r"weak|check\w*|inspect\w*|remov\w*|replac\w*|chang\w*|lost|wir(?:e|ing)|short|circuit|disconnect\w*|connect\w*|block\w*|"
    r"armed|disarm\w*|arming|delay\w*|pre ?alarm|warning|entry|exit|(?:un)?lock\w*|back|keyholder|premises|customer|police|brigade|"
    r"dispatch\w*|notif\w*|phone\w*|telephone|answer\w*|log|log(?:ged)? (?:in|on)|list|system|door(?= (?:release|holder)))\b|pre-alarm"
)
"""Beside a word of an alarm: of the state of a device, or of what somebody did about it, and no alarm by itself."""
_DEVICE = re.compile(
    r"\b(?:fire|smoke|motion|call|help|panic|alarm|burglar) (?:head|detector|sensor|unit|device|transmitter|point|button|panel|bell|"
    r"sounder|zone|contact|door)s?\b"
)
"""What hangs on the wall: its name alone does not say that anything happened."""
_BY_PERSON = re.compile(r"\b(?:user|operator|operated|armed|disarmed|code \d+)\b")
_SEPARATORS = re.compile(r"[_/.]+")


@dataclass(frozen=True, slots=True)
class Word:
    """One cell of the event column, taken apart.

    Attributes
    ----------
    key : str
        How it is remembered: without capitals, zone numbers and doubled blanks.
    shown : str
        For a person.
    zone : int or None
        Number of a zone that stood in it.
    """

    key: str
    shown: str
    zone: int | None = None


@lru_cache(maxsize=4096)
def take_apart(event: str, state: str = "") -> Word:
    """Take an event cell, with the cell of a column “new or restored”, apart into what is mapped and a zone number."""
    event, state = " ".join(event.split()), " ".join(state.split())
    zone, shown = None, event
    if (match := _CODE.fullmatch(event)) and match["zone"]:
        zone = int(match["zone"])
        shown = f"{match['mark'] or ''}{match['code']}"
    elif (match := _LETTERS.fullmatch(event)) and match["zone"]:
        zone, shown = int(match["zone"]), match["code"]
    elif match := _ZONE_WORDS.search(event):
        zone = int(match["zone"])
        shown = " ".join((event[: match.start()] + " " + event[match.end() :]).split()) or event
    if state:
        shown = f"{shown} · {state}"
    return Word(shown.casefold()[:120], shown[:120], zone)


@lru_cache(maxsize=4096)
def guess_kind(event: str, state: str = "") -> str | None:
    """Guess what an event cell means: the code of an `EventKind`, or None where nobody should guess."""
    event, state = " ".join(event.split()), " ".join(state.split()).casefold()
    plain = " ".join(_SEPARATORS.sub(" ", event).split()).casefold()
    own = plain.replace(" ", "_").replace("-", "_")
    if own in CODES and not state:
        return own
    marked = _of_code(event, state)
    if marked is not None:
        return str(marked) or None
    letters = _LETTERS.fullmatch(event)
    if letters and letters["code"] in DC03:
        return str(DC03[letters["code"]][0] or IGNORE)
    return _of_words(plain, state)


def _of_code(event: str, state: str) -> str | None:
    """Meaning of a DC-05 code; empty where the code has none here, None where it is no code at all."""
    match = _CODE.fullmatch(event)
    if match is None:
        return None
    mark, code = (match["mark"] or match["after"] or "").upper(), match["code"]
    kind = K.ACTIVATION if code in _MORE_ALARMS else DC05.get(code, ("",))[0]
    if code in DC05 and kind is None:
        return IGNORE
    if not kind:
        return IGNORE if code.startswith(_OF_PERSONS) else ""
    # A report of what still stands comes from the panel's memory: an activation in it did not happen again.
    if mark in ("6", "P") and kind not in RAISES:
        return IGNORE
    is_over = mark in ("3", "R") or (not mark and (state in ("3", "r") or bool(_OVER.search(state))))
    return _OVER_OF.get(kind, kind) if is_over else kind


def _of_words(plain: str, state: str) -> str | None:
    if _BY_PERSON.search(plain):
        return None
    whole = f"{plain} {state}".strip()
    for pattern, raised, over in _PLAIN:
        # An alarm or a fault of the device may stand in the column of states alone.
        match = pattern.search(whole if raised in (K.TROUBLE, K.ACTIVATION) else plain)
        if match is None:
            continue
        rest = f"{match.string[: match.start()]} {match.string[match.end() :]}"
        is_doubtful = bool(_DOUBT.search(rest if match.string == whole else f"{rest} {state}"))
        if raised in (K.CHECK_IN, K.LINK_TEST) and (is_doubtful or _NO_SIGNAL.search(rest)):
            continue
        if is_doubtful or (raised is K.LOW_BATTERY and not _BAD_BATTERY.search(whole)):
            return None
        if raised is K.ACTIVATION:
            return _of_alarm(pattern, whole, state)
        if raised in (K.POWER_FAULT, K.STANDBY_LOW) and not _POWER.search(whole):
            return None
        return (over if _is_over(plain, state, is_power=raised is K.POWER_FAULT) else raised).value
    return None


def _is_over(plain: str, state: str, *, is_power: bool = False) -> bool:
    """Whether a fault is told to be over: by the column of states where it says so, else by the words."""
    if _RESTORED.search(state):
        return True
    said = state if state and not _RAISED.search(state) else plain
    # Of the mains “off” is the fault itself.
    return bool(_OVER.search(re.sub(r"\boff\b", " ", said) if is_power else said))


def _of_alarm(pattern: re.Pattern[str], whole: str, state: str) -> str | None:
    """An activation or its end; None where the words are of the device, of what somebody did, or of its name alone."""
    if _NO_ALARM.search(whole) or not pattern.search(_DEVICE.sub(" ", whole)):
        return None
    is_over = _ALARM_OVER.search(state if state and not _RAISED.search(state) else whole)
    return (K.RESTORE if is_over else K.ACTIVATION).value


def is_told_by_code(event: str, state: str = "") -> bool:
    """Whether an event cell says in a published code, or in one of ours, what it means, so that nobody has to guess.

    A number without a mark of new or restored may be anything, and so may two letters.
    """
    event, state = " ".join(event.split()), " ".join(state.split())
    if _SEPARATORS.sub(" ", event).strip().casefold().replace(" ", "_").replace("-", "_") in CODES:
        return not state
    match = _CODE.fullmatch(event)
    return match is not None and match["code"] in DC05 and bool(match["mark"] or match["after"])
