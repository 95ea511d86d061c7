"""What every search is made of: text as it is compared, what was found, and the plain look through a small table."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from django.db.models import CharField, Func, Q, QuerySet


class Folded(Func):
    """Text as `fold` leaves it."""

    template = "LOWER(REPLACE(REPLACE(%(expressions)s, '-', ''), ' ', ''))"
    output_field = CharField()

    def as_postgresql(self, compiler: Any, connection: Any, **extra: Any) -> Any:
        return self.as_sql(
            compiler, connection, template=f"(REPLACE({self.template}, 'ς', 'σ') COLLATE \"C\")", **extra
        )

    def as_sqlite(self, compiler: Any, connection: Any, **extra: Any) -> Any:
        return self.as_sql(compiler, connection, template="search_fold(%(expressions)s)", **extra)


class Indexed(Folded):
    """The same, word for word as SQLite's index of beginnings holds it: its own LOWER leaves marked letters as they are."""

    def as_sqlite(self, compiler: Any, connection: Any, **extra: Any) -> Any:
        return self.as_sql(compiler, connection, **extra)


class Joined(Func):
    """Texts with a space between, as the index holds a slot's label with its area. None of them may be NULL."""

    template = "%(expressions)s"
    arg_joiner = " || ' ' || "
    output_field = CharField()


@dataclass(frozen=True, slots=True)
class Hit:
    """One thing found: where it is, what it is called, and what else tells it apart."""

    kind: str
    pk: int
    name: str
    detail: str = ""
    note: str = ""
    code: str = ""
    args: tuple[Any, ...] = ()
    is_past: bool = False
    is_exact: bool = False
    until: Any = None


@dataclass(slots=True)
class Found:
    """What a search found, by kind, the best first."""

    transmitters: list[Hit] = field(default_factory=list)
    places: list[Hit] = field(default_factory=list)
    sites: list[Hit] = field(default_factory=list)
    receivers: list[Hit] = field(default_factory=list)
    customers: list[Hit] = field(default_factory=list)
    contacts: list[Hit] = field(default_factory=list)
    set_aside: list[Hit] = field(default_factory=list)
    panels: list[Hit] = field(default_factory=list)
    sources: list[Hit] = field(default_factory=list)

    def groups(self) -> list[tuple[str, list[Hit]]]:
        """Kinds in the order of the page, those of an exact hit first."""
        named = [
            ("Sites", self.sites), ("Receivers", self.receivers), ("Transmitters", self.transmitters),
            ("Slots by place", self.places), ("Customers", self.customers), ("Contacts", self.contacts),
            ("Heard, not on record", self.set_aside), ("Panels", self.panels), ("Sources of check-ins", self.sources),
        ]  # fmt: skip
        filled = [(name, hits) for name, hits in named if hits]
        return sorted(filled, key=lambda group: not group[1][0].is_exact)

    @property
    def first_exact(self) -> Hit | None:
        """The one thing that bears exactly this serial or code; none where several do."""
        exact = [hit for _, hits in self.groups() for hit in hits if hit.is_exact]
        return exact[0] if len(exact) == 1 else None


def holds(words: Iterable[str], name: str = "found_text") -> Q:
    condition = Q()
    for word in words:
        condition &= Q(**{f"{name}__contains": word})
    return condition


def small(rows: QuerySet[Any], fields: Sequence[str], words: Sequence[str], n: int) -> QuerySet[Any]:
    """Rows of a table of some thousands at most, each word somewhere in the fields."""
    return rows.annotate(found_text=Folded(Joined(*fields))).filter(holds(words))[:n]
