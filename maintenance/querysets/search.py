"""The one search box: a serial, a place, an address, a name, however it was typed.

Upper and lower case, spaces and hyphens make no difference. Beginnings are found before parts, and never more than a page
of each kind is read: the words of a serial may stand in a hundred thousand rows. Access notes are not searched.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import reduce
from operator import or_
from typing import Any

from django.db import connections
from django.db.models import CharField, Q, QuerySet
from django.db.models.expressions import RawSQL

from company.models import Contact, Customer, User
from devices.models import Receiver, Registration, Transmitter
from devices.rules.slot_life import NO_TIME, never_stood
from devices.search_tables import MIN_PART, PLACES, SERIALS, PartTable, fold, has_parts, phrase
from maintenance.querysets.search_intake import panels, set_aside, sources
from maintenance.querysets.search_parts import Folded, Found, Hit, Indexed, Joined, holds, small
from sites.models import Site

N_WORDS = 6
"""More words than this narrow nothing down any further."""
FEW_SITES = 30
"""So many sites are read slot by slot sooner than a common word is looked up in the whole firm."""
_LAST = "\U0010ffff"


def pasted(text: str) -> str:
    """The words without the comma or full stop that came along when they were copied out of a sentence."""
    return " ".join(word.rstrip(",.;:") for word in text.split())


def words_of(text: str) -> list[str]:
    """Words of a search, folded, without doubles."""
    folded = (fold(word) for word in text.replace("-", " ").split())
    return list(dict.fromkeys(word for word in folded if word))[:N_WORDS]


def _holds_any(words: Iterable[str]) -> Q:
    return reduce(or_, (holds([word]) for word in words))


def _begins(rows: QuerySet[Any], word: str) -> Q:
    """Rows that `Indexed` reads from the index of beginnings, the few more cut away where SQLite folds less than we do."""
    if connections[rows.db].vendor != "sqlite" or word.isascii():
        return Q(indexed_text__gte=word, indexed_text__lt=word + _LAST)
    # A letter with a mark stands in the index as it was typed: each of the first two in either case.
    cases = [sorted({letter, letter if letter.isascii() else letter.upper(), "ς" if letter == "σ" else letter})
             for letter in word[:2]]  # fmt: skip
    begun = (
        Q(indexed_text__gte=text, indexed_text__lt=text + _LAST) for text in map("".join, itertools.product(*cases))
    )
    return reduce(or_, begun) & Q(found_text__startswith=word)


def with_texts(rows: QuerySet[Any], *fields: str) -> QuerySet[Any]:
    """Transmitters or registrations with `found_text`, and `indexed_text` to find beginnings by."""
    if connections[rows.db].vendor == "postgresql":
        # A generated column of devices' migration 0008, unknown to the models: folding each row anew took too long.
        kept = RawSQL(f'"{rows.model._meta.db_table}"."search_text"', [], output_field=CharField())
        return rows.annotate(found_text=kept, indexed_text=kept)
    return rows.annotate(found_text=Folded(Joined(*fields)), indexed_text=Indexed(Joined(*fields)))


def _holding(rows: QuerySet[Any], table: PartTable, words: Sequence[str]) -> QuerySet[Any]:
    """Rows of the table with every word somewhere, found by trigrams where the database has them."""
    long = [word for word in words if len(word) >= MIN_PART]
    if not long or not has_parts(connections[rows.db], table):
        return rows.filter(holds(words))
    # The plus keeps SQLite from asking the table of parts once for each row: it must come first, the rows after it.
    own = f'+"{table.name}".rowid = "{table.table}"."id"'
    found = rows.extra(
        tables=[f'"{table.name}"'], where=[f'"{table.name}" MATCH %s', own], params=[" AND ".join(map(phrase, long))]
    )
    return found.filter(holds(word for word in words if word not in long))


def find(user: User, text: str, *, n: int, kinds: Iterable[str]) -> Found:
    """Find what the person may see.

    Parameters
    ----------
    text : str
        As typed. Nothing is found for text that folds to nothing.
    n : int
        Most rows of a kind.
    kinds : iterable of str
        Names of `Found`'s lists.
    """
    text = pasted(text)
    found, whole, words = Found(), fold(text), words_of(text)
    if not words:
        return found
    readers: dict[str, Callable[[User, str, list[str], int], list[Hit]]] = {
        "transmitters": transmitters, "places": places, "sites": sites, "receivers": receivers,
        "customers": customers, "contacts": contacts, "set_aside": set_aside, "panels": panels, "sources": sources,
    }  # fmt: skip
    for kind in sorted(kinds, key=lambda kind: kind in ("places", "set_aside")):
        if kind in ("places", "set_aside") and any(hit.is_exact for hit in found.transmitters):
            # A serial typed whole is the answer.
            continue
        setattr(found, kind, _best_first(readers[kind](user, whole, words, n), whole))
    return found


def _best_first(hits: list[Hit], whole: str) -> list[Hit]:
    """Exact before beginnings before parts, what is in use before what was, then by name."""

    def rank(hit: Hit) -> tuple[bool, bool, bool, str]:
        name = fold(hit.name)
        return (not hit.is_exact, hit.is_past, not name.startswith(whole), name)

    return sorted(hits, key=rank)


def transmitters(user: User, whole: str, words: list[str], n: int) -> list[Hit]:
    """By serial: its beginning from the index first; a part of it only while there is room and no serial is exactly so."""
    rows = with_texts(Transmitter.objects.visible_to(user), "serial")
    columns = ("pk", "serial", "type__label", "customer__name", "retired_at")
    begun = rows.filter(_begins(rows, whole)).order_by("indexed_text", "pk")
    values = list(begun.values_list(*columns)[:n])
    is_exact = any(fold(row[1]) == whole for row in values)
    if len(values) < n and not is_exact and len(whole) >= MIN_PART:
        known = {row[0] for row in values}
        parts = _holding(rows, SERIALS, [whole]).values_list(*columns)[:n]
        values += [row for row in parts if row[0] not in known]
    values = values[:n]
    stands = _where(user, [row[0] for row in values])
    return [
        Hit(
            "transmitter", pk, serial, detail=type_label or "type unknown", note=customer, args=(pk,),
            is_past=retired_at is not None, is_exact=fold(serial) == whole, **stands.get(pk, {}),
        )
        for pk, serial, type_label, customer, retired_at in values
        # Out of use and every registration taken back: a serial mistyped once, which nobody looks for.
        if not (retired_at is not None and stands.get(pk) == {})
    ]  # fmt: skip


def _where(user: User, pks: Sequence[int]) -> dict[int, dict[str, Any]]:
    """Where transmitters stand, or stood last and until when."""
    rows = Registration.objects.visible_to(user).filter(transmitter__in=pks).order_by("registered_at", "pk")
    stands: dict[int, dict[str, Any]] = {}
    for pk, site, receiver, slot, label, begun, removed_at in rows.values_list(
        "transmitter_id", "site__name", "receiver__label", "slot", "label", "registered_at", "removed_at"
    ):
        if never_stood(begun, removed_at):
            stands.setdefault(pk, {})
        else:
            stands[pk] = {"code": f"{site}, {receiver}, slot {slot}: {label}", "until": removed_at}
    return stands


def _places_by_text(rows: QuerySet[Any], words: list[str]) -> QuerySet[Any]:
    """Slots with every word in their label or area; where all words are short, one of them begins the label."""
    if any(len(word) >= MIN_PART for word in words):
        return _holding(rows, PLACES, words)
    begun = reduce(or_, (_begins(rows, word) for word in words))
    return rows.filter(begun & holds(words)) if len(words) > 1 else rows.filter(begun)


def _places_of_sites(user: User, rows: QuerySet[Any], words: list[str]) -> Iterator[QuerySet[Any]]:
    """Slots where some words name the site and the others the place; the site alone is no place."""
    named: dict[frozenset[str], list[int]] = {}
    for pk, name, code in Site.objects.visible_to(user).values_list("pk", "name", "code"):
        text = fold(f"{name} {code}")
        if held := frozenset(word for word in words if word in text):
            named.setdefault(held, []).append(pk)
    # What names most, names best.
    for held, pks in sorted(named.items(), key=lambda group: (-len(group[0]), sorted(group[0]))):
        rest = [word for word in words if word not in held]
        of_sites = rows.filter(site__in=pks)
        if not rest:
            yield of_sites.filter(_holds_any(words))
        elif len(pks) <= FEW_SITES:
            yield of_sites.filter(holds(rest))
        else:
            yield _holding(of_sites, PLACES, rest)


def places(user: User, whole: str, words: list[str], n: int) -> list[Hit]:
    """Slots by their label or area; what stands there now before what stood there."""
    rows = with_texts(Registration.objects.visible_to(user), "label", "area")
    values = _present_first(_places_by_text(rows, words), n)
    if not values and len(words) > 1:
        for found in _places_of_sites(user, rows, words):
            values += _present_first(found, n)
            if len(values) >= 4 * n:
                break
    values.sort(key=lambda row: (row[-1] is not None, -row[-1].timestamp() if row[-1] else 0.0))
    hits: dict[tuple[Any, ...], Hit] = {}
    for pk, receiver, slot, label, area, where, site, serial, removed_at in values:
        hit = Hit(
            "place", pk, label, detail=f"{site}, {where}, slot {slot}", note=area, code=serial or "",
            args=(receiver, slot), is_past=removed_at is not None, until=removed_at,
        )  # fmt: skip
        # Changed settings end one registration and begin another: the same thing in the same place is one hit.
        hits.setdefault((receiver, slot, label, serial), hit)
    return list(hits.values())[:n]


def _present_first(rows: QuerySet[Any], n: int) -> list[tuple[Any, ...]]:
    """One pass over both: only where it is cut off is what stands there now asked for by itself."""
    found = rows.values_list(
        "pk",
        "receiver_id",
        "slot",
        "label",
        "area",
        "receiver__label",
        "site__name",
        "transmitter__serial",
        "removed_at",
    )
    values = list(found[: 4 * n])
    if len(values) == 4 * n:
        values = [*found.filter(removed_at=None)[:n], *values]
    return values


def sites(user: User, whole: str, words: list[str], n: int) -> list[Hit]:
    """By name, code, address, postcode, telephone, whom to meet, or the customer's name."""
    fields = ("name", "code", "address", "postcode", "town", "phone", "person_to_meet", "customer__name")
    rows = small(Site.objects.visible_to(user).order_by("name", "pk"), fields, words, n)
    return [
        Hit(
            "site", pk, name, detail=", ".join(part for part in (address, f"{postcode} {town}".strip()) if part),
            note=customer, code=code, args=(pk,), is_past=closed_at is not None, until=closed_at,
            is_exact=whole in (fold(code), fold(name)),
        )
        for pk, name, code, address, postcode, town, customer, closed_at in rows.values_list(
            "pk", "name", "code", "address", "postcode", "town", "customer__name", "closed_at"
        )
    ]  # fmt: skip


