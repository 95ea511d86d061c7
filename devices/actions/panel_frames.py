"""One DC-09 frame taken in: whose it is, what it says, and the answer that may be given once it is on record.

The listener calls `take_frame` from one thread; the caller sends the answer after it has returned, so never before the
commit. Keys and the words of a message stand in no log.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from django.db import transaction
from django.db.models import F

from company.errors import Refused
from company.sealed import SealBroken, unseal
from devices.actions.intake import Taken, take_batch
from devices.actions.panels import reporting_receiver
from devices.models import Fault, IntakeBatch, PanelAccount, Receiver
from devices.rules.dc09 import (
    ANSWERS,
    DC03,
    DC05,
    LINK_TEST,
    Header,
    Message,
    Unread,
    ack,
    duh,
    is_in_window,
    nak,
    read_header,
    read_message,
)
from devices.rules.dc09_blocks import Block
from devices.rules.dc09_events import Meaning, meaning_of
from devices.rules.dc09_frame import Sound, Warned
from devices.rules.events import RAISES, Event, EventKind

REPEAT_WITHIN = timedelta(minutes=10)
"""The same frame without a time of its own counts as a repeat for so long. Own choice: panels repeat within a minute."""
FAST_CLOCK = timedelta(minutes=5)
AHEAD_AT_MOST, BACK_AT_MOST = timedelta(days=1), timedelta(days=60)
"""A time outside is a panel whose clock is wrong: its message is live, so the moment of arrival stands for it."""
MOST_NOTE = 120
MOST_ZONE = 9999


class Outcome(StrEnum):
    """What became of a frame; also the names of the listener's counts."""

    TAKEN = "taken"
    REPEATED = "repeated"
    TESTED = "tested"
    NOTHING = "nothing_in_it"
    STRANGER = "stranger"
    UNKNOWN_CODE = "unknown_code"
    OTHER_KIND = "other_kind"
    OTHER_ACCOUNT = "other_account"
    EMPTY = "empty"
    AN_ANSWER = "an_answer"
    NOT_READ = "not_read"
    OUT_OF_TIME = "out_of_time"
    IN_CLEAR = "in_clear"
    NO_KEY = "no_key"
    NOT_TAKEN = "not_taken"


