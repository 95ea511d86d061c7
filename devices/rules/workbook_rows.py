"""The whole imported workbook, checked: every sheet by itself, then the sheets against each other and the records. Pure."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from datetime import date

from company.sheets import UNKNOWN, Problem, Row, SheetPlan, Tell, Workbook, match_sheets, plain
from devices.rules.fitting_rows import (
    FITTING_PLAN,
    PAST_PLAN,
    FittingRow,
    FittingsAround,
    PastFittingRow,
    check_fittings,
)
from devices.rules.import_facts import Catalogue, OnRecord, Place
from devices.rules.receiver_rows import (
    OUTPUT_PLAN,
    RECEIVER_PLAN,
    OutputRow,
    ReceiverRow,
    check_outputs,
    check_receivers,
)
from devices.rules.slot_rows import SLOT_PLAN, Around, SlotRow, check_slots
from sites.rules.site_rows import (
    CONTACT_PLAN,
    CUSTOMER_PLAN,
    SITE_PLAN,
    ContactRow,
    CustomerRow,
    SiteRow,
    check_contacts,
    check_customers,
    check_sites,
    fold,
)

PLANS: tuple[SheetPlan, ...] = (
    CUSTOMER_PLAN,
    CONTACT_PLAN,
    SITE_PLAN,
    RECEIVER_PLAN,
    OUTPUT_PLAN,
    SLOT_PLAN,
    FITTING_PLAN,
    PAST_PLAN,
)
"""All sheets of the workbook, in the order in which one builds on the other."""

ABOUT = (
    "Fill in the sheets you have; leave out the others. Nothing is written before you have seen what each row will do.",
    "The first row of each sheet holds the headings. Their order does not matter; columns that you do not need may be deleted.",
    "A blank cell leaves alone what is on record, also where another transmitter comes into a slot; so do slots and rows that are left out. Where a note says so, “unknown” is an answer of its own.",
    "Format columns with codes and serials as text before typing, or a spreadsheet program will change them.",
    "Write days as 2025-04-03 or 3 May 2025. Write lengths of time with their unit: 4 h, 90 min, 200 s.",
    "Paste values, not formulas; do not merge cells. Rows that begin with EXAMPLE are left out.",
    "Sheets named “about” or beginning with “notes” are left out. The same file may be uploaded again: it changes nothing twice.",
)


_NAMES = {plain(name): plan.name for plan in PLANS for name in (plan.name, *plan.also)}


def canonical(sheet: str) -> str:
    """Give our own name of a sheet that a file spells in its way."""
    return _NAMES.get(plain(sheet), sheet)


class CountedRows(tuple[Row, ...]):
    """Rows that tell now and then how many of a workbook have been gone through."""

    tell: Tell

    def __iter__(self) -> Iterator[Row]:
        for row in super().__iter__():
            self.tell(1)
            yield row


def counted(workbook: Workbook, on_rows: Tell) -> Workbook:
    """Give the same workbook, whose rows tell `on_rows` how many have been read, each thousand."""
    n_done = 0

    def tell(n: int) -> None:
        nonlocal n_done
        n_done += n
        if n_done % 1000 == 0:
            on_rows(n_done)

    sheets = []
    for sheet in workbook.sheets:
        rows = CountedRows(sheet.rows)
        rows.tell = tell
        sheets.append(replace(sheet, rows=rows))
    return Workbook(tuple(sheets))


@dataclass(frozen=True, slots=True)
class CheckedWorkbook:
    """The rows of every sheet and everything that is wrong with them; rows may be used only if no problem is a fault."""

    customers: tuple[CustomerRow, ...] = ()
    sites: tuple[SiteRow, ...] = ()
    receivers: tuple[ReceiverRow, ...] = ()
    outputs: tuple[OutputRow, ...] = ()
    slots: tuple[SlotRow, ...] = ()
    fittings: tuple[FittingRow, ...] = ()
    past_fittings: tuple[PastFittingRow, ...] = ()
    contacts: tuple[ContactRow, ...] = ()
    problems: tuple[Problem, ...] = ()

    @property
    def faults(self) -> tuple[Problem, ...]:
        return tuple(problem for problem in self.problems if problem.is_fault)

    @property
    def remarks(self) -> tuple[Problem, ...]:
        return tuple(problem for problem in self.problems if not problem.is_fault)


def check_workbook(
    workbook: Workbook,
    *,
    catalogue: Catalogue,
    on_record: OnRecord,
    today: date,
    time_zones: Collection[str] = (),
) -> CheckedWorkbook:
    """Check a whole workbook.

    Parameters
    ----------
    workbook : Workbook
        As read from the file.
    catalogue : Catalogue
        Types that rows may name.
    on_record : OnRecord
        What is known already.
    today : date
        Days after tomorrow are refused.
    time_zones : collection of str
        Names a site may give; empty: any.

    Returns
    -------
    CheckedWorkbook
        Problems in the order of the sheets and rows.
    """
    sheets, problems = match_sheets(workbook, PLANS)
    found = list(problems)
    customers, more = check_customers(sheets.get(CUSTOMER_PLAN.name), today, closed=on_record.closed)
    found += more
    codes = on_record.customers | {fold(row.code) for row in customers}
    contacts, more = check_contacts(sheets.get(CONTACT_PLAN.name), today, customers=codes, closed=on_record.closed)
    found += more
    sites, more = check_sites(
        sheets.get(SITE_PLAN.name), today, customers=codes, on_record=on_record.sites, time_zones=time_zones,
        closed=on_record.closed,
    )  # fmt: skip
    found += more
    owners = {**{fold(row.code): fold(row.customer) for row in sites}, **on_record.sites}
    receivers, more = check_receivers(
        sheets.get(RECEIVER_PLAN.name), today, catalogue=catalogue, on_record=on_record, sites=owners
    )
    found += more
    types = {place: known.type_code for place, known in on_record.receivers.items()}
    # A type that cannot be read leaves the one on record, so that the slots are checked all the same.
    types |= {row.place: row.type_code or types.get(row.place, "") for row in receivers}
    outputs, more = check_outputs(sheets.get(OUTPUT_PLAN.name), today, catalogue=catalogue, types=types, sites=owners)
    found += more
    slots, left_out, more = check_slots(
        sheets.get(SLOT_PLAN.name),
        today,
        Around(
            catalogue, on_record, owners, types, _sizes(receivers, catalogue, on_record), _faulty(outputs, on_record)
        ),
    )
    found += more
    kinds = {serial: known.type_code for serial, known in on_record.transmitters.items()}
    for slot in slots:
        if slot.serial != UNKNOWN:
            kinds[slot.serial] = (
                kinds.get(slot.serial, "") if slot.type_code in (None, UNKNOWN) else str(slot.type_code)
            )
    for serial in left_out:
        kinds.setdefault(serial, "")
    fittings, past, more = check_fittings(
        sheets.get(FITTING_PLAN.name), sheets.get(PAST_PLAN.name), today, FittingsAround(catalogue, on_record, kinds)
    )
    found += more
    return CheckedWorkbook(
        tuple(customers), tuple(sites), tuple(receivers), tuple(outputs), tuple(slots), tuple(fittings), tuple(past),
        tuple(contacts), tuple(_sorted(found)),
    )  # fmt: skip


def _sizes(receivers: list[ReceiverRow], catalogue: Catalogue, on_record: OnRecord) -> dict[Place, int]:
    sizes = {place: known.n_slots for place, known in on_record.receivers.items()}
    for row in receivers:
        facts = catalogue.receiver_types.get(row.type_code or "")
        n_slots = facts.n_slots if facts else row.n_slots
        if n_slots:
            sizes[row.place] = n_slots
    return sizes


def _faulty(outputs: list[OutputRow], on_record: OnRecord) -> frozenset[tuple[Place, int]]:
    kinds = {(place, number): kind for place, r in on_record.receivers.items() for number, kind in r.outputs.items()}
    kinds |= {(row.place, row.number): row.kind or "" for row in outputs}
    return frozenset(key for key, kind in kinds.items() if kind == "fault")


def _sorted(problems: list[Problem]) -> list[Problem]:
    """Order by sheet as they come, then by row; problems of a whole sheet stand first."""
    order: dict[str, int] = {}
    for problem in problems:
        order.setdefault(problem.sheet, len(order))
    return sorted(problems, key=lambda problem: (order[problem.sheet], problem.row or 0, problem.letter.rjust(3)))
