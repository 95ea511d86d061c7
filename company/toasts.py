"""Messages that say what was done and offer to take it back."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest

UNDO = "undo:"


def said(request: HttpRequest, text: str, *, undo_url: str = "") -> None:
    """Tell the person what was done; with `undo_url` the message carries a button that posts to that address.

    The address must be one of ours that takes POST without fields and answers with a redirect.
    """
    messages.success(request, text, extra_tags=f"{UNDO}{undo_url}" if undo_url else "")


def undo_url_of(tags: str) -> str:
    """Address to post to, out of a message's extra tags; empty if there is nothing to take back."""
    return next((word.removeprefix(UNDO) for word in tags.split() if word.startswith(UNDO)), "")
