"""The address that check-ins are handed to: who may come in, what is answered to what, and its description.

Reading rows is `devices.rules.intake_rows`, writing `devices.actions.intake`; here both only meet.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from datetime import datetime
from functools import lru_cache
from typing import Any, NoReturn

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.utils import timezone
from django.views.decorators.csrf import csrf_exempt
from ninja import NinjaAPI
from ninja.errors import HttpError, ValidationError
from ninja.parser import Parser
from ninja.security import HttpBearer

from company.access import audience
from company.errors import Refused
from company.programs import problem
from devices.actions.intake import OtherContent, OutsideItsScope, take_batch
from devices.actions.source_scope import NotItsOwn, receiver_meant, receivers_unknown, site_meant
from devices.api.admission import Stopped, admit, check_body
from devices.api.description import ABOUT, described
from devices.api.schemas import TIME, Answer, Batch, Problem, Source
from devices.api.words import told
from devices.models import IntakeSource, Receiver
from devices.rules.events import Event, ReadRows, RowProblem
from devices.rules.intake_json import read_json
from devices.rules.intake_rows import MOST_BYTES, MOST_ROWS, BadRow, read_rows, text_of, until_of
from sites.models import Site

ERRORS = dict.fromkeys((401, 403, 404, 405, 429, 503), Problem)


class SourceToken(HttpBearer):
    """Only for the description: `admit` has asked for the token before anything else was read."""

    def __call__(self, request: HttpRequest) -> Any:
        return request.source  # type: ignore[attr-defined]

    def authenticate(self, request: HttpRequest, token: str) -> NoReturn:
        raise AssertionError("never called")


class NoticingParser(Parser):
    """Reads a body so that a name which stands twice is noticed."""

    def parse_body(self, request: HttpRequest) -> Any:
        return read_json(request.body)


api = NinjaAPI(
    title="Check-ins", version="1", docs_url=None, openapi_url=None, auth=SourceToken(), urls_namespace="intake",
    parser=NoticingParser(), description=ABOUT,
)  # fmt: skip


@api.post(
    "/checkins", url_name="checkins", summary="Hand over a batch", operation_id="hand_over_batch",
    response={200: Answer, 400: Problem, 409: Problem, 413: Problem, 415: Problem, 422: Problem, **ERRORS},
)  # fmt: skip
def post_batch(request: HttpRequest, data: Batch) -> HttpResponse:
    """Days, totals, faults and what nobody could place are written together, or not at all.

    A row that cannot be taken comes back in `refused` with what to do, and holds up no other. A value that is no good and
    need not be there is named in `left_out`: its row is taken without it. A transmitter that is not on record is kept in
    `set_aside`. The same id with other content is answered with 409, and nothing of it is taken.
    """
    source, now = request.source, request.received_at  # type: ignore[attr-defined]
    receiver, site = _whose(source, data)
    until = _until(data.until, now)
    read = read_rows(data.rows, now=now, has_receiver=receiver is not None, must_name=site is None)
    events, problems = _of_known_receivers(source, read, site)
    taken = take_batch(
        source=source, batch_id=data.batch, sha256=hashlib.sha256(request.body).hexdigest(), events=events,
        problems=problems, n_clamped=read.n_clamped, receiver=receiver, site=site, until=until,
        ignored=read.ignored, left_out=read.left_out, at=now,
    )  # fmt: skip
    return JsonResponse(_whole(taken.answer))


def _whole(answer: dict[str, Any]) -> dict[str, Any]:
    """An answer with what is kept only where there is any."""
    return {"ignored": [], "left_out": []} | answer


def _whose(source: IntakeSource, data: Batch) -> tuple[Receiver | None, Site | None]:
    """Receiver and site of a batch, as named or as the source's own; neither where each row is to name its receiver."""
    names = {}
    for field, limit in (("receiver", 60), ("site", 80)):
        try:
            names[field] = text_of(getattr(data, field), field, limit)
        except BadRow as bad:
            raise Stopped(_unfit([{"field": bad.field, "why": bad.why}])) from None
    if not any(names.values()) and source.site is None and not any(map(_names_receiver, data.rows)):
        why = "Name the receiver or the site, or the receiver in each row: this token speaks for more than one site."
        raise Stopped(_unfit([{"field": "receiver", "why": why}]))
    site = site_meant(source, names["site"]) if names["site"] else source.site
    receiver = receiver_meant(source, names["receiver"], site) if names["receiver"] else None
    return receiver, site or (receiver.site if receiver else None)


def _names_receiver(row: object) -> bool:
    return isinstance(row, dict) and bool(row.get("receiver"))


def _of_known_receivers(
    source: IntakeSource, read: ReadRows, site: Site | None
) -> tuple[Sequence[Event], Sequence[RowProblem]]:
    """Events and problems, once more: a serial heard by a receiver that the token does not speak for is refused.

    Without a serial such an event is set aside by intake, until the office knows the receiver.
    """
    unknown = receivers_unknown(source, {one.receiver for one in read.events if one.receiver and one.serial}, site)
    if not unknown:
        return read.events, read.problems
    why = "This token speaks for no receiver of this name, or for several. Name it by its code, then send the row anew."
    refused = [one for one in read.events if one.serial and one.receiver in unknown]
    problems = [*read.problems, *(RowProblem(one.row, "receiver", why) for one in refused)]
    return [one for one in read.events if not (one.serial and one.receiver in unknown)], problems


