"""Requests of programs: a lane past everything that is for people, and errors as problem+json (RFC 9457)."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Mapping, Sequence
from http import HTTPStatus
from typing import Any

from django.contrib.auth.models import AnonymousUser
from django.core.exceptions import RequestDataTooBig
from django.db import InterfaceError, OperationalError
from django.http import HttpRequest, HttpResponse, UnreadablePostError
from django.urls import Resolver404, resolve

from company.access import INTAKE, PUBLIC

ROOT = "/api/"
PREFIX = "/api/v1/"
MEDIA_TYPE = "application/problem+json"
BUSY_S = 5
"""Seconds after which a sender tries again where the database is locked or away. Own choice: a restart takes about as long."""

LOG = logging.getLogger(__name__)


def problem(
    status: int, detail: str, *, kind: str = "about:blank", title: str = "",
    errors: Sequence[Mapping[str, Any]] = (), headers: Mapping[str, str] | None = None,
) -> HttpResponse:  # fmt: skip
    """An error as programs read it: type, title, status, detail, and `errors` where single fields are wrong."""
    body: dict[str, Any] = {
        "type": kind, "title": title or HTTPStatus(status).phrase, "status": status, "detail": detail
    }  # fmt: skip
    if errors:
        body["errors"] = list(errors)
    response = HttpResponse(json.dumps(body), status=status, content_type=MEDIA_TYPE, headers=headers)
    response.headers["Cache-Control"] = "no-store"
    return response


def busy() -> HttpResponse:
    """The database is locked or away: nothing was taken, and the same batch may come again."""
    return problem(
        503, "The records cannot be reached just now. Nothing of this batch was taken; send it again unchanged.",
        headers={"Retry-After": str(BUSY_S)},
    )  # fmt: skip


WORDS = {
    400: "This cannot be read. Look at the address and at what was sent with it.",
    403: "This is not allowed from here. Sign in again, then ask anew.",
    404: "There is nothing of this name here, or nothing that you may see. The description is at /api/v1/openapi.json.",
    405: "This address takes another method. “Allow” says which.",
    413: "This is too big. Cut it into smaller pieces.",
    500: "Something is wrong on our side; it was noted. Ask again later.",
}


class ProgramLane:
    """Middleware: what goes wrong under /api/ is answered as problem+json, never as a page.

    An address of the intake audience, and what stands beside it for everybody, is answered without session, CSRF,
    language or redirect. Others are for people who are signed in: they go the way of every page, and only an error of
    theirs is put in this shape. Nothing of a request is logged: its headers hold a token.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self._answer(request)
        if not response.streaming and "Content-Length" not in response.headers:
            # What Django adds to a page. Without it the web server would end the connection, which a gateway keeps.
            response.headers["Content-Length"] = str(len(response.content))
        return response

    def _answer(self, request: HttpRequest) -> HttpResponse:
        if not f"{request.path_info}/".startswith(ROOT):
            return self.get_response(request)
        try:
            match = resolve(request.path_info)
        except Resolver404:
            return problem(404, WORDS[404])
        if not (request.path_info.startswith(PREFIX) and {INTAKE, PUBLIC} & set(getattr(match.func, "audience", ()))):
            return _in_shape(self.get_response(request))
        request.user = AnonymousUser()
        request.resolver_match = match
        try:
            return match.func(request, *match.args, **match.kwargs)
        except (OperationalError, InterfaceError):
            LOG.warning("Intake could not reach the database", exc_info=True)
            return busy()
        except RequestDataTooBig:
            return problem(413, "This is too big. Cut the batch into smaller ones.")
        except UnreadablePostError:
            return problem(400, "The body broke off. Send the batch again.")
        except Exception:
            LOG.exception("Intake broke")
            return problem(500, "Something is wrong on our side; it was noted. Send the batch again later.")


def _in_shape(response: HttpResponse) -> HttpResponse:
    """An error that is no problem+json yet made one; everything else as it is."""
    if response.status_code < 400 or response.headers.get("Content-Type", "").startswith(MEDIA_TYPE):
        return response
    kept = {name: response.headers[name] for name in ("Allow", "Retry-After") if name in response.headers}
    return problem(response.status_code, WORDS.get(response.status_code, WORDS[400]), headers=kept)
