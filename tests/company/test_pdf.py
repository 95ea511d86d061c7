"""The PDF engine behind its lock: nothing from outside gets in, the same input gives the same bytes."""

from __future__ import annotations

import io
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pikepdf
import pytest

from company.pdf import VARIANTS, PdfFailed, PdfFile, render_pdf, render_with_pages

MADE_AT = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)
PAGE = (
    '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Paper</title>'
    '<meta name="dcterms.created" content="2026-11-25T10:00:00Z">'
    '<link rel="stylesheet" href="static/company/css/paper_base.css">'
    '<link rel="stylesheet" href="static/company/css/paper.css">'
    "</head><body><h1>Slots</h1>{body}</body></html>"
)


def paper(body: str = "<p>Room 1</p>", variant: str = "pdf/ua-1", **over: object) -> bytes:
    fields: dict[str, object] = {"title": "Paper", "made_at": MADE_AT}
    return render_pdf(PAGE.replace("{body}", body), variant=variant, **(fields | over))  # type: ignore[arg-type]


@pytest.fixture
def listener() -> Iterator[tuple[str, list[bytes]]]:
    """A real web server on this machine that notes whoever calls."""
    server = socket.create_server(("127.0.0.1", 0))
    calls: list[bytes] = []

    def serve() -> None:
        while True:
            try:
                client, _ = server.accept()
            except OSError:
                return
            with client:
                calls.append(client.recv(200))
                client.sendall(
                    b"HTTP/1.0 200 OK\r\nContent-Type: image/svg+xml\r\n\r\n<svg xmlns='http://www.w3.org/2000/svg'/>"
                )

    threading.Thread(target=serve, daemon=True).start()
    yield f"http://127.0.0.1:{server.getsockname()[1]}", calls
    server.close()


OUTSIDE = [
    '<img src="{url}/a.png" alt="a">',
    '<div style="background: url({url}/b.png)">b</div>',
    "<style>@import url({url}/c.css);</style>",
    "<style>@font-face {{ font-family: X; src: url({url}/d.woff2) }} p {{ font-family: X }}</style><p>d</p>",
    '<object data="{url}/e.svg"></object>',
    '<embed src="{url}/f.svg">',
    '<svg viewBox="0 0 9 9"><title>g</title><image href="{url}/g.png" width="9" height="9"/></svg>',
    '<a rel="attachment" href="{url}/h.txt">h</a>',
    '<link rel="stylesheet" href="{url}/i.css">',
]


@pytest.mark.parametrize("markup", OUTSIDE)
def test_nothing_is_fetched_from_the_network(markup: str, listener: tuple[str, list[bytes]]) -> None:
    url, calls = listener
    with pytest.raises(PdfFailed):
        paper(markup.replace("{{", "{").replace("}}", "}").replace("{url}", url))
    assert calls == []


@pytest.mark.parametrize(
    "address",
    [
        "file:///etc/hostname",
        "static/../company/settings.py",
        "static/%2e%2e/%2e%2e/settings.py",
        "static//etc/hostname",
        "static/company/css/nothing.css",
        "company/settings.py",
        "//127.0.0.1/static/company/favicon.svg",
        "ftp://127.0.0.1/x",
    ],
)
def test_no_other_file_gets_into_a_paper(address: str) -> None:
    with pytest.raises(PdfFailed, match="asked for"):
        paper(f'<img src="{address}" alt="x">')
    with pytest.raises(PdfFailed, match="asked for"):
        paper(f'<a rel="attachment" href="{address}">x</a>')


def test_the_engines_own_fatal_error_comes_out_as_ours() -> None:
    # It derives from BaseException: a job that catches Exception would let it through and die with its worker.
    assert issubclass(PdfFailed, Exception)
    with pytest.raises(PdfFailed):
        paper('<img src="http://127.0.0.1:9/" alt="x">')


@pytest.mark.parametrize(
    ("html", "word"),
    [
        (PAGE.replace(' lang="en"', ""), "language"),
        (PAGE.replace("<title>Paper</title>", ""), "title"),
        (PAGE.replace("<title>Paper</title>", "<title>Another</title>"), "title"),
        (PAGE.replace("{body}", '<img src="static/company/favicon.svg">'), "alt"),
    ],
)
def test_a_paper_that_a_reader_cannot_use_is_not_made(html: str, word: str) -> None:
    with pytest.raises(PdfFailed, match=word):
        render_pdf(html, variant="pdf/ua-1", title="Paper", made_at=MADE_AT)


def test_an_unknown_variant_is_refused() -> None:
    with pytest.raises(PdfFailed, match="unknown kind"):
        paper(variant="pdf/x-1a")


@pytest.mark.parametrize("variant", VARIANTS)
def test_the_same_input_gives_the_same_bytes(variant: str) -> None:
    file = PdfFile("rows.csv", b"a,b\r\n", "rows")
    assert paper(variant=variant, files=[file]) == paper(variant=variant, files=[file])


def test_another_process_gives_the_same_bytes() -> None:
    code = (
        "import sys, django; django.setup(); from tests.company.test_pdf import paper;"
        "sys.stdout.buffer.write(paper(variant='pdf/a-3a'))"
    )
    root = str(Path(__file__).parents[2])
    env = os.environ | {"DJANGO_SETTINGS_MODULE": "tests.settings", "PYTHONPATH": root, "PYTHONHASHSEED": "7"}
    env.pop("SOURCE_DATE_EPOCH", None)
    other = subprocess.run([sys.executable, "-c", code], capture_output=True, env=env, check=True, cwd=root)
    assert other.stdout == paper(variant="pdf/a-3a")


@pytest.mark.parametrize("variant", VARIANTS)
def test_a_paper_is_tagged_names_its_language_and_embeds_its_fonts(variant: str) -> None:
    with pikepdf.open(io.BytesIO(paper("<p>Room 1</p><p><code>SK-04127</code></p>", variant))) as pdf:
        assert pdf.Root.Lang == "en"
        assert pdf.Root.MarkInfo.Marked
        assert "/StructTreeRoot" in pdf.Root
        assert pdf.Root.ViewerPreferences.DisplayDocTitle
        assert pdf.docinfo["/Title"] == "Paper"
        fonts = embedded_fonts(pdf)
    assert fonts
    assert all("Hyper" in name for name in fonts), fonts


def embedded_fonts(pdf: pikepdf.Pdf) -> list[str]:
    """Names of all fonts of a file; fails for one that is not embedded."""
    names = []
    for item in pdf.objects:
        if isinstance(item, pikepdf.Dictionary) and item.get("/Type") == "/FontDescriptor":
            assert "/FontFile2" in item or "/FontFile3" in item, item
            family = item.get("/FontFamily", item.FontName)
            names.append(str(family))
    return names


def test_the_archive_variant_carries_its_colour_profile_and_the_attached_file() -> None:
    content = paper(variant="pdf/a-3a", files=[PdfFile("rows.csv", b"slot\r\n1\r\n", "the rows")])
    with pikepdf.open(io.BytesIO(content)) as pdf:
        assert len(pdf.Root.OutputIntents) == 1
        assert list(pdf.attachments) == ["rows.csv"]
        assert pdf.attachments["rows.csv"].get_file().read_bytes() == b"slot\r\n1\r\n"
        assert [str(spec.AFRelationship) for spec in pdf.Root.AF] == ["/Data"]


def test_pages_are_counted() -> None:
    html = PAGE.replace("{body}", '<p style="break-after: page">1</p><p>2</p>')
    assert render_with_pages(html, variant="pdf/ua-1", title="Paper", made_at=MADE_AT)[1] == 2
