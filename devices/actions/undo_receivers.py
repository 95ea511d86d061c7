"""How changes of receivers, their outputs and the cells of a transmitter are taken back. Imported by `ready()`."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext as _

from company.actions import facts_of
from company.models import ChangeRow, User
from company.undo import CannotUndo, Undone, undoes
from devices.actions.fitting_corrections import take_back_fitting
from devices.actions.ledger import lock_receivers, touch
from devices.actions.receivers import OUTPUT_FACTS, RECEIVER_FACTS, _refuse_shrinking
from devices.models import Fitting, Output, Receiver, ReceiverType, Registration, RegistrationOutput


def _changed_names(change: ChangeRow, names: tuple[str, ...]) -> list[str]:
    before, after = change.before or {}, change.after or {}
    return [name for name in names if name in before and name in after and before[name] != after[name]]


def _put(record: models.Model, change: ChangeRow, names: list[str]) -> None:
    """Write the former values back.

    Raises
    ------
    CannotUndo
        If one of them is not what the change left: something else has written it since.
    """
    before, after = change.before or {}, change.after or {}
    now = facts_of(record, *names)
    for name in names:
        if now[name] != after[name]:
            raise CannotUndo(
                _("“%(name)s” was changed again since. Edit the record by hand.") % {"name": name.replace("_", " ")}
            )
        field: Any = record._meta.get_field(name)
        setattr(record, name, field.to_python(before[name]))


def _receiver_of(change: ChangeRow) -> Receiver:
    pk = change.subject_id if change.subject_kind == "receiver" else (change.after or {}).get("receiver")
    row = Receiver.objects.filter(pk=pk).first() if pk else None
    if row is None:
        raise CannotUndo(_("The receiver is not on record any more."))
    (fresh,) = lock_receivers(row)
    return fresh


def _with_version(facts: dict[str, Any], receiver: Receiver, at: datetime) -> dict[str, Any]:
    return facts | {"receiver": receiver.pk, "version": receiver.version, "recorded_at": at.isoformat()}


@undoes("edit_receiver", "remove_receiver", lock=_receiver_of)
def _unedit(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    receiver = _receiver_of(change)
    names = _changed_names(change, RECEIVER_FACTS)
    facts = facts_of(receiver, *RECEIVER_FACTS)
    if "type" in names:
        names.remove("type")
        receiver.type = _type_named((change.before or {}).get("type"))
    _put(receiver, change, names)
    _refuse_shrinking(receiver)
    twin = Receiver.objects.open().filter(site=receiver.site_id, label=receiver.label).exclude(pk=receiver.pk)
    if receiver.removed_at is None and twin.exists():
        raise CannotUndo(
            _("Another receiver at this site is called “%(receiver)s” by now. Rename that one first.")
            % {"receiver": receiver.label}
        )
    receiver.save()
    touch(receiver)
    return Undone(before=facts, after=_with_version(facts_of(receiver, *RECEIVER_FACTS), receiver, at))


def _type_named(words: str | None) -> ReceiverType | None:
    """The log keeps a type by its name; one name must mean one type."""
    if not words:
        return None
    found = [row for row in ReceiverType.objects.all() if str(row) == words]
    if len(found) != 1:
        raise CannotUndo(_("Which type the receiver had before is no longer certain. Choose it by hand."))
    return found[0]


@undoes("save_output", lock=_receiver_of)
def _unsave_output(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    receiver = _receiver_of(change)
    output = Output.objects.filter(pk=change.subject_id).first()
    if output is None:
        raise CannotUndo(_("The output is not on record any more."))
    facts = facts_of(output, *OUTPUT_FACTS)
    if change.before is None:
        if RegistrationOutput.objects.filter(output=output).exists():
            raise CannotUndo(_("Slots drive this output by now, so it stays. Set those slots differently first."))
        output.delete()
        touch(receiver)
        return Undone(before=facts, after=_with_version({}, receiver, at))
    _put(output, change, _changed_names(change, OUTPUT_FACTS))
    output.save()
    touch(receiver)
    return Undone(before=facts, after=_with_version(facts_of(output, *OUTPUT_FACTS), receiver, at))


@undoes("remove_output", lock=_receiver_of)
def _unremove_output(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    receiver = _receiver_of(change)
    facts = change.before or {}
    number = int(facts.get("number") or 0)
    if receiver.outputs.filter(number=number).exists():
        raise CannotUndo(_("Output %(number)s is on record again. Change that one instead.") % {"number": number})
    fields: dict[str, Any] = {
        name: Output._meta.get_field(name).to_python(facts[name])  # type: ignore[union-attr]
        for name in OUTPUT_FACTS
        if name in facts
    }
    output = Output.objects.create(customer_id=receiver.customer_id, receiver=receiver, **fields)
    touch(receiver)
    return Undone(after=_with_version(facts_of(output, *OUTPUT_FACTS), receiver, at))


def _cells(change: ChangeRow) -> Q:
    """Rows of the log about any cells of the same transmitter."""
    holder = Fitting.objects.filter(pk=change.subject_id).values("transmitter_id")
    return Q(subject_kind="fitting", subject_id__in=Fitting.objects.filter(transmitter__in=holder).values("pk"))


def _same_fitting(change: ChangeRow) -> list[ChangeRow]:
    """A transmitter of several receivers: one change of cells is logged on each."""
    same = ChangeRow.objects.filter(
        verb="fit_battery", subject_kind="fitting", subject_id=change.subject_id, at=change.at, by=change.by_id
    )
    return list(same.exclude(pk=change.pk))


@undoes("fit_battery", touched=_cells, companions=_same_fitting)
def _unfit(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    fitting = Fitting.objects.filter(pk=change.subject_id).first()
    if fitting is None:
        raise CannotUndo(_("These cells are not on record any more."))
    if Registration.objects.filter(entries__facts__fitting=fitting.pk, entries__is_withdrawn=False).exists():
        raise CannotUndo(_("This change of cells was recorded on a visit. Withdraw the entry there."))
    newest = ChangeRow.objects.order_by("-pk").values_list("pk", flat=True).first() or 0
    take_back_fitting(fitting=fitting, by=by, at=at, reason=change.reason or "taken back")
    # The action has logged it on every receiver; `undo` says it once more for each row it takes back, so those go.
    said = ChangeRow.objects.filter(pk__gt=newest, verb="take_back_fitting", subject_id=change.subject_id)
    after = {(row.after or {}).get("receiver"): row.after or {} for row in said}
    said.delete()
    others = {row.pk: after.get((row.after or {}).get("receiver"), {}) for row in _same_fitting(change)}
    return Undone(before=change.after, after=after.get((change.after or {}).get("receiver"), {}), others=others)
