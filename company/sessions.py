"""Where people are signed in: rows of the sign-in library beside Django's own sessions, written, read and ended together.

Both tables hold keys as company.session_store hashes them; `here` and `keep_key` are keys of requests, in the clear.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime

from allauth.account.adapter import get_adapter
from allauth.usersessions.models import UserSession
from django.contrib.auth import HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.models import Session
from django.http import HttpRequest
from django.utils import timezone

from company.models import ChangeRow, User
from company.session_store import SessionStore, row_key


@dataclass(frozen=True, slots=True)
class SignedIn:
    """One place where somebody is signed in."""

    pk: int
    began_at: datetime
    address: str
    device: str
    is_here: bool


def note_session(request: HttpRequest) -> None:
    """Note where a person has just signed in: one row for each session, under its hashed key."""
    if not request.session.session_key:
        request.session.save()
    agent = request.META.get("HTTP_USER_AGENT", "")[: UserSession._meta.get_field("user_agent").max_length]
    UserSession.objects.update_or_create(
        session_key=row_key(request.session.session_key or ""),
        defaults={
            "user": request.user, "ip": get_adapter().get_client_ip(request), "user_agent": agent,
            "last_seen_at": timezone.now(),
        },
    )  # fmt: skip


def sessions_of(person: User, *, here: str = "") -> list[SignedIn]:
    """Where a person is signed in, newest first; `here` is the key of the session that asks."""
    rows, here = list(UserSession.objects.filter(user=person)), row_key(here)
    alive = _alive(person, [row.session_key for row in rows])
    if gone := [row.pk for row in rows if row.session_key not in alive]:
        UserSession.objects.filter(pk__in=gone).delete()
    found = [
        SignedIn(row.pk, row.created_at, str(row.ip), device_words(row.user_agent), row.session_key == here)
        for row in rows
        if row.session_key in alive
    ]
    return sorted(found, key=lambda one: (one.began_at, one.pk), reverse=True)


def _alive(person: User, keys: list[str]) -> set[str]:
    """Keys of sessions that still let this person in, in one query: not over, and not from before a new password."""
    hashes = {person.get_session_auth_hash(), *person.get_session_auth_fallback_hash()}
    alive, store = set(), SessionStore()
    for session in Session.objects.filter(session_key__in=keys, expire_date__gt=timezone.now()):
        facts = store.decode(session.session_data)
        if facts.get(SESSION_KEY) == str(person.pk) and facts.get(HASH_SESSION_KEY) in hashes:
            alive.add(session.session_key)
    return alive


def was_theirs(person: User, pk: int) -> bool:
    """Whether a session is this person's, or was until they ended it (pressing twice is no error)."""
    if UserSession.objects.filter(user=person, pk=pk).exists():
        return True
    ended = ChangeRow.objects.filter(verb="end_sessions", subject_kind="user", subject_id=person.pk)
    return ended.filter(after__session=pk).exists()


def end_one(person: User, pk: int) -> int:
    """End one session of this person; 0 if it is not theirs or is over."""
    row = UserSession.objects.filter(user=person, pk=pk).first()
    if row is None:
        return 0
    row.end()
    return 1


def end_all(person: User, *, keep_key: str = "") -> int:
    """End every session of a person but the one of that key; how many there were.

    Django's own table is gone through as well: a session may be older than the list of the sign-in library.
    """
    keys, store, keep_key = set(), SessionStore(), row_key(keep_key)
    for session in Session.objects.filter(expire_date__gte=timezone.now()).iterator(chunk_size=500):
        if session.session_key != keep_key and store.decode(session.session_data).get(SESSION_KEY) == str(person.pk):
            keys.add(session.session_key)
    Session.objects.filter(session_key__in=keys).delete()
    UserSession.objects.filter(user=person).exclude(session_key=keep_key).delete()
    return len(keys)


_SYSTEMS = (
    ("iPhone", "iPhone"), ("iPad", "iPad"), ("Android", "Android"), ("Windows", "Windows"), ("Mac OS X", "Mac"),
    ("CrOS", "Chromebook"), ("Linux", "Linux"),
)  # fmt: skip


def device_words(user_agent: str) -> str:
    """Say a browser's own description shortly: "a phone or tablet (Android)"; the rest of it says little to a person."""
    system = next((word for mark, word in _SYSTEMS if mark in user_agent), "")
    kind = "a phone or tablet" if re.search("Mobi|Tablet|iPad|Android", user_agent) else "a computer"
    return f"{kind} ({system})" if system else "a program" if user_agent else "unknown"
