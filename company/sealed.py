"""Text that is kept encrypted (access notes): the key stays outside the database, so a copy of it opens nothing.

ACCESS_NOTE_KEYS holds the keys, newest first: new text is sealed with the first, old text opened with any. Without
the variable one key is made on the spot in the data folder; whoever backs up the database must back it up apart.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from cryptography.fernet import Fernet, InvalidToken, MultiFernet
from django.conf import settings
from django.utils.translation import gettext

from company.errors import Refused


class SealBroken(Refused):
    """The key that sealed this text is not among those of the installation."""


def key_path() -> Path:
    """Where the key is kept that is made when nobody has given one."""
    return Path(settings.DATA_DIR) / "access_note_key"


def _keys() -> list[str]:
    if settings.ACCESS_NOTE_KEYS:
        return list(settings.ACCESS_NOTE_KEYS)
    path = key_path()
    if not path.exists():
        # Written whole under another name, then linked: nobody ever reads half a key, and the first of two wins.
        handle, name = tempfile.mkstemp(dir=path.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(Fernet.generate_key())
        try:
            os.link(name, path)
        except FileExistsError:
            pass
        finally:
            os.unlink(name)
    return [path.read_text(encoding="ascii").strip()]


def _box() -> MultiFernet:
    try:
        return MultiFernet([Fernet(key) for key in _keys()])
    except ValueError:
        # The message must not repeat the key: it would stand in a log.
        raise SealBroken(
            gettext("A key in ACCESS_NOTE_KEYS is no Fernet key. Notes cannot be kept or shown until it is.")
        ) from None


def seal(text: str) -> bytes:
    """Encrypt a text with the newest key."""
    return _box().encrypt(text.encode("utf-8"))


def unseal(cipher: bytes) -> str:
    """Decrypt a text.

    Raises
    ------
    SealBroken
        If no key of the installation opens it.
    """
    try:
        return _box().decrypt(bytes(cipher)).decode("utf-8")
    except InvalidToken as broken:
        raise SealBroken(
            gettext("This note cannot be opened: the key it was sealed with is not installed here.")
        ) from broken


def reseal(cipher: bytes) -> bytes | None:
    """Seal anew with the newest key; None if it is sealed with that one already.

    Raises
    ------
    SealBroken
        If no key of the installation opens it.
    """
    try:
        Fernet(_keys()[0]).decrypt(cipher)
    except (InvalidToken, ValueError):
        return seal(unseal(cipher))
    return None
