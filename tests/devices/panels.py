"""Panels and their frames for tests."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from company.sealed import seal
from devices.models import IntakeSource, PanelAccount, Receiver
from devices.rules.dc09 import Header, Message, build, read_message
from devices.rules.dc09_frame import Sound, framed, read_frame
from tests import factories

KEY = bytes(range(16))
NUMBER = "AB12"


def make_source(**over: Any) -> IntakeSource:
    """The firm's source of panels."""
    found = IntakeSource.objects.filter(kind="panel").first()
    return found or IntakeSource.objects.create(**{"name": "Panels", "kind": "panel"} | over)


def make_account(hangs: Receiver | None = None, /, *, key: bytes | None = None, **over: Any) -> PanelAccount:
    """A panel that reports for a receiver."""
    receiver = hangs or factories.make_receiver()
    values = {
        "customer": receiver.customer, "site": receiver.site, "receiver": receiver, "source": make_source(),
        "number": NUMBER, "key_cipher": seal(key.hex()) if key else None,
    }  # fmt: skip
    return PanelAccount.objects.create(**values | over)


def header(kind: str = "ADM-CID", *, seq: int = 1, number: str = NUMBER) -> Header:
    return Header(kind, False, f"{seq:04d}", None, "0", number)


def event(
    text: str = "1384 00 001", *, seq: int = 1, number: str = NUMBER, at: datetime | None = None,
    key: bytes | None = None, kind: str = "ADM-CID", pad: int = 0,
) -> bytes:  # fmt: skip
    """A whole frame with one event of DC-05, or with `kind` another message."""
    data = f"#{number}|{text}" if text else ""
    return build(header(kind, seq=seq, number=number), data, at=at, key=key, chance=bytes([pad]) * 31)


def link_test(*, seq: int = 0, number: str = NUMBER, at: datetime | None = None, key: bytes | None = None) -> bytes:
    return build(header("NULL", seq=seq, number=number), at=at, key=key, chance=bytes(31))


def sound(raw: bytes) -> Sound:
    found = read_frame(raw)
    assert isinstance(found, Sound)
    return found


def answer_in(raw: bytes | None, key: bytes | None = None) -> Message:
    """An answer, read."""
    assert raw is not None
    read = read_message(sound(raw), key)
    assert isinstance(read, Message)
    return read


def body(text: str) -> bytes:
    return framed(text.encode())


NOW = factories.NOW.astimezone(UTC)
