"""The cipher of DC-09: AES in CBC with a zero start block, as hex text; pure Python, keys and padding are passed in.

Source: trade.md 5.1 (16, 24 or 32 bytes of key; 16 to 31 bytes of padding and `|` before the text), checked on the frame
of T26. The standard's fixed start block hides no repetition of equal first blocks; the random padding in front does.
"""

from __future__ import annotations

import re

from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes

BLOCK = 16
_HEX = re.compile(rb"(?:[0-9A-Fa-f]{32})+\Z")
_KEY = re.compile(r"[0-9A-Fa-f]+\Z")
_PAD_LETTERS = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789"


class KeyUnfit(ValueError):
    """The key is not 32, 48 or 64 hex digits; the text never repeats it."""


def key_of(text: str) -> bytes:
    """Key from hex digits; spaces, colons and hyphens between them do not count.

    Raises
    ------
    KeyUnfit
        Anything but 32, 48 or 64 hex digits.
    """
    digits = re.sub(r"[\s:\-]", "", text)
    if not _KEY.match(digits) or len(digits) not in (32, 48, 64):
        raise KeyUnfit("A key is 32, 48 or 64 hex digits (0–9, A–F).")
    return bytes.fromhex(digits)


def opened(cipher_hex: bytes, key: bytes) -> bytes | None:
    """Plain bytes of hex text, padding still in front; None if it is no whole number of blocks in hex."""
    if not _HEX.match(cipher_hex):
        return None
    unlock = Cipher(algorithms.AES(key), modes.CBC(bytes(BLOCK))).decryptor()
    return unlock.update(bytes.fromhex(cipher_hex.decode("ascii"))) + unlock.finalize()


def closed(plain: bytes, key: bytes) -> bytes:
    """Hex text of plain bytes.

    Raises
    ------
    ValueError
        If their number is no multiple of 16.
    """
    if not plain or len(plain) % BLOCK:
        raise ValueError("Plain text must fill whole blocks of 16 bytes.")
    lock = Cipher(algorithms.AES(key), modes.CBC(bytes(BLOCK))).encryptor()
    return (lock.update(plain) + lock.finalize()).hex().upper().encode("ascii")


def padded(text: bytes, chance: bytes) -> bytes:
    """Text with 16 to 31 letters or digits and `|` in front, to whole blocks; `chance` are at least 31 random bytes.

    Raises
    ------
    ValueError
        If fewer random bytes are given.
    """
    if len(chance) < 31:
        raise ValueError("31 random bytes are needed.")
    n = 16 + (-(len(text) + 17)) % BLOCK
    return bytes(_PAD_LETTERS[byte % len(_PAD_LETTERS)] for byte in chance[:n]) + b"|" + text


def without_padding(plain: bytes) -> bytes:
    """Text after the padding: after the first `|`, if none of `[`, `]` comes before it; one published frame has none."""
    bar, bracket = plain.find(b"|"), plain.find(b"]")
    if bar >= 0 and (bracket < 0 or bar < bracket) and b"[" not in plain[:bar]:
        return plain[bar + 1 :]
    return plain[bracket:] if bracket >= 0 and b"[" not in plain[:bracket] else plain
