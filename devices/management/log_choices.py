"""What `manage.py intake` is told about a file, put together with what its source remembers and what its cells look like.

The rules are those of the page of columns: its form is filled in and asked. Nothing here writes.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError

from devices.actions.event_files import Memory, remembered
from devices.forms.event_files import KIND_LABELS, MapForm, initial_of
from devices.imports.event_logs import looked_at
from devices.imports.log_places import KnownPlaces
from devices.imports.log_rows import LogFile
from devices.models import IntakeSource
from devices.rules.event_log import FIELDS, LogMap
from devices.rules.event_log_guess import plain_head
from devices.rules.event_log_memory import NAMES
from devices.rules.event_log_times import FORMATS
from devices.rules.event_words import IGNORE, is_told_by_code, take_apart
from sites.models import Site

NOTHING_TAKEN, NEW_WORDS = 2, 3
TYPES: dict[str, tuple[type, str]] = {
    "columns": (dict, "an object, such as {\"time\": \"Date/Time\", \"serial\": 3}"),
    "words": (dict, "an object, such as {\"E384\": \"low_battery\", \"Opening\": \"ignore\"}"),
    "head_row": (int, "a whole number"), "slot_offset": (int, "a whole number"),
    **dict.fromkeys(("sheet", "time_format", "zone", "others", "every_row", "receiver_code"), (str, "text")),
}  # fmt: skip
_NO_TIME = 'No column looks like a time. Say which: --map \'{"columns": {"time": 1}}\'.'
_DAY_OR_MONTH = (
    'Day and month cannot be told apart in this file. Say which comes first: --map \'{"time_format": "dmy"}\' or "mdy".'
)
_NO_EVENT = (
    'No column looks like codes or words of events. Say which: --map \'{"columns": {"event": 3}}\', or what every row is: '
    '--map \'{"every_row": "check_in"}\'.'
)


@dataclass(frozen=True, slots=True)
class NewWord:
    """A word that nobody has said anything of for this source, and that is no published code."""

    key: str
    shown: str
    n: int
    guess: str


@dataclass(frozen=True, slots=True)
class Choice:
    """How a file will be read, and its words that a person has not seen yet."""

    chosen: LogMap
    look: dict[str, Any]
    memory: Memory
    new_words: list[NewWord] = field(default_factory=list)


def wrong(text: str, returncode: int = NOTHING_TAKEN) -> CommandError:
    return CommandError(text, returncode=returncode)


def given_map(text: str) -> dict[str, Any]:
    """Read --map: JSON, or a file with it; every part of it of the kind that it must be."""
    if not text:
        return {}
    try:
        if not text.lstrip().startswith(("{", "[")) and Path(text).is_file():
            text = Path(text).read_text(encoding="utf-8")
        given = json.loads(text)
    except (ValueError, OSError, RecursionError) as bad:
        raise wrong(f"--map is no JSON: {bad}.") from None
    if not isinstance(given, dict):
        raise wrong("--map must be a JSON object.")
    if unknown := given.keys() - TYPES.keys():
        raise wrong(f"--map knows no “{min(unknown)}”. It knows {', '.join(TYPES)}.")
    for name, value in given.items():
        kind, words = TYPES[name]
        if type(value) is not kind:
            raise wrong(f"--map: {name} must be {words}.")
    _look_at_words(given.get("words", {}))
    return given


def _look_at_words(words: Mapping[str, Any]) -> None:
    for text, kind in words.items():
        if not take_apart(text).key.isprintable():
            raise wrong("--map: a word holds signs that cannot be printed. Write it as it stands in the file.")
        if kind not in (*KIND_LABELS, IGNORE):
            raise wrong(
                f"There is no kind of event “{kind}”. Kinds are {', '.join(KIND_LABELS)}; “{IGNORE}” leaves rows out."
            )


def choose(log: LogFile, source: IntakeSource, given: Mapping[str, Any]) -> Choice:
    """Look at a file and give what the page of its columns would hold, with what --map says in its place."""
    memory = remembered(source)
    _ask_again(memory, given)
    if "sheet" in given and given["sheet"] not in log.sheets:
        raise wrong(f"The file has no sheet “{given['sheet']}”. It has {', '.join(log.sheets) or 'none: it is text'}.")
    draft = {name: given[name] for name in ("head_row", "sheet") if name in given}
    look = _looked(log, draft, memory)
    if not look["n_rows"]:
        raise wrong("The file holds no row under its headings, so there is nothing to take in.")
    columns = columns_of(given, look)
    if any(columns.get(name) != look["columns"].get(name) for name in ("time", "event", "state")):
        look = _looked(log, draft | {"columns": columns}, memory)
    look = look | {"columns": columns}
    chosen = _chosen(source, look, memory, given)
    return Choice(chosen, look, memory, _new_words(look, memory, given, chosen))


def _looked(log: LogFile, draft: dict[str, Any], memory: Memory) -> dict[str, Any]:
    return looked_at(log, draft, memory.choices, lambda n: None)


def _ask_again(memory: Memory, given: Mapping[str, Any]) -> None:
    """Stop where something that was remembered cannot be used any more and nobody says what holds in its place."""
    gone = [name for name in memory.left_aside if name not in given and name != "words"]
    if gone:
        raise wrong(
            f"Some of what this source remembers cannot be used any more: {', '.join(NAMES[name] for name in gone)}. Say it "
            f"again with --map ({', '.join(gone)}), or upload a file on the page “Event logs” and choose there."
        )


def columns_of(given: Mapping[str, Any], look: Mapping[str, Any]) -> dict[str, int]:
    """Columns as proposed, with those of --map in their place, which gives them by heading or by number from 1."""
    heads = look["heads"]
    names = [plain_head(head) for head in heads]
    said: dict[str, int] = {}
    for name, where in given.get("columns", {}).items():
        if name not in FIELDS:
            raise wrong(f"--map knows no column “{name}”. It knows {', '.join(FIELDS)}.")
        at = where - 1 if type(where) is int else -1
        if isinstance(where, str) and plain_head(where) in names:
            at = names.index(plain_head(where))
        if not 0 <= at < len(heads):
            raise wrong(f"The file has no column “{where}”. It has {', '.join(filter(None, heads))}.")
        said[name] = at
    proposed = {name: at for name, at in look["columns"].items() if at not in said.values()}
    if "every_row" in given and "event" not in said:
        proposed = {name: at for name, at in proposed.items() if name not in ("event", "state")}
    return proposed | said


def _chosen(source: IntakeSource, look: dict[str, Any], memory: Memory, given: Mapping[str, Any]) -> LogMap:
    first = initial_of(look, memory.choices, {})
    _must_be_whole(look, given.get("time_format") or first["time_format"], given.get("every_row") or first["every_row"])
    words = {take_apart(text).key: kind for text, kind in given.get("words", {}).items()}
    data = first | {name: given[name] for name in given if name not in ("columns", "words")}
    data["zone"] = data["zone"] or "UTC"
    data["others"] = given.get("others") or "refuse"
    data |= {f"word_{at}": words[key] for at, (key, *_rest) in enumerate(look["words"]) if key in words}
    places = KnownPlaces(source)
    # The page offers a part of the receivers of a large firm; here one is named.
    meant = [one for one in places.known if one.code == data["receiver_code"]]
    if data["receiver_code"] and not meant:
        raise wrong(f"--map: there is no receiver “{data['receiver_code']}” that this source speaks for.")
    form = MapForm(
        data, look=look, sites=Site.objects.filter(closed_at=None), receivers=meant, only=places.only,
    )  # fmt: skip
    form.is_valid()
    for name, told in form.errors.items():
        if not name.startswith("word_"):
            raise wrong(f"--map: {name} – {' '.join(map(str, told))}{_known(name)}")
    chosen = form.draft().as_json()
    return LogMap.of_json(chosen | {"words": words | chosen["words"]})


def _known(name: str) -> str:
    """What there is to choose from, where that is short."""
    known = {"time_format": FORMATS, "others": ("refuse", IGNORE), "every_row": tuple(KIND_LABELS)}.get(name, ())
    return f" There are {', '.join(known)}." if known else ""


def _must_be_whole(look: Mapping[str, Any], time_format: str, every_row: str) -> None:
    if "time" not in look["columns"]:
        raise wrong(_NO_TIME)
    if not time_format:
        raise wrong(_DAY_OR_MONTH)
    if not {"event"} & look["columns"].keys() and not every_row:
        raise wrong(_NO_EVENT)


def _new_words(
    look: Mapping[str, Any], memory: Memory, given: Mapping[str, Any], chosen: LogMap
) -> list[NewWord]:  # fmt: skip
    """Words of which neither the source's former files nor --map say anything; a published code says itself what it means."""
    if "event" not in chosen.columns:
        return []
    said = {*memory.choices.get("words", {}), *(take_apart(text).key for text in given.get("words", {}))}
    found = []
    for key, shown, n, guess in look["words"]:
        event, _, state = shown.partition(" · ")
        is_told = key in said or (guess and is_told_by_code(event, state)) or (chosen.others == IGNORE and not guess)
        if not is_told and key:
            found.append(NewWord(key, shown, n, guess))
    return found
