"""Text that is kept encrypted (access notes): the key stays outside the database, so a copy of it opens nothing.

ACCESS_NOTE_KEYS holds the keys, newest first: new text is sealed with the first, old text opened with any. Without
the variable one key is made on the spot in the data folder; whoever backs up the database must back it up apart.
"""

from __future__ import annotations

from cryptography.fernet import Fernet, InvalidToken, MultiFernet
from django.conf import settings

from company.errors import Refused


class SealBroken(Refused):
    """The key that sealed this text is not among those of the installation."""


def _keys() -> list[str]:
    if settings.ACCESS_NOTE_KEYS:
        return list(settings.ACCESS_NOTE_KEYS)
    path = settings.DATA_DIR / "access_note_key"
    try:
        with path.open("xb") as handle:
            path.chmod(0o600)
            handle.write(Fernet.generate_key())
    except FileExistsError:
        pass
    return [path.read_text(encoding="ascii")]


def seal(text: str) -> bytes:
    """Encrypt a text with the newest key."""
    return MultiFernet([Fernet(key) for key in _keys()]).encrypt(text.encode("utf-8"))


def unseal(cipher: bytes) -> str:
    """Decrypt a text.

    Raises
    ------
    SealBroken
        If no key of the installation opens it.
    """
    try:
        return MultiFernet([Fernet(key) for key in _keys()]).decrypt(bytes(cipher)).decode("utf-8")
    except InvalidToken as broken:
        raise SealBroken("This note cannot be opened: the key it was sealed with is not installed here.") from broken
