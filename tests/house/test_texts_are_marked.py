"""Text that people read in a template is marked for translation: whole sentences, never pieces around a condition.

`python -m tests.house.test_texts_are_marked` prints what is left.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2] / "templates"

DJANGO = r"\{%.*?%\}|\{\{.*?\}\}|\{#.*?#\}"
MARKED = re.compile(
    r"\{#.*?#\}|\{%\s*(comment|verbatim|blocktranslate)\b.*?%\}.*?\{%\s*end\1\s*%\}|<!--.*?-->|<!doctype[^>]*>"
    r"|<(script|style)\b.*?</\2>|\{%\s*block \w*class\s*%\}.*?\{%\s*endblock",
    re.S | re.I,
)
TAG = re.compile(rf"</?[a-zA-Z](?:{DJANGO}|\"(?:{DJANGO}|[^\"])*\"|'(?:{DJANGO}|[^'])*'|[^>\"'])*>", re.S)
SHOWN = re.compile(
    rf"\s(?:title|placeholder|aria-label|alt|data-label|data-confirm|data-confirm-button)=(?:\"((?:{DJANGO}|[^\"])*)\"|'((?:{DJANGO}|[^'])*)')",
    re.S,
)
# Words in arguments: of the parts of pages, of heads of columns.
ARGUMENT = re.compile(
    r"\{% (?:include|icon) [^%]*?\s(?:title|text|action|noun|label|lead|button|errors_title)=\"[^\"]*[A-Za-z]{2}|\{% sort_head \"[^\"]*\" \""
)
WORD = re.compile(r"[^\W\d_]{2,}")
UNITS = {
    "mA",
    "mAh",
    "µA",
    "µAh",
    "min",
    "km",
    "ft",
    "mi",
    "mm",
    "ms",
    "MB",
    "kB",
    "QR",
    "CSV",
    "PDF",
    "XLSX",
    "EN",
    "IEC",
    "ANSI",
}


def _words(text: str) -> bool:
    bare = re.sub(r"&#?\w+;", " ", re.sub(DJANGO, " ", text, flags=re.S))
    return any(word not in UNITS for word in WORD.findall(bare))


def unmarked(text: str) -> list[str]:
    """Texts of a template that no translator will see."""
    text = MARKED.sub("\0", text)
    found = [a or b for tag in TAG.findall(text) for a, b in SHOWN.findall(tag) if _words(a or b)]
    found += ARGUMENT.findall(text)
    between = re.split(rf"{DJANGO}|\0", TAG.sub("\0", text), flags=re.S)
    return found + [re.sub(r"\s+", " ", part).strip() for part in between if _words(part)]


def files() -> list[str]:
    drawings = (path for path in ROOT.rglob("*.svg") if path.parent != ROOT / "icons")
    paths = [*ROOT.rglob("*.html"), *drawings]
    return sorted(path.relative_to(ROOT).as_posix() for path in paths)


@pytest.mark.parametrize("name", files())
def test_every_text_of_a_template_is_marked(name: str) -> None:
    found = unmarked((ROOT / name).read_text(encoding="utf-8"))
    assert not found, "Mark these with {% translate %} or {% blocktranslate %}"


@pytest.mark.parametrize(
    "text",
    [
        "<p>Nothing yet</p>",
        '<input placeholder="Find a site">',
        "<p>{% if a %}late{% endif %}</p>",
        "<td data-label='Site'>",
        '{% include "parts/_empty.html" with title="No sites yet" %}',
        '{% sort_head "name" "Name" %}',
        "<title>Sites</title>",
    ],
)
def test_an_unmarked_text_is_found(text: str) -> None:
    assert unmarked(text)


@pytest.mark.parametrize(
    "text",
    [
        '<p>{% translate "Nothing yet" %}</p>',
        "<p>{% blocktranslate %}Nothing <b>yet</b>{% endblocktranslate %}</p>",
        "<input placeholder=\"{% translate 'Find a site' %}\">",
        "<p>{{ words }} · 12 mAh</p>",
        "{# a remark #}",
        '{% include "parts/_empty.html" with title=_("No sites yet") %}',
        '{% sort_head "name" _("Name") %}',
        "{% block page_class %}page--narrow{% endblock %}",
        '<a class="button" href="{% url "x" %}">{{ name }}</a>',
        "<style>p { color: red }</style>",
    ],
)
def test_a_marked_text_is_left_alone(text: str) -> None:
    assert unmarked(text) == []


if __name__ == "__main__":
    for one in files():
        for left in unmarked((ROOT / one).read_text(encoding="utf-8")):
            print(f"{one}: {left}")
