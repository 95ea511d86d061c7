"""Who may come in at the intake address, and with what kind of body: asked before anything is read."""

from __future__ import annotations

from datetime import datetime

from django.http import HttpRequest, HttpResponse
from django.views.decorators.debug import sensitive_variables

from company.programs import problem
from devices.actions.sources import may_speak, source_of
from devices.actions.sources_use import note_use
from devices.api.limits import wait_of_source, wait_of_unknown
from devices.models import IntakeSource
from devices.rules.intake_rows import MOST_BYTES

CHALLENGE = {"WWW-Authenticate": 'Bearer realm="check-ins"'}


class Stopped(Exception):
    """A request that goes no further, with what it is answered."""

    def __init__(self, response: HttpResponse) -> None:
        super().__init__(response.status_code)
        self.response = response


@sensitive_variables()
def _token_in(request: HttpRequest) -> str:
    scheme, _, token = request.META.get("HTTP_AUTHORIZATION", "").partition(" ")
    return token.strip() if scheme.lower() == "bearer" else ""


def _too_many(wait_s: int, detail: str) -> Stopped:
    return Stopped(problem(429, detail, headers={"Retry-After": str(wait_s)}))


def admit(request: HttpRequest, at: datetime, *, is_batch: bool) -> IntakeSource:
    """The source whose token the request carries, within its limits; what comes after may trust that.

    Raises
    ------
    Stopped
        401 no or unknown token, 403 retired, 429 too often; see `check_body` for the others.
    """
    source = source_of(_token_in(request), at)
    if source is None:
        if wait_s := wait_of_unknown(request.META.get("REMOTE_ADDR", ""), at):
            raise _too_many(
                wait_s, "Too many tries with unknown tokens came from this address. Wait, then use a token."
            )
        detail = "Send the token of a source as “Authorization: Bearer …”. This one is missing, unknown or has ended."
        raise Stopped(problem(401, detail, headers=CHALLENGE))
    if not may_speak(source):
        raise Stopped(
            problem(403, "Nothing is taken from this source any more. Ask the office that gave you the token.")
        )
    if wait_s := wait_of_source(source, at, is_batch=is_batch):
        what = "batches" if is_batch else "questions"
        raise _too_many(wait_s, f"At most {source.per_minute} {what} a minute are taken. Wait, then send it again.")
    note_use(source=source, at=at)
    return source


def check_body(request: HttpRequest) -> None:
    """Refuse a body by its head alone.

    Raises
    ------
    Stopped
        415 another type or packed, 400 a length that is none, 413 too big.
    """
    if request.content_type != "application/json":
        raise Stopped(problem(415, "Send the batch as JSON, with “Content-Type: application/json”."))
    if request.META.get("HTTP_CONTENT_ENCODING", "identity").lower() != "identity":
        raise Stopped(problem(415, "Send the batch unpacked, without “Content-Encoding”."))
    length = request.META.get("CONTENT_LENGTH") or "0"
    if not (length.isascii() and length.isdigit()):
        raise Stopped(problem(400, "“Content-Length” is no number. Send the length of the body in bytes."))
    if len(length) > 12 or int(length) > MOST_BYTES:
        detail = f"A batch has at most {MOST_BYTES} bytes. Cut it into smaller ones, each with an id of its own."
        raise Stopped(problem(413, detail))
