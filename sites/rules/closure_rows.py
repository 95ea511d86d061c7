"""Rows of a file of term dates and other days that differ, for many sites at once, checked and judged.

Pure: what is on record comes in as values.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import takewhile
from typing import Any

from company.cells import choice, code, day, text
from company.sheets import Cell, Column, Problem, Sheet, SheetPlan, WrongCell, did_you_mean, read_rows

NAME = "closures"
YEARS_AHEAD = 6
"""A day further ahead is a slip of the year. Decided here: nobody publishes term dates for longer."""

LONGEST_DAYS = 400
"""A span longer than this is a slip of the year too, or a site that should be closed. Decided here."""

_DAYS_PER_YEAR = 366
KIND_WORDS = {
    "no access": "no_access", "closed": "no_access", "empty": "preferred", "preferred": "preferred",
    "empty, preferred": "preferred",
}  # fmt: skip
SAID = {"no_access": "no access", "preferred": "empty, preferred"}

_read_day = day()


def day_ahead(cell: Cell, today: date) -> date:
    """Read a day that may lie ahead, up to `YEARS_AHEAD` [years]; refused otherwise, and as `company.cells.day` does."""
    # The reader of cells refuses what has not come yet; here the future is what people write of.
    found: date = _read_day(cell, date.max - timedelta(days=1))
    if (found - today).days > _DAYS_PER_YEAR * YEARS_AHEAD:
        raise WrongCell(f"{found.isoformat()} is more than {YEARS_AHEAD} years ahead. Check the year.")
    return found


PLAN = SheetPlan(
    NAME,
    (
        Column("site", "site code", code(30), note="One site. Leave it empty to mean several by the next two.",
               example="EXAMPLE-01", also=("site",)),
        Column("customer", "customer code", code(30), note="All sites of this customer.", also=("customer",)),
        Column("kind", "kind of building", text(60), note="All sites of this kind, such as school.", also=("building",)),
        Column("from_on", "from", day_ahead, is_required=True, note="First day.", example=date(2026, 12, 21),
               also=("first day", "begins")),
        Column("last_on", "to", day_ahead, is_required=True, note="Last day; it is still part of it.",
               example=date(2027, 1, 3), also=("last day", "until", "ends")),
        Column("what", "what", choice(KIND_WORDS), is_required=True, example="no access", also=("kind", "access"),
               note="“no access” (nobody lets us in) or “empty” (the building is empty, work is easiest)."),
        Column("reason", "reason", text(120), note="Said to whoever plans.", example="Christmas holidays"),
    ),
    note="Holidays and other days that differ from the visiting hours.",
    also=("term dates", "holidays", "days"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class SiteFacts:
    """A site as far as a row can mean it."""

    pk: int
    code: str
    name: str
    customer: str
    kind: str


@dataclass(frozen=True, slots=True)
class Days:
    """A closure: kind, first day, last day (part of it), reason."""

    site_pk: int
    what: str
    from_on: date
    last_on: date
    reason: str = ""

    @property
    def words(self) -> str:
        """21 Dec 2026 to 3 Jan 2027, no access."""
        first, last = (f"{d.day} {d:%b %Y}" for d in (self.from_on, self.last_on))
        span = first if self.from_on == self.last_on else f"{first} to {last}"
        return f"{span}, {SAID.get(self.what, self.what)}"


@dataclass(frozen=True, slots=True)
class Fate:
    """What one row would do or did: "new", "added", "same" or "fault", for which sites, and what to look at.

    `n_same` counts the sites where the days stood before the file came.
    """

    row: int
    words: str
    whom: str
    fate: str
    new: tuple[Days, ...] = ()
    n_same: int = 0
    remarks: tuple[str, ...] = ()


@dataclass(slots=True)
class Judged:
    """A whole file: every row's fate, every problem, and the rows to write."""

    fates: list[Fate] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    @property
    def faults(self) -> list[Problem]:
        return [problem for problem in self.problems if problem.is_fault]

    @property
    def new(self) -> list[Days]:
        return [days for fate in self.fates for days in fate.new]


