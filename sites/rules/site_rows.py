"""Rows of the sheets "customers" and "sites" of an imported workbook, checked.

Pure: what is on record already and the names of the time zones come in as values.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from company.cell_hints import for_email
from company.cells import choice, code, number, text, whole
from company.sheets import (
    Cell,
    Column,
    Problem,
    Read,
    Sheet,
    SheetPlan,
    WrongCell,
    did_you_mean,
    read_rows,
    report_doubles,
)

CUSTOMERS = "customers"
CONTACTS = "contacts"
SITES = "sites"

_LANGUAGES = {"en": "en", "English": "en", "de": "de", "German": "de", "fr": "fr", "French": "fr"}
_LANGUAGES |= {"es": "es", "Spanish": "es", "nl": "nl", "Dutch": "nl"}


def _email(cell: Cell, today: date) -> str:
    value: str = text(254)(cell, today)
    if not _is_email(value):
        raise WrongCell(f"“{value}” is no e-mail address.{for_email(value, _is_email)}")
    return value


def _is_email(value: str) -> bool:
    name, at, host = value.partition("@")
    is_shaped = bool(name and at and "." in host.strip(".") and "@" not in host)
    return is_shaped and " " not in value and not set(value) & set('<>,;"')


@dataclass(frozen=True, slots=True)
class CustomerRow:
    """One row of the sheet "customers". A blank cell is None and leaves alone what is on record."""

    row: int
    code: str
    name: str | None = None
    language: str | None = None
    paper: str | None = None
    inspections_per_year: int | None = None
    response_hours: int | None = None
    contact_name: str | None = None
    contact_email: str | None = None
    contact_phone: str | None = None


@dataclass(frozen=True, slots=True)
class ContactRow:
    """One row of the sheet "contacts": one more person at a customer."""

    row: int
    code: str
    contact_name: str
    contact_email: str | None = None
    contact_phone: str | None = None


@dataclass(frozen=True, slots=True)
class SiteRow:
    """One row of the sheet "sites". A blank cell is None and leaves alone what is on record."""

    row: int
    code: str
    customer: str
    name: str | None = None
    kind: str | None = None
    address: str | None = None
    postcode: str | None = None
    town: str | None = None
    latitude: float | None = None
    longitude: float | None = None
    time_zone: str | None = None
    person_to_meet: str | None = None
    phone: str | None = None


CUSTOMER_PLAN = SheetPlan(
    CUSTOMERS,
    (
        Column("code", "customer code", code(30), is_key=True, note="Your own short code; never changes.", example="EXAMPLE"),
        Column("name", "name", text(120), is_required=True, note="Name as it stands on reports.", example="Harbour Trust"),
        Column("language", "language", choice(_LANGUAGES), note="Language of the papers, such as en.", example="en"),
        Column("paper", "paper", choice({"A4": "a4", "Letter": "letter"}), note="A4 or Letter.", example="A4"),
        Column(
            "inspections_per_year", "inspections a year", whole(0, 52), note="How many inspections are agreed a year.",
            example=2,
        ),
        Column("response_hours", "response hours", whole(1, 8760, "h"), note="Agreed response in hours.", example=24),
        Column("contact_name", "contact name", text(120), note="Whom to talk to.", example="Ada Brook"),
        Column("contact_email", "contact email", _email, also=("contact e-mail",), example="ada@example.org"),
        Column("contact_phone", "contact phone", text(40), example="+44 20 7946 0000"),
    ),
    note="One row for each customer.",
    also=("customer",),
)  # fmt: skip

CONTACT_PLAN = SheetPlan(
    CONTACTS,
    (
        Column("code", "customer code", code(30), is_key=True, note="A code of the sheet customers.", example="EXAMPLE"),
        Column("contact_name", "contact name", text(120), is_key=True, note="Whom to talk to.", example="Ben Hale"),
        Column("contact_email", "contact email", _email, also=("contact e-mail",), example="ben@example.org"),
        Column("contact_phone", "contact phone", text(40), example="+44 20 7946 0002"),
    ),
    note="One row for each further person at a customer, beyond the one in the sheet customers.",
    also=("contact",),
)  # fmt: skip

SITE_PLAN = SheetPlan(
    SITES,
    (
        Column(
            "code", "site code", code(30), is_key=True, note="Your own short code; never changes.", example="EXAMPLE-1"
        ),
        Column(
            "customer", "customer code", code(30), is_key=True, note="A code of the sheet customers.", example="EXAMPLE"
        ),
        Column("name", "name", text(120), is_required=True, note="Name of the site.", example="Harbour office"),
        Column("kind", "kind", text(60), note="Kind of building in your words.", example="office"),
        Column("address", "address", text(200), note="Street and number.", example="1 Quay Street"),
        Column("postcode", "postcode", code(16), also=("zip", "post code", "zip code"), example="SK1 1AA"),
        Column("town", "town", text(80), also=("city",), example="Port Skarrow"),
        Column("latitude", "latitude", number(-90, 90), note="Decimal degrees, north is plus.", example=57.25),
        Column("longitude", "longitude", number(-180, 180), note="Decimal degrees, east is plus.", example=-6.5),
        Column("time_zone", "time zone", text(60), note="Such as Europe/London.", example="Europe/London"),
        Column("person_to_meet", "person to meet", text(120), example="Caretaker"),
        Column("phone", "phone", text(40), example="+44 20 7946 0001"),
    ),
    note="One row for each address where receivers hang.",
    also=("site",),
)


def fold(value: str) -> str:
    """Give the form in which two customer or site codes are compared: capital letters do not tell them apart."""
    return value.upper()


def check_customers(
    sheet: Sheet | None, today: date, *, closed: Collection[tuple[str, str]] = ()
) -> tuple[list[CustomerRow], list[Problem]]:
    """Check the sheet "customers": readable cells, each code once, none that was closed.

    `closed` holds ("customer", folded code) and ("site", folded code) of those no longer looked after.
    """
    if sheet is None:
        return [], []
    read = read_rows(sheet, CUSTOMER_PLAN, today)
    report_doubles(read, lambda values: fold(values["code"]), "code", "This customer code")
    for row, values in read.rows:
        report_closed(read, row, "code", ("customer", values["code"]), closed)
    return [CustomerRow(row, **values) for row, values in read.rows], read.problems


def check_contacts(
    sheet: Sheet | None, today: date, *, customers: Collection[str], closed: Collection[tuple[str, str]] = ()
) -> tuple[list[ContactRow], list[Problem]]:
    """Check the sheet "contacts": a known customer (folded codes of all), nobody twice in the same words."""
    if sheet is None:
        return [], []
    read = read_rows(sheet, CONTACT_PLAN, today)
    report_doubles(
        read, lambda v: (fold(v["code"]), v["contact_name"], v.get("contact_email"), v.get("contact_phone")),
        "contact_name", "This person",
    )  # fmt: skip
    for row, values in read.rows:
        if fold(values["code"]) not in customers:
            hint = did_you_mean(values["code"], customers)
            sentence = f"There is no customer “{values['code']}”, neither in the workbook nor on record.{hint}"
            read.problems.append(read.problem(row, "code", sentence))
        report_closed(read, row, "code", ("customer", values["code"]), closed)
    return [ContactRow(row, **values) for row, values in read.rows], read.problems


def report_closed(read: Read, row: int, key: str, what: tuple[str, str], closed: Collection[tuple[str, str]]) -> None:
    """Report a customer or site that is no longer looked after: it must be opened again by hand first."""
    kind, code_ = what
    if (kind, fold(code_)) in closed:
        sentence = f"The {kind} “{code_}” is closed on record. Open it again first, or leave its rows out."
        read.problems.append(read.problem(row, key, sentence))


def check_sites(
    sheet: Sheet | None,
    today: date,
    *,
    customers: Collection[str],
    on_record: Mapping[str, str],
    time_zones: Collection[str],
    closed: Collection[tuple[str, str]] = (),
) -> tuple[list[SiteRow], list[Problem]]:
    """Check the sheet "sites": each code once, a known customer, a position that is one.

    Parameters
    ----------
    sheet : Sheet or None
    today : date
    customers : collection of str
        Codes of all customers, of the workbook and on record, folded.
    on_record : mapping
        Folded site code → folded customer code of the sites on record.
    time_zones : collection of str
        Known names; empty: any name is taken.
    closed : collection of (kind, code)
        As for `check_customers`.
    """
    if sheet is None:
        return [], []
    read = read_rows(sheet, SITE_PLAN, today)
    report_doubles(read, lambda values: fold(values["code"]), "code", "This site code")
    for row, values in read.partial:
        _check_owner(read, row, values, customers)
        _check_position(read, row, values, time_zones)
    for row, values in read.rows:
        _check_site(read, row, values, customers, on_record, time_zones)
        report_closed(read, row, "code", ("site", values["code"]), closed)
        report_closed(read, row, "customer", ("customer", values["customer"]), closed)
    return [SiteRow(row, **values) for row, values in read.rows], read.problems


def _check_site(
    read: Read,
    row: int,
    values: Mapping[str, Any],
    customers: Collection[str],
    on_record: Mapping[str, str],
    time_zones: Collection[str],
) -> None:
    if _check_owner(read, row, values, customers):
        customer = fold(values["customer"])
        if on_record.get(fold(values["code"]), customer) != customer:
            owner = on_record[fold(values["code"])]
            sentence = f"On record this site belongs to customer “{owner}”. A site does not change hands by import."
            read.problems.append(read.problem(row, "customer", sentence))
    _check_position(read, row, values, time_zones)


def _check_owner(read: Read, row: int, values: Mapping[str, Any], customers: Collection[str]) -> bool:
    """Report a customer code that nobody knows; True if it is known."""
    given = values.get("customer")
    if given is None or fold(given) in customers:
        return given is not None
    hint = did_you_mean(given, customers)
    sentence = f"There is no customer “{given}”, neither in the workbook nor on record.{hint}"
    read.problems.append(read.problem(row, "customer", sentence))
    return False


def _check_position(read: Read, row: int, values: Mapping[str, Any], time_zones: Collection[str]) -> None:
    say = read.problems.append
    latitude, longitude = values.get("latitude"), values.get("longitude")
    if (latitude is None) != (longitude is None):
        given = "longitude" if latitude is None else "latitude"
        say(read.problem(row, given, "A position needs both latitude and longitude."))
    elif latitude == 0 and longitude == 0:
        say(
            read.problem(
                row,
                "latitude",
                "0, 0 lies in the sea off Africa. Leave both cells empty where the position is not known.",
            )
        )
    zone = values.get("time_zone")
    if zone is not None and time_zones and zone not in time_zones:
        say(
            read.problem(
                row, "time_zone", f"“{zone}” is no time zone, such as Europe/London.{did_you_mean(zone, time_zones)}"
            )
        )