def receivers(user: User, whole: str, words: list[str], n: int) -> list[Hit]:
    """By serial, code, label, area or site."""
    fields = ("label", "serial", "code", "area", "site__name", "site__code")
    rows = small(Receiver.objects.visible_to(user).order_by("site__name", "label", "pk"), fields, words, n)
    return [
        Hit(
            "receiver", pk, f"{site}, {label}", detail=area, note=customer, code=serial, args=(pk,),
            is_past=removed_at is not None, until=removed_at,
            is_exact=(bool(serial) and fold(serial) == whole) or fold(code) == whole,
        )
        for pk, label, serial, code, area, site, customer, removed_at, created_at in rows.values_list(
            "pk", "label", "serial", "code", "area", "site__name", "customer__name", "removed_at", "created_at"
        )
        # A unit whose swap was taken back on its day never hung anywhere.
        if removed_at is None or removed_at - created_at != NO_TIME
    ]  # fmt: skip


def customers(user: User, whole: str, words: list[str], n: int) -> list[Hit]:
    """By name or code."""
    rows = small(Customer.objects.visible_to(user).order_by("name", "pk"), ("name", "code"), words, n)
    return [
        Hit("customer", pk, name, code=code, args=(pk,), is_past=closed_at is not None, until=closed_at,
            is_exact=fold(code) == whole)
        for pk, name, code, closed_at in rows.values_list("pk", "name", "code", "closed_at")
    ]  # fmt: skip


def contacts(user: User, whole: str, words: list[str], n: int) -> list[Hit]:
    """By name, role, address or telephone."""
    fields = ("name", "role", "email", "phone", "customer__name")
    rows = small(Contact.objects.visible_to(user).order_by("name", "pk"), fields, words, n)
    return [
        Hit("contact", pk, name, detail=", ".join(part for part in (role, phone, email) if part), note=customer,
            args=(customer_pk,))
        for pk, name, role, phone, email, customer_pk, customer in rows.values_list(
            "pk", "name", "role", "phone", "email", "customer_id", "customer__name"
        )
    ]  # fmt: skip
