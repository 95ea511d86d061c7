"""A customer asks for something, and the thread that follows."""

from __future__ import annotations

import unicodedata
from datetime import datetime
from uuid import UUID, uuid4

from django.db import transaction
from django.utils.translation import gettext as _

from company.actions import record_change
from company.errors import Refused
from company.models import User
from maintenance.models import Request, RequestMessage
from sites.models import Site


class NothingSaid(Refused):
    """A request or an answer needs words."""


class TooLong(Refused):
    """A title or text that would have to be cut."""


class RequestIsDone(Refused):
    """A request that is done takes no further message."""


def _tidy(text: str, max_length: int) -> str:
    """Take off what no screen shows (a database may refuse it); refuse to cut anybody's words."""
    kept = "".join(
        char for char in text if char in "\n\r\t" or unicodedata.category(char) not in ("Cc", "Cf", "Cs")
    ).strip()
    if len(kept) > max_length:
        raise TooLong(
            _("That is %(n)s characters long; %(max_length)s fit. Shorten it, or send it in two parts.")
            % {"n": f"{len(kept):,}", "max_length": f"{max_length:,}"}
        )
    return kept


@transaction.atomic
def open_request(*, site: Site, title: str, text: str, uuid: UUID, by: User, at: datetime) -> Request:
    """Ask for service at a site. The uuid comes from the form: sending the same twice asks once.

    Raises
    ------
    NothingSaid, TooLong
        Nothing is written.
    """
    title, text = _tidy(title, 120), _tidy(text, 5000)
    if not title or not text:
        raise NothingSaid(_("Say in a few words what it is about, and then what you see."))
    stored = Request.objects.filter(uuid=uuid).first()
    if stored and not stored.messages.filter(request__site=site, request__title=title, by=by, text=text).exists():
        # The same form filled in twice, in two windows: two things are asked for.
        uuid = uuid4()
    request, made = Request.objects.get_or_create(
        uuid=uuid, defaults={"customer_id": site.customer_id, "site": site, "by": by, "at": at, "title": title}
    )
    if not made:
        return request
    RequestMessage.objects.create(request=request, customer_id=site.customer_id, by=by, at=at, text=text)
    record_change(by=by, at=at, verb="open_request", subject=request, customer_id=site.customer_id)
    return request


@transaction.atomic
def answer_request(*, request: Request, text: str, by: User, at: datetime) -> RequestMessage:
    """Add a message to the thread.

    Raises
    ------
    NothingSaid, RequestIsDone, TooLong
        Nothing is written.
    """
    request = Request.objects.select_for_update(of=("self",)).get(pk=request.pk)
    if request.state == Request.State.DONE:
        raise RequestIsDone(_("This request is done. Make a new one if something is still wrong."))
    text = _tidy(text, 5000)
    if not text:
        raise NothingSaid(_("Write something first."))
    return RequestMessage.objects.create(request=request, customer_id=request.customer_id, by=by, at=at, text=text)


@transaction.atomic
def move_request(*, request: Request, state: str, by: User, at: datetime) -> Request:
    """Say how far a request is: open, planned or done.

    Raises
    ------
    Refused
        For a word that is no state.
    """
    if state not in Request.State.values:
        raise Refused(_("Choose open, planned or done."))
    request = Request.objects.select_for_update(of=("self",)).get(pk=request.pk)
    before, request.state = request.state, state
    request.save(update_fields=["state"])
    record_change(
        by=by, at=at, verb="move_request", subject=request, customer_id=request.customer_id,
        before={"state": before}, after={"state": state},
    )  # fmt: skip
    return request
