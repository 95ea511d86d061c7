"""House rules of the templates: nothing inline (the content policy forbids it), and HTML first, htmx second.

Every rule is tried on lines it must catch, so that a rule that stopped working would show.
"""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from django.urls import reverse

from company.templatetags.house import NAV, SUB_NAV

ROOT = Path(__file__).parents[2] / "templates"
# Papers and mails are no pages: no script runs there and no content policy applies.
PAGES = sorted(p for p in ROOT.rglob("*.html") if p.relative_to(ROOT).parts[0] not in {"pdf", "mail"})
TEXTS = {p.relative_to(ROOT).as_posix(): p.read_text(encoding="utf-8") for p in PAGES}

VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}


class Page(HTMLParser):
    """Walks a template (tags of the template language are taken out first) and collects what breaks a rule."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.findings: list[str] = []
        self.open: list[tuple[str, dict[str, str]]] = []
        self.loaders: list[dict[str, object]] = []
        self.forms: list[dict[str, object]] = []
        text = re.sub(r"\{#.*?#\}|\{% comment %\}.*?\{% endcomment %\}", "", text, flags=re.DOTALL)
        text = text.replace("{% csrf_token %}", "<csrf-token/>")
        self.feed(re.sub(r"\{\{.*?\}\}", "x", re.sub(r"\{%.*?%\}", "", text, flags=re.DOTALL), flags=re.DOTALL))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.handle_endtag(tag)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = {name: value or "" for name, value in attrs}
        line = f"<{tag}> in line {self.getpos()[0]}"
        self._inline(tag, names, line)
        self._html_first(tag, names, line)
        if tag not in VOID:
            self.open.append((tag, names))

    def _inline(self, tag: str, names: dict[str, str], line: str) -> None:
        if "style" in names or tag == "style":
            self.findings.append(f"inline style: {line}")
        if tag == "script" and "src" not in names and names.get("type") != "application/json":
            self.findings.append(f"inline script: {line}")
        for name, value in names.items():
            if name.startswith(("on", "hx-on")):
                self.findings.append(f"inline handler {name}: {line}")
            if name.startswith("hx-") and re.match(r"\s*(js|javascript):", value):
                self.findings.append(f"htmx attribute that needs eval: {line}")
            if name == "hx-trigger" and "[" in value:
                self.findings.append(f"trigger filter that needs eval: {line}")
            if name in {"src", "href", "action"} and re.match(r"(https?:)?//|javascript:", value):
                self.findings.append(f"leaves the site: {line}")

    def _html_first(self, tag: str, names: dict[str, str], line: str) -> None:
        if tag == "csrf-token" and self.forms:
            self.forms[-1]["token"] = True
        if "href" in names:
            for loader in self.loaders:
                loader["link"] = True
        in_form = any(t == "form" and "action" in a for t, a in self.open)
        if "hx-get" in names and not ("href" in names or "action" in names or in_form):
            self.loaders.append({"line": line, "depth": len(self.open), "link": False, "poll": "hx-trigger" in names})
        if "hx-post" in names and tag != "form" and not in_form:
            self.findings.append(f"hx-post outside a form: {line}")
        if tag == "form":
            post = names.get("method", "").lower() == "post"
            if "action" not in names or "method" not in names:
                self.findings.append(f"form without action and method: {line}")
            if "hx-post" in names and not post:
                self.findings.append(f"hx-post on a form that does not post: {line}")
            self.forms.append({"line": line, "post": post, "token": False})

    def handle_endtag(self, tag: str) -> None:
        if tag in VOID:
            return
        while self.open and self.open[-1][0] != tag:
            self.open.pop()
        if self.open:
            self.open.pop()
        if tag == "form" and self.forms:
            form = self.forms.pop()
            if form["post"] and not form["token"]:
                self.findings.append(f"form that posts without csrf_token: {form['line']}")
        for loader in [found for found in self.loaders if int(str(found["depth"])) >= len(self.open)]:
            self.loaders.remove(loader)
            if not loader["link"]:
                self.findings.append(f"hx-get without href, and without a plain link inside: {loader['line']}")


def findings(text: str) -> list[str]:
    return Page(text).findings


@pytest.mark.parametrize("name", TEXTS)
def test_a_page_keeps_the_house_rules(name: str) -> None:
    assert findings(TEXTS[name]) == []


@pytest.mark.parametrize(
    ("line", "finding"),
    [
        ('<p style="color:red">x</p>', "inline style"),
        ("<style>p {}</style>", "inline style"),
        ("<script>alert(1)</script>", "inline script"),
        ('<a href="/" onclick="x()">x</a>', "inline handler onclick"),
        ('<a href="/" hx-on:click="x()">x</a>', "inline handler hx-on:click"),
        ('<a href="/" hx-get="/" hx-vals="js:{a: 1}">x</a>', "needs eval"),
        ('<a href="/" hx-get="/" hx-trigger="click[shiftKey]">x</a>', "needs eval"),
        ('<link href="https://example.invalid/x.css">', "leaves the site"),
        ('<button hx-get="/x/">x</button>', "hx-get without href"),
        ('<div hx-get="/x/" hx-trigger="load"><p>wait</p></div>', "hx-get without href"),
        ('<button hx-post="/x/">x</button>', "hx-post outside a form"),
        ('<form hx-post="/x/" method="post">{% csrf_token %}</form>', "without action and method"),
        ('<form hx-post="/x/" method="get" action="/x/"></form>', "does not post"),
        ('<form method="post" action="/x/"><p>x</p></form>', "without csrf_token"),
    ],
)
def test_a_line_that_breaks_a_rule_is_found(line: str, finding: str) -> None:
    assert any(finding in found for found in findings(line))


@pytest.mark.parametrize(
    "line",
    [
        '<a href="/x/" hx-get="/x/">x</a>',
        '<div hx-get="/x/" hx-trigger="load"><a href="/x/">Show it</a></div>',
        '<form method="post" action="/x/" hx-post="/x/">{% csrf_token %}<button hx-post="/y/">x</button></form>',
        '<form method="get" action="/x/"><select hx-get="/x/"></select></form>',
        '<script src="/x.js"></script><script type="application/json">{}</script>',
    ],
)
def test_a_line_that_keeps_the_rules_is_left_alone(line: str) -> None:
    assert findings(line) == []


def test_every_icon_named_in_a_template_is_there() -> None:
    named = {
        name
        for path in ROOT.rglob("*.html")
        for name in re.findall(r"\{% icon [\"']([a-z0-9_-]+)[\"']", path.read_text(encoding="utf-8"))
    }
    assert len(named) > 5
    assert sorted(name for name in named if not (ROOT / "icons" / f"{name}.svg").is_file()) == []


def test_every_icon_carries_literal_colours_and_says_whose_it_is() -> None:
    for path in (ROOT / "icons").glob("*.svg"):
        text = path.read_text(encoding="utf-8")
        assert "licence" in text, path.name
        assert 'stroke="#10293a"' in text, path.name
        assert not re.search(r"currentColor|var\(|style=|<style", text), path.name


MENUS = {name for links in NAV.values() for name, _, _ in links} | {
    name for links in SUB_NAV.values() for name, _ in links
}


@pytest.mark.parametrize("name", sorted(MENUS))
def test_every_link_of_the_menus_leads_somewhere(name: str) -> None:
    assert reverse(name).startswith("/")


def test_every_second_row_belongs_to_a_section_of_the_office() -> None:
    assert set(SUB_NAV) <= {section for _, _, section in NAV["office"]}
