"""The only module that talks to the PDF engine: nothing from outside gets in, the same input gives the same bytes.

Papers hold foreign text (names, notes). By default the engine would fetch any address and attach any local file that
such text could smuggle in, so the fetcher here knows our own static files and `data:` addresses and nothing else.
"""

from __future__ import annotations

import logging
import mimetypes
import os
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from io import BytesIO
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

from django.contrib.staticfiles import finders
from django.core.exceptions import SuspiciousFileOperation

# The engine writes a font's "modified" time, the last thing that would differ between two runs. A constant, set before
# the engine is loaded: changing the environment later, beside running threads, is not safe. The paper's own time is the
# `dcterms.created` line of its head.
os.environ.setdefault("SOURCE_DATE_EPOCH", "1767225600")

from fontTools.ttLib import woff2
from weasyprint import HTML, Attachment
from weasyprint.urls import FatalURLFetchingError, URLFetcher, URLFetcherResponse

VARIANTS = ("pdf/a-3a", "pdf/ua-1")
"""Both are tagged. Which one a paper asks for is no claim that it conforms: no full validator has judged it."""

# A name that can never be resolved (RFC 2606), so that a slip in the fetcher still reaches nobody.
BASE = "https://static.invalid/"
_STATIC = BASE + "static/"

# The engine keeps process-wide font state; papers are made one after the other.
_one_at_a_time = threading.Lock()
_engine_log = logging.getLogger("weasyprint")


class PdfFailed(Exception):
    """The paper could not be made, or not made properly; nothing was written."""


@dataclass(frozen=True, slots=True)
class PdfFile:
    """A file that travels inside a PDF.

    Parameters
    ----------
    name : str
        File name, such as "rows.csv".
    content : bytes
        The file.
    description : str
        What it is, for the reader.
    relationship : str
        How it relates to the paper: "Data" for the rows it was made from.
    """

    name: str
    content: bytes
    description: str
    relationship: str = "Data"


@lru_cache(maxsize=8)
def _unpacked(path: Path, changed_ns: int) -> bytes:
    """One of our fonts as the engine wants it; it would unpack all of them anew for every paper."""
    font = BytesIO()
    woff2.decompress(BytesIO(path.read_bytes()), font)
    return font.getvalue()


class OwnFilesOnly(URLFetcher):  # type: ignore[misc]
    """Serves names of the static files finder and `data:` addresses; everything else ends the rendering."""

    def __init__(self) -> None:
        super().__init__(allowed_protocols={"data"}, allow_redirects=False)

    def fetch(self, url: str, headers: dict[str, str] | None = None) -> Any:
        """Answer one address.

        Raises
        ------
        FatalURLFetchingError
            For any address that is not ours. It derives from BaseException: the engine swallows every other error.
        """
        if url.startswith("data:"):
            return super().fetch(url, headers)
        path = self._find(url)
        if path is None:
            raise FatalURLFetchingError(f"a paper asked for {url[:200]}")
        if path.suffix == ".woff2":
            return URLFetcherResponse(url, _unpacked(path, path.stat().st_mtime_ns), {"Content-Type": "font/ttf"})
        kind = mimetypes.guess_type(path.name)[0] or "application/octet-stream"
        return URLFetcherResponse(url, path.read_bytes(), {"Content-Type": kind})

    @staticmethod
    def _find(url: str) -> Path | None:
        if not url.startswith(_STATIC):
            return None
        try:
            found = finders.find(unquote(urlsplit(url).path).removeprefix("/static/"))
        except SuspiciousFileOperation:
            return None
        return Path(found) if isinstance(found, str) and Path(found).is_file() else None


class _Complaints(logging.Handler):
    """Keeps what the engine logs as an error: a picture without a text, a document without a language."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.lines.append(record.getMessage())


@contextmanager
def _listening() -> Iterator[list[str]]:
    handler = _Complaints()
    _engine_log.addHandler(handler)
    try:
        yield handler.lines
    finally:
        _engine_log.removeHandler(handler)


def _attachments(files: Sequence[PdfFile], made_at: datetime) -> list[Attachment]:
    return [
        Attachment(
            string=file.content, name=file.name, description=file.description, relationship=file.relationship,
            created=made_at, modified=made_at,
        )
        for file in files
    ]  # fmt: skip


def _list_files_once(document: Any, pdf: Any) -> None:
    """Version 70 of the engine names each associated file of a pdf/a-3 document twice in the catalogue."""
    if "AF" in pdf.catalog:
        pdf.catalog["AF"][:] = dict.fromkeys(pdf.catalog["AF"])


def render_with_pages(
    html: str, *, variant: str, title: str, made_at: datetime, files: Sequence[PdfFile] = ()
) -> tuple[bytes, int]:
    """Make a PDF and count its pages.

    Parameters
    ----------
    html : str
        Whole document; addresses in it are relative, "static/company/css/paper.css".
    variant : str
        One of `VARIANTS`.
    title : str
        Must equal the document's own title, which every reader shows.
    made_at : datetime
        Time of the files inside; the same input gives the same bytes.
    files : sequence of PdfFile
        Attached files.

    Raises
    ------
    PdfFailed
        If the document lacks language or title, asks for anything that is not ours, or the engine reports an error.
    """
    if variant not in VARIANTS:
        raise PdfFailed(f"unknown kind of PDF: {variant}")
    with _one_at_a_time, _listening() as complaints:
        try:
            source = HTML(string=html, base_url=BASE, url_fetcher=OwnFilesOnly())
            document = source.render()
            if not source.etree_element.get("lang"):
                raise PdfFailed("the document names no language")
            if not title or document.metadata.title != title:
                raise PdfFailed(f"the document's title is {document.metadata.title!r}, not {title!r}")
            # Only here: given to `render` as well, a file would be listed twice.
            content = document.write_pdf(
                pdf_variant=variant, attachments=_attachments(files, made_at), finisher=_list_files_once
            )
        except FatalURLFetchingError as refusal:
            raise PdfFailed(str(refusal)) from refusal
    if complaints:
        raise PdfFailed("; ".join(complaints)[:2000])
    return content, len(document.pages)


def render_pdf(html: str, *, variant: str, title: str, made_at: datetime, files: Sequence[PdfFile] = ()) -> bytes:
    """Make a PDF; see `render_with_pages`."""
    return render_with_pages(html, variant=variant, title=title, made_at=made_at, files=files)[0]
