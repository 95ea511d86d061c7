"""How a receiver that was added by mistake is taken back: off the records, while nothing else speaks of it.

Imported by the app's `ready()`.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from django.apps import apps
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext as _

from company.actions import facts_of
from company.models import ChangeRow, User
from company.undo import CannotUndo, Undone, undoes
from devices.actions.ledger import lock_all, lock_receivers
from devices.actions.receivers import RECEIVER_FACTS
from devices.models import Away, Output, Receiver, Registration
from devices.rules.slot_life import never_stood

# Worked out from the records, so not somebody's doing: they go with what they were worked out from.
DERIVED = ("maintenance.DueItem", "maintenance.FindingRecord")
GOES_ALONG = (*DERIVED, "devices.Output", "devices.RegistrationOutput", "devices.Away")


def _of_it(change: ChangeRow) -> Q:
    """Whatever was logged on it later, a slot or an output, rests on it."""
    return Q(after__receiver=change.subject_id) | Q(subject_kind="receiver", subject_id=change.subject_id)


def _lock(change: ChangeRow) -> Receiver:
    row = Receiver.objects.filter(pk=change.subject_id).first()
    if row is None:
        raise CannotUndo(_("The receiver is not on record any more."))
    (fresh,) = lock_receivers(row)
    return fresh


@undoes("add_receiver", touched=_of_it, lock=_lock)
def undo_new_receiver(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """The receiver goes with its outputs, and with slots that were filled and taken back on their day.

    Raises
    ------
    CannotUndo
        If a transmitter ever stood in it, or anything else speaks of it. It is taken down instead; its history stays.
    """
    receiver = _lock(change)
    facts = facts_of(receiver, *RECEIVER_FACTS) | {"site": receiver.site_id}
    slips = list(Registration.objects.filter(receiver=receiver).order_by("slot"))
    _refuse_in_use(slips)
    _refuse_spoken_of(receiver, slips)
    lock_all((), [row.transmitter_id for row in slips if row.transmitter_id is not None])
    keys = [row.pk for row in slips]
    for label in DERIVED:
        derived = apps.get_model(label)
        derived._base_manager.filter(Q(receiver=receiver) | _about(derived, keys)).delete()
    Away.objects.filter(registration__in=keys).delete()
    Registration.objects.filter(pk__in=keys).delete()
    Output.objects.filter(receiver=receiver).delete()
    receiver.delete()
    return Undone(before=facts)


def _about(derived: Any, keys: Iterable[int]) -> Q:
    names = {field.name for field in derived._meta.get_fields()}
    return Q(registration__in=keys) if "registration" in names else Q(pk__in=[])


def _refuse_in_use(slips: Iterable[Registration]) -> None:
    for row in slips:
        if not never_stood(row.registered_at, row.removed_at):
            raise CannotUndo(
                _("Slot %(slot)d of it has been in use, so the receiver stays on record. Take it down instead.")
                % {"slot": row.slot}
            )


def _refuse_spoken_of(receiver: Receiver, slips: list[Registration]) -> None:
    """Look at every table that can point at the receiver or at what goes with it."""
    known = {"devices.Registration": {row.pk for row in slips}}
    goes: list[tuple[type[models.Model], list[int]]] = [
        (Receiver, [receiver.pk]), (Registration, sorted(known["devices.Registration"])),
    ]  # fmt: skip
    for model, keys in goes:
        for relation in model._meta.get_fields(include_hidden=True):
            if not relation.auto_created or relation.concrete or not (relation.one_to_many or relation.one_to_one):
                continue
            other: Any = relation.related_model
            label = other._meta.label
            if label in GOES_ALONG:
                continue
            rows = other._base_manager.filter(**{f"{relation.field.name}__in": keys})  # type: ignore[union-attr]
            row = rows.exclude(pk__in=known.get(label, ())).first()
            if row is not None:
                kind = str(other._meta.verbose_name)
                raise CannotUndo(
                    _("%(kind)s “%(record)s” rests on it, so the receiver stays on record. Take it down instead.")
                    % {"kind": kind[:1].upper() + kind[1:], "record": row}
                )