UNPROVEN = frozenset({Outcome.NOT_READ, Outcome.OUT_OF_TIME, Outcome.IN_CLEAR, Outcome.NO_KEY})
"""Frames that need not come from the panel at all: they restart no supervision."""
REFUSED = frozenset(
    {
        Outcome.UNKNOWN_CODE, Outcome.OTHER_KIND, Outcome.OTHER_ACCOUNT, Outcome.EMPTY, Outcome.NOT_READ,
        Outcome.OUT_OF_TIME, Outcome.IN_CLEAR, Outcome.NO_KEY, Outcome.NOT_TAKEN,
    }
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of one frame, the answer to send (None: silence), the account's number and the warnings."""

    outcome: Outcome
    answer: bytes | None = None
    number: str = ""
    warnings: tuple[Warned, ...] = ()


@dataclass(slots=True)
class KeyRing:
    """Keys of accounts, opened once and kept in memory as long as the sealed one stays the same."""

    _keys: dict[int, tuple[bytes, bytes]] = field(default_factory=dict, repr=False)

    def key_of(self, account: PanelAccount) -> bytes | None:
        """Key of an account; None for one in clear.

        Raises
        ------
        SealBroken
            If the installation cannot open it.
        """
        if account.key_cipher is None:
            return None
        sealed = bytes(account.key_cipher)
        kept = self._keys.get(account.pk)
        if kept is None or kept[0] != sealed:
            kept = self._keys[account.pk] = (sealed, bytes.fromhex(unseal(sealed)))
        return kept[1]


def take_frame(*, frame: Sound, peer: str, at: datetime, keys: KeyRing, chance: bytes) -> Verdict:
    """Take in one sound frame; `chance` are at least 31 random bytes for the padding of an encrypted answer.

    Whatever a person could need to know is in the verdict; nothing is raised for what a panel did wrong. A repeat is
    answered as the first time and recorded once. A number that nobody knows writes nothing (see `panel_strangers`).
    """
    header = read_header(frame)
    if isinstance(header, Unread):
        return Verdict(Outcome.NOT_READ)
    if header.kind in ANSWERS:
        return Verdict(Outcome.AN_ANSWER)
    # Asked outside the transaction: a flood of unknown numbers must not keep writers waiting (SQLite has one at a time).
    if not PanelAccount.objects.filter(number=header.account, closed_at=None).exists():
        return Verdict(Outcome.STRANGER, duh(header), header.account)
    with transaction.atomic():
        account = (
            PanelAccount.objects.select_for_update(of=("self",))
            .select_related("source", "site")
            .filter(number=header.account, closed_at=None)
            .first()
        )
        if account is None:
            return Verdict(Outcome.STRANGER, duh(header), header.account)
        verdict = _of_account(account, header, frame, at, keys, chance)
        _count(account, verdict, peer, at)
    return verdict


def _of_account(
    account: PanelAccount, header: Header, frame: Sound, at: datetime, keys: KeyRing, chance: bytes
) -> Verdict:
    """What a frame of a known account says, and its answer."""
    number = account.number
    try:
        key = keys.key_of(account)
    except SealBroken:
        # Not the panel's fault: it is to repeat until the installation has its keys back.
        return Verdict(Outcome.NO_KEY, None, number)
    if header.is_encrypted and key is None:
        return Verdict(Outcome.NO_KEY, duh(header), number)
    if key is not None and not header.is_encrypted:
        # Taken in clear, anybody could speak for a panel that is meant to be protected.
        return Verdict(Outcome.IN_CLEAR, duh(header), number)
    message = read_message(frame, key)
    if isinstance(message, Unread):
        return Verdict(Outcome.NOT_READ, None, number)
    if header.is_encrypted and (message.sent_at is None or not is_in_window(message.sent_at, at)):
        return Verdict(Outcome.OUT_OF_TIME, nak(at), number, message.warnings)
    outcome = _take(account, message, at)
    answer = duh(header) if outcome in REFUSED else ack(header, now=at, key=key, chance=chance)
    warned = message.warnings
    if not _is_plausible(message.sent_at, at):
        warned = (*warned, Warned.TIME)
    return Verdict(outcome, answer, number, warned)


def _take(account: PanelAccount, message: Message, at: datetime) -> Outcome:
    """Record what a message says. A link test is no entry of the ledger: it only shows that the link stands."""
    kind = message.header.kind
    if Warned.OTHER_ACCOUNT in message.warnings:
        # Whose zones these are nobody can tell: the header and the data must name one account (trade.md 5.1).
        return Outcome.OTHER_ACCOUNT
    receiver = reporting_receiver(account)
    if kind == LINK_TEST:
        _link_tested(receiver, at)
        return Outcome.TESTED
    if kind not in (DC05, DC03):
        return Outcome.OTHER_KIND
    said = [(block, meaning_of(block)) for block in message.blocks]
    if not any(meaning.is_known for _block, meaning in said):
        # That the panel is there it has shown, yet nothing was taken: only a link test may say nothing (trade.md 5.1).
        return Outcome.UNKNOWN_CODE if said or Warned.BLOCK in message.warnings else Outcome.EMPTY
    if any(meaning.kind == EventKind.LINK_TEST for _block, meaning in said):
        _link_tested(receiver, at)
    told = [(block, meaning) for block, meaning in said if meaning.kind and meaning.kind != EventKind.LINK_TEST]
    if not told:
        return Outcome.TESTED if any(meaning.kind for _block, meaning in said) else Outcome.NOTHING
    try:
        taken = _hand_over(account, receiver, message, told, at)
    except Refused:
        return Outcome.NOT_TAKEN
    if taken is None:
        return Outcome.NOTHING
    return Outcome.REPEATED if taken.is_repeat else Outcome.TAKEN


def _link_tested(receiver: Receiver | None, at: datetime) -> None:
    if receiver is not None:
        Receiver.objects.filter(pk=receiver.pk).update(link_tested_at=at)


def _is_plausible(sent_at: datetime | None, at: datetime) -> bool:
    """Whether the clock of the panel can be believed; a message without a time is no doubt."""
    return sent_at is None or at - BACK_AT_MOST <= sent_at <= at + AHEAD_AT_MOST


def _moment(message: Message, at: datetime) -> tuple[datetime, bool]:
    """When it happened, and whether a clock that is fast had to be cut to now."""
    for told in (message.happened_at, message.sent_at):
        if told is not None and _is_plausible(told, at):
            return (at, True) if told > at + FAST_CLOCK else (told, False)
    return at, False


def _hand_over(
    account: PanelAccount, receiver: Receiver | None, message: Message, told: Sequence[tuple[Block, Meaning]], at: datetime
) -> Taken | None:  # fmt: skip
    """Give the events to intake as one batch, under an id that a repeat has too; None if nothing in them is news."""
    moment, is_clamped = _moment(message, at)
    events = [
        _event(row, receiver, account, block, meaning, moment)
        for row, (block, meaning) in enumerate(told, start=1)
        if not (meaning.is_status and _stands(receiver, account, block, meaning))
    ]
    if not events:
        return None
    batch_id, digest = _identity(account, message, at)
    return take_batch(
        source=account.source, batch_id=batch_id, sha256=digest, events=events, n_clamped=int(is_clamped),
        receiver=receiver, site=account.site, said=[_shown(block, meaning) for block, meaning in told], at=at,
    )  # fmt: skip


def _slot(account: PanelAccount, block: Block) -> int | None:
    return None if block.zone_number is None else block.zone_number - account.slot_offset


def _event(
    row: int, receiver: Receiver | None, account: PanelAccount, block: Block, meaning: Meaning, moment: datetime
) -> Event:  # fmt: skip
    """An event as intake takes it. Where its place is not clear it is set aside there, under the number of the panel, and
    its zone is kept in the note, so that it can be placed once receiver and zone of slot 1 are right (`set_aside_replay`).
    """
    words = " ".join(part for part in (meaning.words, block.text) if part)
    slot = None if meaning.is_of_receiver else _slot(account, block)
    is_clear = receiver is not None and (meaning.is_of_receiver or (slot is not None and 1 <= slot <= receiver.n_slots))
    if not is_clear and not meaning.is_of_receiver and block.zone:
        words = f"zone {block.zone}; {words}"
    slot = slot if slot is not None and 1 <= slot <= MOST_ZONE else None
    named = account.number if receiver is None else ""
    return Event(row, meaning.kind or "", moment, receiver=named, slot=slot, note=_printable(words)[:MOST_NOTE])


def _shown(block: Block, meaning: Meaning) -> str:
    """An event in a line for the page of its batch: the code as it came, and what it means."""
    code = " ".join(part for part in (block.code, block.qualifier, block.group) if part)
    zone = f", zone {block.zone}" if block.zone else ""
    words = " ".join(part for part in (meaning.words, block.text) if part)
    return _printable(f"{code}{zone}: {words}" if words else f"{code}{zone}")[:MOST_NOTE]


def _stands(receiver: Receiver | None, account: PanelAccount, block: Block, meaning: Meaning) -> bool:
    """Whether what a status report repeats is on record: then it is neither news nor a sign of life."""
    kind = RAISES.get(meaning.kind or "")
    if receiver is None or kind is None:
        return False
    faults = Fault.objects.filter(receiver=receiver, kind=kind, cleared_at=None)
    if not meaning.is_of_receiver:
        faults = faults.filter(registration__slot=_slot(account, block))
    return faults.exists()


def _identity(account: PanelAccount, message: Message, at: datetime) -> tuple[str, str]:
    """Id and digest of the batch. Padding, R and L are left out: a repeat may differ in them."""
    header = message.header
    digest = hashlib.sha256("\n".join((account.number, header.kind, message.text)).encode()).hexdigest()
    begin = f"{account.number}-{header.seq}-{digest[:20]}-"
    if message.sent_at is not None and _is_plausible(message.sent_at, at):
        return f"{begin}{message.sent_at:%Y%m%dT%H%M%S}", digest
    same = IntakeBatch.objects.filter(
        source_id=account.source_id, batch_id__startswith=f"{begin}r", received_at__gte=at - REPEAT_WITHIN
    )
    known = same.order_by("-received_at").values_list("batch_id", flat=True).first()
    return known or f"{begin}r{at:%Y%m%dT%H%M%S%f}", digest


def _printable(text: str) -> str:
    return "".join(letter if letter.isprintable() else " " for letter in text)


def _count(account: PanelAccount, verdict: Verdict, peer: str, at: datetime) -> None:
    """Note on the account that it was heard. Only what its own key opened in time, or what came in clear where no key is
    agreed, is a word of the panel and restarts the supervision of its link.
    """
    changes: dict[str, Any] = {"n_frames": F("n_frames") + 1}
    if verdict.outcome in REFUSED:
        changes["n_refused"] = F("n_refused") + 1
    if verdict.warnings:
        changes["n_warned"] = F("n_warned") + 1
    if verdict.outcome not in UNPROVEN:
        changes |= {"last_message_at": at, "last_peer": peer[:60]}
    PanelAccount.objects.filter(pk=account.pk).update(**changes)
