"""What every paper has in common: made only from plain facts that are kept with it, so that it can be explained later.

`data` of a paper is {"paper": {…number, revision, day…}, "content": {…}}; two papers with equal content say the same.
"""

from __future__ import annotations

import hashlib
from base64 import b64encode
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any
from urllib.parse import urlsplit

from django.conf import settings
from django.template.loader import render_to_string

from company.days import DAY_MONTH, day_usual
from company.days import day_brief as _brief
from company.days import day_full as _full
from company.manner import DEFAULT_LANGUAGE, Manner, language_of, manner, spoken, written_as
from company.models import Customer, Firm
from company.pdf import PdfFile, render_with_pages
from devices.rules.words import UNKNOWN

CAUTION = (
    "This record helps you keep the system; it does not certify it. Local codes, the maker's instructions and licensed "
    "practice come first."
)

Content = dict[str, Any]


def no_files(data: Mapping[str, Any]) -> tuple[PdfFile, ...]:
    """Attach nothing."""
    return ()


@dataclass(frozen=True, slots=True)
class Report:
    """One kind of paper.

    Parameters
    ----------
    kind : str
        Slug; also the kind of the issued row.
    label : str
        What it is called.
    template : str
        Its page.
    variant : str
        One of `company.pdf.VARIANTS`.
    title : callable
        Content to the document's title.
    show : callable
        Content to what the template needs, all of it words.
    files : callable
        Data to the attached files.
    """

    kind: str
    label: str
    template: str
    variant: str
    title: Callable[[Content], str]
    show: Callable[[Content], dict[str, Any]]
    files: Callable[[Mapping[str, Any]], Sequence[PdfFile]] = no_files


@dataclass(frozen=True, slots=True)
class Printed:
    """A paper's bytes with what is kept beside them."""

    title: str
    content: bytes
    n_pages: int
    sha256: str


def make(report: Report, data: Mapping[str, Any], *, issued_at: datetime) -> Printed:
    """Print a paper from its data; the same data and time give the same bytes.

    Raises
    ------
    company.pdf.PdfFailed
        If the engine cannot make it.
    """
    content = data["content"]
    style = Manner(date_style=content["firm"].get("date_style", DAY_MONTH))
    with written_as(style), spoken(content.get("language", "")):
        return _print(report, data, issued_at)


def _print(report: Report, data: Mapping[str, Any], issued_at: datetime) -> Printed:
    content, paper = data["content"], data["paper"]
    name = report.title(content)
    title = f"{name}, {paper['number']} revision {paper['revision']}"
    html = render_to_string(
        report.template,
        {
            **report.show(content),
            "paper": paper,
            "issued_on": day_text(paper["issued_on"]),
            "title": title,
            "name": name,
            "label": report.label,
            "firm": content["firm"],
            "paper_size": "Letter" if content["paper_size"] == "letter" else "A4",
            "made_at": issued_at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            "caution": CAUTION,
            "language": language_of(content.get("language", "")),
        },
    )
    body, n_pages = render_with_pages(
        html, variant=report.variant, title=title, made_at=issued_at, files=report.files(data)
    )
    return Printed(title, body, n_pages, hashlib.sha256(body).hexdigest())


def paper_facts(
    *, number: str, revision: int, issued_on: date, issued_by: str, what_changed: str = ""
) -> dict[str, Any]:
    """The "paper" half of a paper's data."""
    return {
        "number": number,
        "revision": revision,
        "replaces": revision - 1 if revision > 1 else None,
        "issued_on": issued_on.isoformat(),
        "issued_by": issued_by,
        "what_changed": what_changed,
    }


def firm_facts(firm: Firm) -> dict[str, str]:
    """Letterhead; what is not as it always was only where it is so, so that older papers still compare equal."""
    facts = {"name": firm.name, "address": firm.address, "phone": firm.phone, "email": firm.email}
    if firm.paper_note:
        facts["note"] = firm.paper_note
    if firm.logo:
        facts["logo"] = f"data:{firm.logo_media_type};base64,{b64encode(bytes(firm.logo)).decode('ascii')}"
    if firm.date_style != DAY_MONTH:
        facts["date_style"] = firm.date_style
    return facts


def language_facts(customer: Customer) -> dict[str, str]:
    """Language of a customer's papers, only where it is not English, so that older papers still compare equal."""
    return {} if customer.language == DEFAULT_LANGUAGE else {"language": customer.language}


def day_text(iso: str | None) -> str:
    """Say an ISO day as "14 March 2026" in the paper's style, or that it is not known."""
    return _full(date.fromisoformat(iso), manner().date_style) if iso else UNKNOWN


def day_short(iso: str | None) -> str:
    """Say an ISO day as "14 Mar 2026" in the paper's style, or that it is not known."""
    return day_usual(date.fromisoformat(iso), manner().date_style) if iso else UNKNOWN


def day_brief(iso: str | None) -> str:
    """Say an ISO day as "14 Mar 26" in the paper's style, for narrow places."""
    return _brief(date.fromisoformat(iso), manner().date_style) if iso else UNKNOWN


def code_link(code: str) -> str:
    """Address that a printed code opens, in capitals where that is harmless: capitals make a smaller QR code.

    Scheme and host know no case (RFC 3986, 6.2.2.1) and the path in capitals is served too; an installation under a
    path of its own keeps its letters.
    """
    parts = urlsplit(settings.BASE_URL)
    if parts.path.strip("/"):
        return f"{settings.BASE_URL}/r/{code}/"
    return f"{parts.scheme}://{parts.netloc}/R/{code}/".upper()