def _until(value: str | None, now: datetime) -> datetime | None:
    """The moment up to which everything is delivered, never after now."""
    if value is None:
        return None
    try:
        return until_of(value, now=now)
    except BadRow as bad:
        raise Stopped(_unfit([{"field": bad.field, "why": bad.why}])) from None


@api.get(
    "/batches/{batch}", url_name="batch", summary="Was my batch taken?", operation_id="ask_for_batch",
    response={200: Answer, **ERRORS},
)  # fmt: skip
def get_batch(request: HttpRequest, batch: str) -> HttpResponse:
    """The answer that the batch got when it was taken; 404 where none of this id came from this source."""
    row = request.source.batches.filter(batch_id=batch).first() if batch.isprintable() else None  # type: ignore[attr-defined]
    if row is None:
        return problem(404, "No batch of this id was taken from this source. Send it, or look at the id.")
    return JsonResponse(_whole(row.answer) | {"repeated": True})


@api.get(
    "/source", url_name="source", summary="Who am I?", operation_id="ask_for_source", response={200: Source, **ERRORS}
)  # fmt: skip
def get_source(request: HttpRequest) -> HttpResponse:
    """Name, scope and limits of the source whose token this is, how far it has delivered, and our clock."""
    source: IntakeSource = request.source  # type: ignore[attr-defined]
    former_until = source.previous_until if source.previous_sha256 else None
    return JsonResponse(
        {
            "name": source.name, "customer": source.customer.code if source.customer else "",
            "site": source.site.code if source.site else None, "watermark_at": _iso(source.watermark_at),
            "now": _iso(request.received_at),  # type: ignore[attr-defined]
            "token": {"ends_in": source.token_hint, "former_until": _iso(former_until)},
            "limits": {"rows": MOST_ROWS, "bytes": MOST_BYTES, "batches_a_minute": source.per_minute},
        }
    )  # fmt: skip


def _iso(at: datetime | None) -> str | None:
    return at.isoformat().replace("+00:00", "Z") if at else None


# --- what is answered to what went wrong ------------------------------------------------------------------------------


def _unfit(errors: list[dict[str, str]]) -> HttpResponse:
    return problem(422, "Put right what “errors” names, then send the batch again.", errors=errors)


def _not_as_described(request: HttpRequest, error: Any) -> HttpResponse:
    return _unfit([told(one) for one in error.errors[:50]])


def _unreadable(request: HttpRequest, error: Any) -> HttpResponse:
    return problem(400, f"The body is no JSON. Send an object with batch and rows, times such as {TIME}.")


def _refused(request: HttpRequest, why: Any) -> HttpResponse:
    if isinstance(why, OtherContent):
        detail = (
            "Another batch came under this id before, with other content. Nothing was taken; send this under a new id."
        )
        return problem(409, detail)
    if isinstance(why, NotItsOwn | OutsideItsScope):
        # One sentence for what is not there and for what is somebody else's.
        return problem(404, "This token speaks for no such receiver or site. Look at the code, or ask the office.")
    return problem(422, why.message)


def _rise(request: HttpRequest, error: Any) -> NoReturn:
    """The lane answers (company.programs): no page, no trace."""
    raise error


api.add_exception_handler(ValidationError, _not_as_described)
api.add_exception_handler(HttpError, _unreadable)
api.add_exception_handler(Refused, _refused)
api.add_exception_handler(Exception, _rise)


# --- the views --------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def _views() -> dict[str, Callable[..., HttpResponse]]:
    found: dict[str, Any] = {str(pattern.name): pattern.callback for pattern in api.urls[0]}  # type: ignore[union-attr]
    return found


def _served(request: HttpRequest, name: str, method: str, **values: str) -> HttpResponse:
    if request.method != method:
        return problem(405, f"This address takes {method} only.", headers={"Allow": method})
    request.received_at = timezone.now()  # type: ignore[attr-defined]
    try:
        request.source = admit(request, request.received_at, is_batch=method == "POST")  # type: ignore[attr-defined]
        if method == "POST":
            check_body(request)
            if not request.body:
                return problem(400, "The body is empty. Send an object with batch and rows.")
        return _views()[name](request, **values)
    except Stopped as stopped:
        return stopped.response


@audience("intake")
@csrf_exempt
def checkins(request: HttpRequest) -> HttpResponse:
    return _served(request, "checkins", "POST")


@audience("intake")
def batch_taken(request: HttpRequest, batch: str) -> HttpResponse:
    return _served(request, "batch", "GET", batch=batch)


@audience("intake")
def source(request: HttpRequest) -> HttpResponse:
    return _served(request, "source", "GET")


@lru_cache(maxsize=1)
def description() -> dict[str, Any]:
    """The description of the address (OpenAPI)."""
    return described(api)


@audience("public")
def openapi(request: HttpRequest) -> HttpResponse:
    """For everybody: whoever writes a sender has no account here, and nothing of the firm stands in it."""
    if request.method not in ("GET", "HEAD"):
        return problem(405, "This address takes GET only.", headers={"Allow": "GET"})
    return JsonResponse(description(), json_dumps_params={"indent": 1})
