"""Order and paging of every list page, so that no page invents its own and no address can name a column freely."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.core.paginator import Page, Paginator
from django.db.models import QuerySet
from django.http import HttpRequest

PAGE_SIZE = 25


def ordered(
    rows: QuerySet[Any], request: HttpRequest, columns: Mapping[str, str | tuple[str, ...]], default: str
) -> tuple[QuerySet[Any], str]:
    """Sort by the address's `sort` if it names one of the columns, else by the default; ties end with the key.

    Parameters
    ----------
    columns : mapping
        Word in the address to lookup, such as {"name": "name", "customer": "customer__name"}. Of several lookups the first
        goes backwards, and those after it say how equals stand.
    default : str
        A word of `columns`, with "-" in front for backwards.

    Returns
    -------
    tuple
        The sorted rows, and the word that was followed.
    """
    wanted = request.GET.get("sort", "")
    sort = wanted if wanted.removeprefix("-") in columns else default
    sign = "-" if sort.startswith("-") else ""
    column = columns[sort.removeprefix("-")]
    first, *more = (column,) if isinstance(column, str) else column
    return rows.order_by(f"{sign}{first}", *more, "pk"), sort


def page_of(rows: Any, request: HttpRequest, size: int = PAGE_SIZE) -> Page[Any]:
    """One page of the rows; a page number that makes no sense gives the first or the last page."""
    return Paginator(rows, size).get_page(request.GET.get("page"))
