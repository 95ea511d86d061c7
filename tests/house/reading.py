"""What a response says, whatever it is made of, and which forms and addresses a page offers."""

from __future__ import annotations

import html
import io
import re
import subprocess
import zipfile
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any
from urllib.parse import parse_qsl, unquote_plus, urlsplit

import pikepdf


def body_of(response: Any) -> bytes:
    """All bytes of a response, streamed ones too. A stream can be read once: the bytes are kept on the response."""
    if not hasattr(response, "_kept_body"):
        streamed = getattr(response, "streaming", False)
        response._kept_body = b"".join(response.streaming_content) if streamed else bytes(response.content)
    return response._kept_body


def text_of(response: Any) -> str:
    """Headers and body as text, with every wrapping undone that could hide a word."""
    heads = "\n".join(f"{name}: {value}" for name, value in response.headers.items())
    cookies = "\n".join(f"{morsel.key}={morsel.value}" for morsel in response.cookies.values())
    return "\n".join([heads, unquote_plus(heads), cookies, text_of_bytes(body_of(response))])


def text_of_bytes(body: bytes) -> str:
    """Text of HTML, CSV, JSON, SVG, PDF (with attachments and metadata), XLSX, ZIP or a picture."""
    parts = [body.decode("utf-8", "replace")]
    if body[:5] == b"%PDF-":
        parts += _pdf_parts(body)
    elif body[:2] == b"PK":
        with zipfile.ZipFile(io.BytesIO(body)) as archive:
            parts += [text_of_bytes(archive.read(name)) for name in archive.namelist()]
            parts += archive.namelist()
    else:
        plain = html.unescape(parts[0])
        parts += [plain, unquote_plus(plain), re.sub(r"<[^>]*>", "", plain).replace("\u00ad", "").replace("\u200b", "")]
        if "\\u" in parts[0]:
            parts.append(parts[0].encode("ascii", "replace").decode("unicode_escape", "replace"))
    return "\n".join(parts)


def _pdf_parts(body: bytes) -> list[str]:
    done = subprocess.run(["pdftotext", "-", "-"], input=body, capture_output=True, check=False)
    if done.returncode:
        raise AssertionError(f"pdftotext cannot read this PDF: {done.stderr.decode(errors='replace')}")
    parts = [done.stdout.decode("utf-8", "replace")]
    # pdftotext breaks a word at the end of a line.
    parts.append(re.sub(r"[-\u00ad]?\n", "", parts[0]))
    with pikepdf.open(io.BytesIO(body)) as pdf:
        for name, attachment in pdf.attachments.items():
            parts += [name, text_of_bytes(attachment.get_file().read_bytes())]
        parts.append(str(dict(pdf.docinfo)) if pdf.docinfo else "")
        if "/Metadata" in pdf.Root:
            parts.append(pdf.Root.Metadata.read_bytes().decode("utf-8", "replace"))
        if "/Outlines" in pdf.Root:
            with pdf.open_outline() as outline:
                parts += [str(item.title) for item in outline.root]
    return parts


@dataclass
class FormOnPage:
    """One form: where it goes and what it would send."""

    method: str
    action: str
    fields: dict[str, str] = field(default_factory=dict)


class _Reader(HTMLParser):
    """Collects forms and addresses."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.forms: list[FormOnPage] = []
        self.addresses: list[str] = []
        self._form: FormOnPage | None = None
        self._select = ""

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attributes}
        self.addresses += [
            given[name] for name in ("href", "src", "action", "data", "hx-get", "hx-post", "hx-delete", "hx-put")
            if given.get(name)
        ]  # fmt: skip
        if tag == "form":
            self._form = FormOnPage(given.get("method", "get").lower(), given.get("action", ""))
            self.forms.append(self._form)
        elif self._form is None or not given.get("name"):
            if tag == "option" and self._form is not None and self._select:
                self._option(given)
        elif tag == "input":
            kind, name = given.get("type", "text"), given["name"]
            if kind in ("checkbox", "radio") and "checked" not in given and name in self._form.fields:
                return
            self._form.fields[name] = given.get("value") or _sample(kind, given)
        elif tag == "textarea":
            self._form.fields[given["name"]] = "Something plain"
        elif tag == "select":
            self._select = given["name"]
            self._form.fields.setdefault(self._select, "")
        elif tag == "button":
            self._form.fields.setdefault(given["name"], given.get("value", ""))

    def _option(self, given: dict[str, str]) -> None:
        assert self._form is not None
        if "selected" in given or not self._form.fields[self._select]:
            self._form.fields[self._select] = given.get("value", "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._form = None
        elif tag == "select":
            self._select = ""


def _sample(kind: str, given: dict[str, str]) -> str:
    samples = {
        "number": given.get("min") or "1", "date": "2026-12-01", "time": "10:00", "datetime-local": "2026-11-24T10:00",
        "email": "someone@example.org", "checkbox": "on", "radio": "on", "hidden": "", "file": "", "search": "",
    }  # fmt: skip
    return samples.get(kind, "Something plain")


def forms_of(body: bytes) -> list[FormOnPage]:
    """Forms of an HTML page."""
    reader = _Reader()
    reader.feed(body.decode("utf-8", "replace"))
    return reader.forms


def query_names(body: bytes) -> set[str]:
    """Names of query parameters that a page's links and search forms use."""
    reader = _Reader()
    reader.feed(body.decode("utf-8", "replace"))
    names = {name for form in reader.forms if form.method == "get" for name in form.fields}
    for address in reader.addresses:
        names |= {name for name, _ in parse_qsl(urlsplit(address).query, keep_blank_values=True)}
    return names


UUID = rb"[0-9a-f]{8}-[0-9a-f]{4}-4[0-9a-f]{3}-[0-9a-f-]{17}"
TOKENS = re.compile(
    rb"name=\"csrfmiddlewaretoken\" value=\"[^\"]*\"|(?<=X-CSRFToken\": \")[^\"]*|(?<=X-CSRFToken&quot;: &quot;)[^&]*"
    rb"|type=\"hidden\" name=\"key\" value=\"" + UUID + rb"\""
)


def settled(body: bytes) -> bytes:
    """Body without what differs between any two requests: form tokens and the keys by which a form is taken once."""
    return TOKENS.sub(b"", body)
