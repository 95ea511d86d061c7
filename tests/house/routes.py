"""Walk of the URL resolver, and the values that URL parameters get in tests. Used by the audience matrix and the leak test."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from django.urls import URLPattern, URLResolver, get_resolver, reverse

OURS = ("company.", "sites.", "devices.", "maintenance.", "tests.")
LIBRARY_PREFIXES = ("accounts/", "admin/")
"""Where addresses of libraries are mounted: sign-in pages and the admin guard themselves."""

# Parameters that name nobody's record. A name that stands nowhere is a KeyError: declare it here, knowingly.
PLAIN: dict[str, Any] = {"slot": 1, "number": 1, "kind": "note", "duty": "life_safety", "batch": "gw7-000481"}


def identity(parameter: str) -> str:
    """Which of pk, uuid and code of a record fills a URL parameter; empty if it names nobody's record.

    Raises
    ------
    KeyError
        For a parameter that no test knows.
    """
    if parameter in PLAIN:
        return ""
    for kind in ("pk", "uuid"):
        if parameter == kind or parameter.endswith(f"_{kind}"):
            return kind
    if parameter == "code":
        return "code"
    raise KeyError(f"Declare the URL parameter {parameter!r} in tests/house/routes.py.")


@dataclass(frozen=True)
class Route:
    """One address of the product."""

    name: str
    pattern: str
    parameters: tuple[str, ...]
    view: Any
    is_library: bool

    def url(self, values: Mapping[str, Any]) -> str:
        """Address with these values; KeyError if a parameter has none."""
        return reverse(self.name, kwargs={name: values[name] for name in self.parameters})

    @property
    def audience(self) -> frozenset[str] | None:
        return getattr(self.view, "audience", None)


def is_ours(view: Any) -> bool:
    """Whether a view is written here."""
    return (getattr(view, "__module__", "") or "").startswith(OURS)


def routes() -> list[Route]:
    """Every route there is, ours and the libraries'."""
    return list(_walk(get_resolver().url_patterns, "", "", ()))


def own_routes() -> list[Route]:
    """Routes whose view is ours."""
    return [route for route in routes() if not route.is_library]


def _walk(patterns: Any, namespace: str, prefix: str, outer: tuple[str, ...]) -> Iterator[Route]:
    for item in patterns:
        groups = item.pattern.regex.groupindex
        names = tuple(dict.fromkeys([*outer, *item.pattern.converters, *groups]))
        if isinstance(item, URLResolver):
            inner = f"{namespace}{item.namespace}:" if item.namespace else namespace
            yield from _walk(item.url_patterns, inner, prefix + str(item.pattern), names)
        elif isinstance(item, URLPattern):
            view = item.callback
            yield Route(
                name=f"{namespace}{item.name or ''}",
                pattern=prefix + str(item.pattern),
                parameters=names,
                view=view,
                # A view of a library that is mounted among our own counts as ours: it must declare an audience.
                is_library=not is_ours(view) and prefix.startswith(LIBRARY_PREFIXES),
            )
