"""Addresses filled with keys of households, answers that refuse, and what was written meanwhile: tools of the leak test."""

from __future__ import annotations

import contextlib
import hashlib
import itertools
import re
from collections.abc import Iterable, Iterator
from typing import Any
from urllib.parse import urlsplit

from django.db import connection, transaction
from django.urls import reverse

from tests.house import planting
from tests.house.planting import Household
from tests.house.routes import PLAIN, Route, identity


def identities(route: Route) -> list[str]:
    """Parameters of a route that name somebody's record; KeyError for one that no test knows."""
    return [name for name in route.parameters if identity(name)]


def fillings(route: Route, houses: Iterable[Household]) -> Iterator[tuple[dict[str, Any], tuple[str, ...]]]:
    """Every mix of households over the identity parameters of a route, with the keys of the households used."""
    names = identities(route)
    for chosen in itertools.product(tuple(houses), repeat=len(names)):
        values = {name: PLAIN[name] for name in route.parameters if name in PLAIN}
        for name, house in zip(names, chosen, strict=True):
            values[name] = getattr(house, identity(name))
        yield values, tuple(house.key for house in chosen)


def is_refusal(response: Any) -> bool:
    """404, 405 or the way to the sign-in page: nothing else may answer an address that is not yours."""
    login = reverse("account_login")
    if response.status_code in (401, 404, 405):
        # 401: a program without a token at the intake address.
        return True
    if response.status_code in (301, 302, 303):
        return urlsplit(response.headers["Location"]).path == login
    return response.status_code == 200 and urlsplit(response.headers.get("HX-Redirect", "")).path == login


@contextlib.contextmanager
def undone() -> Iterator[None]:
    """Whatever happens inside is undone in the database."""
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


@contextlib.contextmanager
def writes() -> Iterator[list[str]]:
    """Statements inside that change records (sessions apart): without one there is nothing to compare afterwards."""
    found: list[str] = []

    def watch(execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        if re.match(r"\s*(insert|update|delete|with)\b", sql, re.IGNORECASE) and "django_session" not in sql:
            found.append(sql)
        return execute(sql, params, many, context)

    with connection.execute_wrapper(watch):
        yield found


def snapshot(house: Household) -> dict[str, str]:
    """Digest of every row of the household's customer, per model."""
    digests = {}
    for model in planting.own_models():
        path = planting.declared(model).path
        if path:
            rows = model._base_manager.filter(**{path: house.customer_pk}).order_by("pk").values_list()
            digests[model._meta.label] = hashlib.sha256(repr(list(rows)).encode()).hexdigest()
    return digests
