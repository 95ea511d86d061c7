"""Every write to panels that report by DC-09 frames: their accounts, their keys, and numbers that nobody knows.

A key stands in no log and no change row; the rows say that one was set or taken out.
"""

from __future__ import annotations

import hashlib
import re
from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_variables

from company.actions import record_change
from company.actions.resealing import BATCH, Resealed, reseal_all
from company.errors import Refused
from company.models import ChangeRow, User
from company.sealed import reseal, seal
from devices.models import IntakeSource, PanelAccount, PanelStranger, Receiver

SOURCE_NAME = "Panels (DC-09)"
NUMBER = re.compile(r"[0-9A-F]{3,16}\Z")


class PanelRefused(Refused):
    """What was asked cannot be done to this panel."""


class PanelChangedSince(Refused):
    """Two people changing one panel at once must not undo each other unseen."""


class NumberTaken(Refused):
    """Another panel in use reports under this number."""


def panel_facts(account: PanelAccount) -> dict[str, Any]:
    """What the change log keeps of a panel; of its key only whether there is one."""
    return {
        "number": account.number,
        "reports_for": account.receiver.label if account.receiver else "",
        "receiver": account.receiver_id,
        "slot_offset": account.slot_offset,
        "supervised_s": account.supervised_s,
        "has_key": account.key_cipher is not None,
        "note": account.note,
        "closed_at": account.closed_at.isoformat() if account.closed_at else None,
    }


def seen(account: PanelAccount) -> str:
    """Digest of what a form was made from, so that it is noticed when somebody else was quicker."""
    key = bytes(account.key_cipher) if account.key_cipher is not None else b""
    return hashlib.sha256(repr((panel_facts(account), key)).encode()).hexdigest()[:32]


def locked(pk: int, seen_as: str = "") -> PanelAccount:
    """The panel, locked and fresh.

    Raises
    ------
    PanelChangedSince
        If it is not as it was when `seen_as` was made.
    """
    rows = PanelAccount.objects.select_for_update(of=("self",)).select_related("site", "receiver", "customer")
    account: PanelAccount = rows.get(pk=pk)
    if seen_as and seen_as != seen(account):
        raise PanelChangedSince(_("This panel was changed after you opened the page. Look again, then change it."))
    return account


def log_panel(
    account: PanelAccount, verb: str, by: User, at: datetime, reason: str = "", **facts: Any
) -> ChangeRow:  # fmt: skip
    """Write one change of a panel."""
    return record_change(
        by=by, at=at, verb=verb, subject=account, customer_id=account.customer_id, reason=reason, **facts
    )  # fmt: skip


def refuse_taken(number: str, besides: int | None = None) -> None:
    """Refuse a number under which another panel in use reports.

    Raises
    ------
    NumberTaken
        With what to do about it.
    """
    rows = PanelAccount.objects.filter(number=number, closed_at=None).select_related("site")
    if besides is not None:
        rows = rows.exclude(pk=besides)
    other = rows.first()
    if other is not None:
        raise NumberTaken(
            _(
                "The panel at %(site)s reports under %(number)s. Close that one first, or set another number in this panel."
            )
            % {"site": other.site.name, "number": number}
        )


def _refuse(account: PanelAccount) -> None:
    if not NUMBER.match(account.number):
        raise PanelRefused(_("An account number has 3 to 16 digits 0–9 and A–F, as it is set in the panel."))
    receiver = account.receiver
    if receiver is not None and (receiver.site_id != account.site_id or receiver.removed_at is not None):
        raise PanelRefused(_("This receiver is not at the panel’s site. Choose one that is."))
    refuse_taken(account.number, account.pk)


def _panel_source(by: User, at: datetime) -> IntakeSource:
    """The firm's one source of panels, made with the first of them."""
    found = IntakeSource.objects.filter(kind=IntakeSource.Kind.PANEL).order_by("pk").first()
    if found is not None:
        return found
    source = IntakeSource.objects.create(name=SOURCE_NAME, kind=IntakeSource.Kind.PANEL, created_at=at)
    record_change(by=by, at=at, verb="add_source", subject=source, after={"name": source.name, "kind": source.kind})
    return source


@transaction.atomic
@sensitive_variables("key")
def connect_panel(*, account: PanelAccount, key: bytes | None, by: User, at: datetime) -> ChangeRow:
    """Take a new panel's messages from now on; a number that was listed as unknown is known with that.

    Raises
    ------
    PanelRefused, NumberTaken
        Nothing is written.
    """
    _refuse(account)
    account.customer_id, account.created_at = account.site.customer_id, at
    account.source = _panel_source(by, at)
    account.key_cipher = seal(key.hex()) if key is not None else None
    account.save(force_insert=True)
    PanelStranger.objects.filter(number=account.number).delete()
    return log_panel(account, "connect_panel", by, at, after=panel_facts(account))


