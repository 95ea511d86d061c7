"""Comparing one row of a workbook with what is on record, field by field. Pure."""

from collections.abc import Iterable, Mapping
from typing import Any

from company.sheets import UNKNOWN, SheetPlan, Tell, is_same
from devices.rules.fitting_rows import words_of
from devices.rules.import_facts import Catalogue
from devices.rules.import_records import CHANGED, FAULT, NEW, UNCHANGED, Change, Fate, Known, Plan
from devices.rules.import_words import say

# Stands for the answer "unknown" where None means a blank cell.
_UNKNOWN: Any = object()


def nullable(value: Any) -> Any:
    """Tell a blank cell (None) from the answer "unknown"."""
    return _UNKNOWN if value == UNKNOWN else value


def known_or(value: Any, unknown: Any) -> Any:
    """Turn the answer "unknown" into what the records keep for it."""
    return unknown if value == UNKNOWN else value


# Codes that the sheet writes otherwise.
_WORDS = {
    ("paper", "a4"): "A4", ("paper", "letter"): "Letter", ("contact", "no"): "NO", ("contact", "nc"): "NC",
    ("rest", "released"): "de-energised",
}  # fmt: skip
TOLD = 1000
"""Rows between two words about progress."""


class Comparing:
    """Notes the fate of every row in a plan."""

    def __init__(self, catalogue: Catalogue, faulty: set[tuple[str, int | None]], on_rows: Tell | None) -> None:
        self.catalogue = catalogue
        self.faulty = faulty
        self.on_rows = on_rows
        self.plan = Plan()

    def _fate(
        self, sheet: SheetPlan, row: int, what: str, *, is_new: bool = False, changes: Iterable[Change] = ()
    ) -> bool:
        """Note the fate of a row; True if there is something to write."""
        listed = tuple(changes)
        if self.on_rows and len(self.plan.fates) % TOLD == 0:
            self.on_rows(len(self.plan.fates))
        if (sheet.name, row) in self.faulty:
            self.plan.fates.append(Fate(sheet.name, row, what, FAULT))
            return False
        fate = NEW if is_new else CHANGED if listed else UNCHANGED
        self.plan.fates.append(Fate(sheet.name, row, what, fate, listed))
        return fate != UNCHANGED

    def _plain(
        self, sheet: SheetPlan, row: int, what: str, known: Known | None, given: Mapping[str, tuple[str, Any]]
    ) -> tuple[bool, dict[str, Any], dict[str, Any], list[Change]]:
        """Compare fields one to one; `given` is field → (column, value), None where the cell was blank."""
        wanted = {name: value for name, (_, value) in given.items() if value is not None}
        wanted = {name: None if value is _UNKNOWN else value for name, value in wanted.items()}
        if known is None:
            values = [
                (sheet.title(given[name][0]), "", self._say(name, value))
                for name, value in wanted.items()
                if value not in (None, "")
            ]
            return True, wanted, {}, values
        different = {name: value for name, value in wanted.items() if not is_same(known.facts[name], value)}
        before = {name: known.facts[name] for name in different}
        changes = [
            (sheet.title(given[name][0]), self._say(name, before[name]), self._say(name, value))
            for name, value in different.items()
        ]
        return False, different, before, changes

    def _say(self, name: str, value: Any) -> str:
        """Say a value; a battery goes by its IEC code, whatever our own code for it."""
        if name == "battery":
            facts = self.catalogue.battery_types.get(value)
            return facts.iec_code if facts else UNKNOWN
        if name == "removed_why":
            return words_of(value)
        return say(_WORDS.get((name, value), value))
