"""Secrets of second factors, sealed with the keys of the access notes: a copied database makes nobody's codes."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any

from allauth.mfa.adapter import DefaultMFAAdapter
from django.core.exceptions import ValidationError
from django.utils.translation import gettext

from company.sealed import SealBroken, reseal, seal, unseal

logger = logging.getLogger(__name__)

MARK = "sealed:"
"""Begins every sealed secret; none in the clear holds a colon."""

SECRETS = ("secret", "seed", "migrated_codes")
"""Facts of the sign-in library's row that make codes: of the app, of the recovery codes, and codes kept as a list."""


class FactorSealBroken(ValidationError):
    """No installed key opens a secret: a form says so, a page shows what it can."""

    silent_variable_failure = True

    def __init__(self) -> None:
        super().__init__(
            gettext(
                "This second factor cannot be checked: the key it was sealed with is not installed here. Ask whoever "
                "runs this program to put the key back, or a manager to reset your second factor."
            )
        )


def seal_secret(text: str) -> str:
    """Seal a secret with the newest key; one that is sealed already stays as it is."""
    return text if text.startswith(MARK) else MARK + seal(text).decode("ascii")


def open_secret(text: str) -> str:
    """Open a sealed secret. One from before they were sealed is given back as it is. Raises SealBroken."""
    return unseal(text.removeprefix(MARK).encode("ascii")) if text.startswith(MARK) else text


def seal_anew(text: str) -> str:
    """Seal a secret with the newest key, in whatever way it is kept; unchanged if that key opens it. Raises SealBroken."""
    if not text.startswith(MARK):
        return seal_secret(text)
    cipher = reseal(text.removeprefix(MARK).encode("ascii"))
    return text if cipher is None else MARK + cipher.decode("ascii")


def each_secret(data: dict[str, Any], change: Callable[[str], str]) -> dict[str, Any]:
    """Facts of a factor with every secret in them changed, the rest as it was."""
    done = dict(data)
    for name in SECRETS:
        if isinstance(kept := data.get(name), str):
            done[name] = change(kept)
        elif isinstance(kept, list):
            done[name] = [change(str(one)) for one in kept]
    return done


class SealingAdapter(DefaultMFAAdapter):
    """The sign-in library hands every secret through here on its way to the database and back."""

    def encrypt(self, text: str) -> str:
        return _told(seal_secret, text)

    def decrypt(self, encrypted_text: str) -> str:
        return _told(open_secret, encrypted_text)


def _told(deed: Callable[[str], str], text: str) -> str:
    try:
        return deed(text)
    except SealBroken as broken:
        # Whoever runs this must see it: nobody of the staff comes in.
        logger.error("A second factor cannot be opened or kept: %s", broken)
        raise FactorSealBroken from None