def judge(
    sheet: Sheet, sites: Sequence[SiteFacts], known: Collection[Days], today: date, brought: Collection[Days] = ()
) -> Judged:
    """Say what every row of the sheet would do, and what is wrong with it.

    Parameters
    ----------
    sheet : Sheet
        As read from the file.
    sites : sequence of SiteFacts
        Sites that are looked after.
    known : collection of Days
        Closures on record at these sites.
    today : date
        Local day; past spans get a remark.
    brought : collection of Days
        Those of `known` that this very file has brought; their rows have the fate "added".

    Notes
    -----
    A span of the same site, kind, first and last day is the same whatever its reason says, so that a file sent again
    changes nothing. A row that meets a fault writes nothing, and then the file writes nothing.
    """
    read = read_rows(sheet, PLAN, today)
    judged = Judged(problems=read.problems)
    standing: dict[int, list[Days]] = {}
    for days in known:
        standing.setdefault(days.site_pk, []).append(days)
    own = {_key(days) for days in brought}
    broken = {problem.row for problem in read.problems if problem.is_fault}
    names = {site.pk: site.name for site in sites}
    for number, values in read.rows:
        problems = [] if number in broken else _problems(read, number, values, sites)
        judged.problems.extend(problems)
        if number in broken or problems:
            judged.fates.append(Fate(number, "", _whom(values), "fault"))
            continue
        judged.fates.append(_fate(number, values, _meant(values, sites), standing, own, names, today))
    # As the file goes from top to bottom: what the reading of cells found and what the judging found, row by row.
    judged.problems.sort(key=lambda problem: (problem.row or 0, problem.letter.rjust(3)))
    return judged


def _whom(values: Mapping[str, Any]) -> str:
    parts = [values.get("site"), values.get("customer") and f"customer {values['customer']}", values.get("kind")]
    return ", ".join(part for part in parts if part) or "–"


def _same(one: str, other: str) -> bool:
    return one.casefold() == other.casefold()


def _meant(values: Mapping[str, Any], sites: Sequence[SiteFacts]) -> list[SiteFacts]:
    """Sites that fit every cell that is filled in."""
    return [
        site
        for site in sites
        if all(
            not values.get(name) or _same(values[name], getattr(site, attribute))
            for name, attribute in (("site", "code"), ("customer", "customer"), ("kind", "kind"))
        )
    ]


def _hint(given: str, known: Collection[str]) -> str:
    """Offer the value meant; where nothing is near, show one that begins most alike, so that one sees how they look."""
    if found := did_you_mean(given, known):
        return found
    alike = max(sorted(known), key=lambda each: _n_alike(each.casefold(), given.casefold()), default="")
    return f" They look like “{alike}”." if alike else ""


def _n_alike(one: str, other: str) -> int:
    """Letters at the beginning that two words share."""
    return sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], zip(one, other, strict=False)))


def _problems(read: Any, number: int, values: Mapping[str, Any], sites: Sequence[SiteFacts]) -> list[Problem]:
    if not any(values.get(name) for name in ("site", "customer", "kind")):
        sentence = "Nothing says which site. Fill in the site code, the customer code or the kind of building."
        return [read.problem(number, "", sentence)]
    found = []
    for name, attribute, words in (
        ("site", "code", "No site that is looked after has this code."),
        ("customer", "customer", "No customer with a site has this code."),
        ("kind", "kind", "No site is of this kind."),
    ):
        given, on_record = values.get(name), {getattr(site, attribute) for site in sites} - {""}
        if given and not any(_same(given, each) for each in on_record):
            found.append(read.problem(number, name, f"{words}{_hint(given, on_record)}"))
    if not found and not _meant(values, sites):
        found.append(read.problem(number, "", "No site fits all that this row says. Empty one of the three cells."))
    first, last = values["from_on"], values["last_on"]
    if last < first:
        found.append(read.problem(number, "last_on", "The last day is before the first."))
    elif (last - first).days >= LONGEST_DAYS:
        found.append(read.problem(number, "last_on", f"The span is longer than {LONGEST_DAYS} days. Check the year."))
    return found


def _key(days: Days) -> tuple[int, str, date, date]:
    return (days.site_pk, days.what, days.from_on, days.last_on)


def _fate(
    number: int,
    values: Mapping[str, Any],
    meant: Sequence[SiteFacts],
    standing: dict[int, list[Days]],
    own: set[tuple[int, str, date, date]],
    names: Mapping[int, str],
    today: date,
) -> Fate:
    """Judge a row without faults; what it adds stands for the rows after it, what it has brought counts for it alone."""
    new, n_same, n_added, remarks = [], 0, 0, []
    for site in meant:
        days = Days(site.pk, values["what"], values["from_on"], values["last_on"], values.get("reason") or "")
        here = standing.setdefault(site.pk, [])
        if any((one.what, one.from_on, one.last_on) == (days.what, days.from_on, days.last_on) for one in here):
            if _key(days) in own:
                own.discard(_key(days))
                n_added += 1
            else:
                n_same += 1
            continue
        remarks += [
            f"{names[site.pk]}: overlaps {one.words}{f' ({one.reason})' if one.reason else ''}."
            for one in here
            if one.from_on <= days.last_on and days.from_on <= one.last_on
        ]
        here.append(days)
        new.append(days)
    if new and values["last_on"] < today:
        remarks.append("All of it is over already.")
    words = Days(0, values["what"], values["from_on"], values["last_on"]).words
    who = meant[0].name if len(meant) == 1 else f"{len(meant)} sites ({_whom(values)})"
    return Fate(
        number, words, who, "new" if new else "added" if n_added else "same", tuple(new), n_same, tuple(remarks)
    )
