"""Sessions in the database, of which a copy lets nobody in: it holds a hash of each key, and what is in them sealed.

A session's key is what the browser sends as its cookie: whoever knows it is signed in. Towards Django the key stays the
cookie's value; only the tables hold a hash (`row_key`). What is in a session is sealed under SECRET_KEY: the link of an
invitation or the secret of a second factor waits there until its form is sent.
"""

from __future__ import annotations

import base64
import hashlib
from functools import lru_cache
from typing import Any

from cryptography.fernet import Fernet, InvalidToken, MultiFernet
from django.conf import settings
from django.contrib.sessions.backends.base import SessionBase
from django.contrib.sessions.backends.db import SessionStore as DatabaseStore
from django.contrib.sessions.base_session import AbstractBaseSession
from django.utils import timezone
from django.utils.crypto import salted_hmac

HASHED = "sha256:"
"""Begins every key as it is stored; no key of a cookie holds a colon."""

N_STORED = 40
"""Length of the column; what is left for the hash is 198 bits."""


def row_key(key: str) -> str:
    """What the tables hold for the key of a cookie; a stored key stays as it is."""
    if key.startswith(HASHED):
        return key
    hashed = base64.urlsafe_b64encode(hashlib.sha256(key.encode()).digest()).decode("ascii")
    return (HASHED + hashed)[:N_STORED]


@lru_cache(maxsize=4)
def _box(secrets: tuple[str, ...]) -> MultiFernet:
    keys = (salted_hmac("company.session_store", "facts", secret, algorithm="sha256").digest() for secret in secrets)
    return MultiFernet([Fernet(base64.urlsafe_b64encode(key)) for key in keys])


def _sealing() -> MultiFernet:
    return _box((settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS))


class SessionStore(DatabaseStore):
    """Django's sessions in the database, found by the hash of their key."""

    def _validate_session_key(self, key: str | None) -> bool:
        """A stored key, sent as a cookie, is no key: nothing is loaded, saved or deleted by it."""
        known = super()._validate_session_key(key)  # type: ignore[misc] # not in the types that mypy knows
        return bool(known) and not str(key).startswith(HASHED)

    def _get_session_from_db(self) -> AbstractBaseSession | None:
        key = row_key(self.session_key or "")
        try:
            return self.model.objects.get(session_key=key, expire_date__gt=timezone.now())
        except self.model.DoesNotExist:
            # An unknown key is dropped, so that the next one is made here and not by whoever sent it.
            self._session_key = None
            return None

    def exists(self, session_key: str) -> bool:
        return bool(super().exists(row_key(session_key)))

    def create_model_instance(self, data: dict[str, Any]) -> AbstractBaseSession:
        row = super().create_model_instance(data)
        row.session_key = row_key(row.session_key)
        return row

    def delete(self, session_key: str | None = None) -> None:
        """Delete this session, or the one of that key: of a cookie, or as a table holds it."""
        key = session_key or self.session_key
        if key:
            super().delete(row_key(key))

    def encode(self, session_dict: dict[str, Any]) -> str:
        return _sealing().encrypt(self.serializer().dumps(session_dict)).decode("ascii")

    def decode(self, session_data: bytes | str) -> dict[str, Any]:
        """What is in a session; nothing if no key opens it, as after a change of SECRET_KEY: people sign in again."""
        try:
            facts: dict[str, Any] = self.serializer().loads(_sealing().decrypt(session_data))
        except (InvalidToken, ValueError):
            return {}
        return facts

    # Django's own go past what is above, straight to the table.
    aload, asave, adelete = SessionBase.aload, SessionBase.asave, SessionBase.adelete
    aexists, acreate = SessionBase.aexists, SessionBase.acreate
