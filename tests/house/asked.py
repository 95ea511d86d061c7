"""Which names of a query a page reads, and whether a request got as far as its view: they spare the leak test questions.

A page that never looks at a name answers the same whatever stands under it, so only names that are read need asking.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any
from unittest import mock

from django.core.handlers.base import BaseHandler
from django.core.handlers.wsgi import WSGIRequest, get_bytes_from_wsgi
from django.http import QueryDict


@dataclass
class Reads:
    """What was looked up in the queries of requests."""

    names: set[str] = field(default_factory=set)
    is_whole: bool = False
    """Somebody went over all names, or took the query as one text: any name may have counted."""


class WatchedQuery(QueryDict):
    """A query that writes down who reads what in it.

    Whether it is empty is not written down: it never is where names are tried.
    """

    reads: Reads | None = None

    def __getitem__(self, key: Any) -> Any:
        self._read(key)
        return super().__getitem__(key)

    def __contains__(self, key: Any) -> bool:
        self._read(key)
        return super().__contains__(key)

    def _getlist(self, key: Any, default: Any = None, force_list: bool = False) -> Any:
        self._read(key)
        return super()._getlist(key, default, force_list)

    def __iter__(self) -> Iterator[str]:
        self._read_whole()
        return super().__iter__()

    def keys(self) -> Any:
        self._read_whole()
        return super().keys()

    def values(self) -> Any:
        self._read_whole()
        return super().values()

    def items(self) -> Any:
        self._read_whole()
        return super().items()

    def lists(self) -> Any:
        self._read_whole()
        return super().lists()

    def dict(self) -> Any:
        self._read_whole()
        return super().dict()

    def urlencode(self, safe: str | None = None) -> str:
        self._read_whole()
        return super().urlencode(safe)

    def __repr__(self) -> str:
        self._read_whole()
        return super().__repr__()

    def __copy__(self) -> QueryDict:
        self._read_whole()
        return QueryDict(super().urlencode(), mutable=True)

    def __deepcopy__(self, memo: Any) -> QueryDict:
        return self.__copy__()

    def _read(self, key: Any) -> None:
        if self.reads is not None:
            self.reads.names.add(str(key))

    def _read_whole(self) -> None:
        if self.reads is not None:
            self.reads.is_whole = True


@contextlib.contextmanager
def reads_of_queries() -> Iterator[Reads]:
    """Write down what is read in the query of every request made inside."""
    reads = Reads()

    def watched(request: WSGIRequest) -> QueryDict:
        if "GET" not in request.__dict__:
            query = WatchedQuery(get_bytes_from_wsgi(request.environ, "QUERY_STRING", ""), encoding=request.encoding)
            query.reads = reads
            request.__dict__["GET"] = query
        return request.__dict__["GET"]

    def full_path(request: WSGIRequest, *args: Any, **options: Any) -> str:
        reads.is_whole = True
        return path_of(request, *args, **options)

    path_of = WSGIRequest.get_full_path
    with (
        mock.patch.object(WSGIRequest, "GET", property(watched)),
        mock.patch.object(WSGIRequest, "get_full_path", full_path),
    ):
        yield reads


@contextlib.contextmanager
def views_reached() -> Iterator[list[Any]]:
    """The views that requests made inside were handed to; none where a middleware has answered before."""
    reached: list[Any] = []
    handed = BaseHandler.make_view_atomic

    def noted(handler: BaseHandler, view: Any) -> Any:
        reached.append(view)
        return handed(handler, view)

    with mock.patch.object(BaseHandler, "make_view_atomic", noted):
        yield reached
