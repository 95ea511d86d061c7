"""What every change of a slot map has in common: lock, refuse what is stale or out of order, log it, tell who listens."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from django.db import models, transaction
from django.db.models import QuerySet
from django.utils.translation import gettext as _

from company.actions import facts_of, record_change
from company.errors import Refused
from company.models import ChangeRow, User
from devices.actions.rollup_sql import lock_transmitters
from devices.models import Receiver, Registration
from devices.signals import slot_map_changed

MOST_OVERTAKEN = 50
"""A form overtaken by more changes than this is too old, whatever they were."""

AT_ONCE = 500
"""Keys that one query names."""

SHOWN_CHANGES = 5
"""A refusal for a stale form names at most this many changes."""


class StaleSlotMap(Refused):
    """The slot map has changed since the form was made; `changes` are the rows of the log, `version` is today's."""

    def __init__(self, message: str, changes: list[ChangeRow], version: int | None = None) -> None:
        super().__init__(message)
        self.changes = changes
        self.version = version


class OutOfOrder(Refused):
    """The moment of a change lies before something that is already recorded."""


class ReasonMissing(Refused):
    """A change of the ledger must say why."""


def lock_receivers(*receivers: Receiver) -> list[Receiver]:
    """Lock receivers in the order of their keys and return them fresh, in the order asked for.

    Not for their keys: a batch that only names a receiver, in what it sets aside, must not wait while others wait for it.
    """
    keys = sorted({receiver.pk for receiver in receivers})
    fresh = {
        row.pk: row
        for row in Receiver.objects.select_for_update(of=("self",), no_key=True)
        .select_related("site", "customer", "type")
        .filter(pk__in=keys)
        .order_by("pk")
    }
    return [fresh[receiver.pk] for receiver in receivers]


def lock_all(receiver_ids: Iterable[int], unit_ids: Iterable[int]) -> None:
    """Lock receivers, then transmitters: those that ever stood in them, and others; both in the order of their keys.

    For whoever writes about many of them row by row: each row that says where a transmitter stands or which cells it has
    locks that one (`devices.unit_stamps`), and batches of check-ins lock receivers before transmitters. Whoever has locked
    the receivers already gives none.
    """
    keys, units = sorted(set(receiver_ids)), set(unit_ids)
    for start in range(0, len(keys), AT_ONCE):
        some = keys[start : start + AT_ONCE]
        rows = Receiver.objects.select_for_update(of=("self",), no_key=True).filter(pk__in=some)
        list(rows.order_by("pk").values_list("pk"))
        stood = Registration.objects.filter(receiver__in=some, transmitter__isnull=False)
        units |= {pk for pk in stood.values_list("transmitter_id", flat=True) if pk is not None}
    lock_transmitters(sorted(units))


def refuse_stale(receiver: Receiver, seen_version: int | None, slot: int | None = None) -> None:
    """Refuse a change that was asked for on an older slot map than there is (a double click, two people at once).

    A change of one slot names it as `slot`: what was changed at other slots only is no reason to refuse it.

    Raises
    ------
    StaleSlotMap
        With what changed meanwhile. None as `seen_version` asks for no check (imports, visits).
    """
    if seen_version is None or receiver.version == seen_version:
        return
    since = (
        ChangeRow.objects.filter(
            customer_id=receiver.customer_id, after__receiver=receiver.pk, after__version__gt=seen_version
        )
        .select_related("by")
        .order_by("-at", "-pk")
    )
    if slot is not None and _only_elsewhere(since, slot, seen_version, receiver.version):
        return
    raise StaleSlotMap(
        _(
            "This was changed after you opened the form, so nothing was saved. Look at what changed; then save again if yours is still right."
        ),
        list(since[:SHOWN_CHANGES]),
        receiver.version,
    )


def _only_elsewhere(since: QuerySet[ChangeRow], slot: int, seen_version: int, version: int) -> bool:
    """Whether every version since is told by the log, and each of its rows names other slots."""
    if not 0 < version - seen_version <= MOST_OVERTAKEN:
        return False
    told: set[int] = set()
    for row in since:
        told_by: tuple[dict[str, Any], ...] = (row.before or {}, row.after or {})
        named = {facts["slot"] for facts in told_by if "slot" in facts}
        if not named or slot in named:
            return False
        told.add(told_by[1]["version"])
    return told == set(range(seen_version + 1, version + 1))


def refuse_without_reason(reason: str) -> str:
    """Return the reason without blanks around it.

    Raises
    ------
    ReasonMissing
        If nothing is left.
    """
    if not reason.strip():
        raise ReasonMissing(_("Say in a few words why this is changed."))
    return reason.strip()


def touch(*receivers: Receiver) -> None:
    """Bump the version of locked receivers and tell who listens once the change is kept."""
    for receiver in receivers:
        receiver.version += 1
        receiver.save(update_fields=["version"])
    receiver_ids = [receiver.pk for receiver in receivers]
    site_ids = sorted({receiver.site_id for receiver in receivers})
    transaction.on_commit(
        lambda: slot_map_changed.send(sender=Receiver, receiver_ids=receiver_ids, site_ids=site_ids), robust=True
    )


REGISTRATION_FACTS = (
    "slot", "transmitter", "input_number", "is_shared", "label", "area", "duty", "is_portable", "supervision",
    "window_s", "interval_s", "contact", "note", "registered_at", "removed_at", "register_again_since",
)  # fmt: skip


def registration_facts(registration: Registration) -> dict[str, Any]:
    """One registration with its outputs, as the change log keeps it."""
    facts = facts_of(registration, *REGISTRATION_FACTS)
    facts["outputs"] = [
        [number, behaviour, seconds]
        for number, behaviour, seconds in registration.outputs.order_by("output__number").values_list(
            "output__number", "behaviour", "seconds"
        )
    ]
    return facts


def log(
    *,
    by: User,
    at: datetime,
    verb: str,
    subject: models.Model,
    receiver: Receiver,
    reason: str,
    before: dict[str, Any] | None = None,
    after: dict[str, Any] | None = None,
    entered_at: datetime | None = None,
) -> ChangeRow:
    """Write the change with the receiver and the version that it leads to, so that a stale form can be told what happened.

    `entered_at`, if known, is when somebody typed it in; `at` when it happened.
    """
    entered = {"recorded_at": entered_at.isoformat()} if entered_at else {}
    return record_change(
        by=by,
        at=at,
        verb=verb,
        subject=subject,
        customer_id=receiver.customer_id,
        before=before,
        after={**(after or {}), "receiver": receiver.pk, "version": receiver.version, **entered},
        reason=reason,
    )


def first_refusal(found: Iterable[Any]) -> str:
    """Join the texts of all problems that are not mere warnings."""
    return " ".join(problem.text for problem in found if not problem.is_warning)
