"""Panels that report by DC-09 frames: the first two that tell exceptions only, and a number that nobody knows.

Their events are words of receivers only: days of check-ins are the gateways' alone.
"""

from __future__ import annotations

import hashlib
from datetime import date, datetime, timedelta

from company.models import User
from devices.actions.intake import take_batch
from devices.actions.panel_strangers import note_stranger, write_state
from devices.actions.panels import connect_panel
from devices.models import PanelAccount, Receiver, Registration
from devices.rules.events import Event
from maintenance.management.demo.clock import at
from maintenance.management.demo.load_intake import spare_slot

DAILY_S = 25 * 3600
"""A panel that reports daily is late after so long."""
PEER, STRANGER_PEER = "192.0.2.17", "192.0.2.86"
STRANGER_NUMBER = "4718"
STRANGER_SINCE, STRANGER_A_DAY = 9, 4
"""Days ago on which it called first, and how often a day it has called since."""
BIND = "127.0.0.1:9009"


def load_panels(today: date, office: User) -> None:
    """Panels with what they told, the listener that heard them and was stopped this morning, a number that nobody knows."""
    receivers = Receiver.objects.open().filter(evidence="exceptions").select_related("site")
    here = list(receivers.order_by("site__code", "pk")[:2])
    accounts = [_panel(number, receiver, today, office) for number, receiver in enumerate(here, start=1)]
    if accounts:
        _missed(accounts[0], today - timedelta(days=8))
        _opened(accounts[-1], today)
        _nobody_there(accounts[-1], today - timedelta(days=2))
    for ago in range(STRANGER_SINCE, -1, -1):
        note_stranger(
            number=STRANGER_NUMBER, n_frames=STRANGER_A_DAY, peer=STRANGER_PEER,
            example=f'"SIA-DCS"0041L0#{STRANGER_NUMBER}[#{STRANGER_NUMBER}|NRP00]', at=at(today - timedelta(days=ago), 5, 30),
        )  # fmt: skip
    n_frames = sum(account.n_frames for account in accounts) + (STRANGER_SINCE + 1) * STRANGER_A_DAY
    write_state(
        bind=BIND, started_at=at(today - timedelta(days=420), 9), at=at(today, 6, 10), stopped=True,
        counts={"frames": n_frames, "stranger": (STRANGER_SINCE + 1) * STRANGER_A_DAY},
    )  # fmt: skip


def _panel(number: int, receiver: Receiver, today: date, office: User) -> PanelAccount:
    """One panel with its link test of this morning."""
    account = PanelAccount(
        site=receiver.site, receiver=receiver, number=f"20{number}7", supervised_s=DAILY_S,
        note="panel in the electrical cupboard",
    )  # fmt: skip
    connect_panel(account=account, key=None, by=office, at=at(today - timedelta(days=420), 10, 5))
    account.last_message_at, account.last_peer = at(today, 6), PEER
    account.n_frames, account.n_warned, account.n_refused = 431 + 17 * number, number - 1, 2 * (number - 1)
    account.save()
    Receiver.objects.filter(pk=receiver.pk).update(link_tested_at=at(today, 6))
    return account


def _told(account: PanelAccount, event: Event) -> None:
    take_batch(
        source=account.source, batch_id=f"{account.number}-{event.at:%Y%m%dT%H%M%S}-{event.kind}",
        sha256=hashlib.sha256(f"{account.number}:{event.kind}:{event.at}".encode()).hexdigest(), events=[event],
        receiver=account.receiver, site=account.site, at=event.at + timedelta(seconds=4),
    )  # fmt: skip


def _slot(account: PanelAccount) -> int | None:
    rows = Registration.objects.open().filter(receiver=account.receiver, supervision="on", transmitter__isnull=False)
    return rows.order_by("slot").values_list("slot", flat=True).first()


def _both(account: PanelAccount, kind: str, begins: datetime, ends: datetime) -> None:
    """A fault of the first supervised slot, and that it is over."""
    if (slot := _slot(account)) is not None:
        _told(account, Event(1, kind, begins, slot=slot))
        _told(account, Event(1, f"{kind}_restored", ends, slot=slot))


def _missed(account: PanelAccount, day: date) -> None:
    """One supervised slot was missed for an hour and a half, as the panel tells it."""
    _both(account, "missing", at(day, 21, 12), at(day, 22, 40))


def _opened(account: PanelAccount, day: date) -> None:
    """Somebody changed cells before breakfast: the cover was open for eight minutes."""
    _both(account, "tamper", at(day, 5, 12), at(day, 5, 20))


def _nobody_there(account: PanelAccount, day: date) -> None:
    """A zone that the panel has been taught and that is spare on record."""
    assert account.receiver is not None
    if (slot := spare_slot(account.receiver, nth=1)) is not None:
        _told(account, Event(1, "low_battery", at(day, 3, 14), slot=slot))
