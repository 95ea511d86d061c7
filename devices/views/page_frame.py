"""The page around a body that is kept: drawn once for a person in each process, and filled in for every receiver."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from pathlib import Path
from typing import Any

from django.conf import settings
from django.template.loader import render_to_string
from django.utils.crypto import salted_hmac
from django.utils.html import escape
from django.utils.translation import get_language

from company.access import PersonRequest
from devices.models import Receiver
from devices.views.receivers import frame
from sites.models import Site

MOST_FRAMES = 256


@lru_cache(maxsize=1)
def release() -> str:
    """What the pages are drawn with: another release must not serve a page of this one."""
    root = Path(settings.BASE_DIR)
    files = [
        path
        for folder in ("templates", "devices", "company")
        for path in sorted((root / folder).rglob("*"))
        if path.suffix in (".html", ".py", ".svg", ".css", ".js")
    ]
    stats = [(str(path.relative_to(root)), path.stat().st_size, path.stat().st_mtime_ns) for path in files]
    return digest(stats)


def digest(facts: Any) -> str:
    """A short name for facts."""
    return hashlib.sha256(repr(facts).encode()).hexdigest()[:32]


@lru_cache(maxsize=8)
def place_of(what: str = "token") -> str:
    """What stands in a kept page where each answer gets a text of its own; nobody outside can write it."""
    return salted_hmac("slot-map-place", what).hexdigest()


_frames: dict[str, str] = {}
"""The page around a map as one person sees it, for this process. It is the same whichever receiver is shown."""


def framed(request: PersonRequest, template: str, receiver: Receiver, body: str, firm_stamp: Any) -> str:
    """The whole page of a receiver around its body, but for the token.

    Beyond the body the template may say the names of receiver and site and lead to the site, and nothing else of them.
    """
    user = request.user
    mine = [user.pk, user.name, user.email, user.theme, user.is_manager, user.audience]
    key = digest([template, mine, get_language(), release(), firm_stamp])
    drawn = None if settings.DEBUG else _frames.get(key)
    # A number, as addresses want it, that nobody outside can write either.
    site_pk = int(place_of("number of the site")[:13], 16)
    if drawn is None:
        stand_in = Receiver(pk=receiver.pk, label=place_of("label"), site=Site(pk=site_pk, name=place_of("site")))
        context = frame(request) | {
            "receiver": stand_in, "site": stand_in.site, "body": place_of("body"), "csrf_token": place_of(),
        }  # fmt: skip
        if len(_frames) >= MOST_FRAMES:
            _frames.clear()
        drawn = _frames[key] = render_to_string(template, context, request)
    drawn = drawn.replace(str(site_pk), str(receiver.site_id)).replace(place_of("label"), escape(receiver.label))
    # The body comes last: what people wrote in it is never looked through.
    return drawn.replace(place_of("site"), escape(receiver.site.name)).replace(place_of("body"), body)
