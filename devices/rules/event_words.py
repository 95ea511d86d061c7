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
    r"\b(?:restor\w*|rest|rst|clear\w*|normal\w*|ok|okay|over|gone|end|ended|closed?|closing|secure[d]?|returned|return|"
    r"found|good|recover\w*|reset|off|back|r)\b"
)
_RAISED = re.compile(r"\b(?:new|alarm|event|open|opening|opened|set|active|activated|on|e|trouble|fault)\b")
_PLAIN: tuple[tuple[re.Pattern[str], K, K], ...] = tuple(
    (re.compile(pattern), raised, over)
    for pattern, raised, over in (
        (r"\bunregistered|\bunknown (?:transmitter|device|sensor|serial)|\bnot enrolled", K.UNREGISTERED, K.UNREGISTERED),
        (r"\b(?:system|standby|stand-by|panel|receiver|module) batt\w*|\blow supply\b", K.STANDBY_LOW, K.STANDBY_RESTORED),
        (r"\b(?:ac|mains|power)\b", K.POWER_FAULT, K.POWER_RESTORED),
        (r"batt|\blo(?:w)? ?bat|\bbat\b", K.LOW_BATTERY, K.BATTERY_RESTORED),
        (r"\b(?:jam\w*|interferen\w*)", K.INTERFERENCE, K.INTERFERENCE_OVER),
        (r"\b(?:receiver|panel|module|cover|enclosure|box)\b.*\btamper|\btamper\b.*\b(?:receiver|panel|module|enclosure)\b",
         K.RECEIVER_TAMPER, K.RECEIVER_TAMPER_RESTORED),
        (r"\btamper", K.TAMPER, K.TAMPER_RESTORED),
        (r"\b(?:check[ -]?in|heart ?beat|supervis\w+ (?:signal|message|ok|received)|poll(?:ed)?|status (?:ok|signal)|alive)\b"
         r"(?!.*\b(?:fail\w*|miss\w*|late|lost|loss|no)\b)", K.CHECK_IN, K.CHECK_IN),
        (r"\b(?:missing|supervis\w+|inactiv\w+|not heard|no check|lost|loss of|failed to (?:report|check)|check[ -]?in|absent)",
         K.MISSING, K.MISSING_RESTORED),
        (r"\b(?:receiver|module|panel)\b.*\b(?:fail\w*|fault|trouble|restor\w*)", K.RECEIVER_FAULT, K.RECEIVER_RESTORED),
        (r"\b(?:(?:automatic|periodic|timer|auto|daily|manual|link|communicat\w+) test|test (?:report|signal|timer)|null)\b",
         K.LINK_TEST, K.LINK_TEST),
        (r"\b(?:alarm|help|panic|emergency|medical|activat\w+|press\w*|call|duress|hold[ -]?up|burglar\w*|fire|smoke|motion|"
         r"open(?:ed|ing)?|close[d]?|closing|pendant|pull ?cord|intrusion)\b", K.ACTIVATION, K.RESTORE),
        (r"\b(?:trouble|fault|failure)\b", K.TROUBLE, K.TROUBLE_RESTORED),
    )
)  # fmt: skip
_BAD_BATTERY = re.compile(
    r"\b(?:low|weak|flat|replace|change|bad|trouble|fault|restor\w*|ok|normal|good|clear\w*)\b|low ?batt|lowbat"
)
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
    for pattern, raised, over in _PLAIN:
        if not pattern.search(plain):
            continue
        if raised is K.LOW_BATTERY and not _BAD_BATTERY.search(f"{plain} {state}"):
            continue
        is_over = bool(_OVER.search(state)) if state and not _RAISED.search(state) else bool(_OVER.search(plain))
        return (over if is_over else raised).value
    return None