@transaction.atomic
def change_panel(*, account: PanelAccount, by: User, at: datetime, seen_as: str = "") -> ChangeRow:
    """Save number, receiver, zone of slot 1, supervision and note as the given row holds them.

    Raises
    ------
    PanelRefused, PanelChangedSince, NumberTaken
        Nothing is written.
    """
    old = locked(account.pk, seen_as)
    if old.closed_at is not None:
        raise PanelRefused(_("This panel is closed. Take it into use again first."))
    _refuse(account)
    before, after = panel_facts(old), panel_facts(account)
    if before == after:
        raise PanelRefused(_("Nothing differs from what is on record, so there is nothing to save."))
    account.save(update_fields=["number", "receiver", "slot_offset", "supervised_s", "note"])
    return log_panel(account, "change_panel", by, at, before=before, after=after)


@transaction.atomic
@sensitive_variables("key")
def set_panel_key(
    *, account: PanelAccount, key: bytes | None, by: User, at: datetime, seen_as: str = ""
) -> ChangeRow:  # fmt: skip
    """Set the key of a panel's messages, or with None take its messages in clear. A key that is gone cannot come back.

    Raises
    ------
    PanelRefused, PanelChangedSince
        Nothing is written.
    """
    fresh = locked(account.pk, seen_as)
    if key is None and fresh.key_cipher is None:
        raise PanelRefused(_("This panel has no key, so there is none to take out."))
    before = panel_facts(fresh)
    fresh.key_cipher = seal(key.hex()) if key is not None else None
    fresh.save(update_fields=["key_cipher"])
    verb = "set_panel_key" if key is not None else "drop_panel_key"
    return log_panel(fresh, verb, by, at, before=before, after=panel_facts(fresh))


@transaction.atomic
def close_panel(*, account: PanelAccount, by: User, at: datetime, reason: str = "") -> ChangeRow:
    """Take nothing more under this number; what came stays. Refused: one that is closed already."""
    fresh = locked(account.pk)
    if fresh.closed_at is not None:
        raise PanelRefused(_("This panel is closed already."))
    return turn_panel(fresh, at, "close_panel", by, at, reason)


@transaction.atomic
def reopen_panel(*, account: PanelAccount, by: User, at: datetime) -> ChangeRow:
    """Take a closed panel's messages again.

    Raises
    ------
    PanelRefused, NumberTaken
        Not closed, or its number is another panel's now: nothing is written.
    """
    fresh = locked(account.pk)
    if fresh.closed_at is None:
        raise PanelRefused(_("This panel is in use already."))
    refuse_taken(fresh.number, fresh.pk)
    return turn_panel(fresh, None, "reopen_panel", by, at)


def turn_panel(
    fresh: PanelAccount, closed_at: datetime | None, verb: str, by: User, at: datetime, reason: str = ""
) -> ChangeRow:  # fmt: skip
    """Close or reopen a locked panel and log it."""
    before = panel_facts(fresh)
    fresh.closed_at = closed_at
    fresh.save(update_fields=["closed_at"])
    return log_panel(fresh, verb, by, at, reason, before=before, after=panel_facts(fresh))


@transaction.atomic
def dismiss_stranger(*, stranger: PanelStranger, by: User, at: datetime) -> ChangeRow:
    """Leave an unknown number out of the list; its calls are counted on. Refused: one that is left out already."""
    fresh = PanelStranger.objects.select_for_update().get(pk=stranger.pk)
    if fresh.dismissed_at is not None:
        raise PanelRefused(_("This number was dismissed already."))
    fresh.dismissed_at = at
    fresh.save(update_fields=["dismissed_at"])
    return record_change(by=by, at=at, verb="dismiss_stranger", subject=fresh, after={"number": fresh.number})


def reporting_receiver(account: PanelAccount) -> Receiver | None:
    """Receiver that a panel speaks for: the chosen one while it hangs there or the one in its place, else the only one
    at its site.
    """
    open_ones = Receiver.objects.filter(site_id=account.site_id, removed_at=None)
    if account.receiver_id is None:
        some = list(open_ones.order_by("pk")[:2])
        return some[0] if len(some) == 1 else None
    pk = account.receiver_id
    # A swap in the field does not touch the panel: follow it, a few times at most.
    for _step in range(8):
        found: Receiver | None = open_ones.filter(pk=pk).first()
        if found is not None:
            return found
        newer = Receiver.objects.filter(replaces_id=pk).order_by("-pk").values_list("pk", flat=True).first()
        if newer is None:
            return None
        pk = newer
    return None


def reseal_panel_keys(*, by: User | None, at: datetime, batch: int = BATCH) -> Resealed:
    """Seal every panel's key with the newest key of the installation, as `reseal_all` does."""
    return reseal_all(
        rows=PanelAccount.objects.filter(key_cipher__isnull=False), seal_row=_seal, verb="reseal_panel_keys",
        counted="n_panels", by=by, at=at, batch=batch,
    )  # fmt: skip


def _seal(account: PanelAccount) -> bool:
    assert account.key_cipher is not None
    cipher = reseal(bytes(account.key_cipher))
    if cipher is None:
        return False
    account.key_cipher = cipher
    account.save(update_fields=["key_cipher"])
    return True
