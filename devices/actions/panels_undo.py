"""How changes of panels are taken back (see company/undo.py). A key that was replaced is gone and does not come back."""

from __future__ import annotations

from datetime import datetime

from django.utils.translation import gettext as _

from company.access import OFFICE
from company.models import ChangeRow, User
from company.undo import CannotUndo, Undone, undoes
from devices.actions.panels import NumberTaken, locked, panel_facts, refuse_taken
from devices.models import PanelAccount, PanelStranger, Receiver


def _account(change: ChangeRow) -> PanelAccount:
    if not PanelAccount.objects.filter(pk=change.subject_id).exists():
        raise CannotUndo(_("The panel is not on record any more."))
    return locked(change.subject_id)


def _free(number: str, account: PanelAccount) -> None:
    try:
        refuse_taken(number, account.pk)
    except NumberTaken as why:
        raise CannotUndo(why.message) from why


@undoes("connect_panel", audiences=(OFFICE,))
def undo_connect(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """A panel just connected is closed; what it has sent stays on record."""
    account = _account(change)
    before = panel_facts(account)
    account.closed_at = at
    account.save(update_fields=["closed_at"])
    return Undone(before, panel_facts(account))


@undoes("change_panel", audiences=(OFFICE,))
def undo_change(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Number, receiver, zone of slot 1, supervision and note are the former ones again; the key stays as it is."""
    account, was = _account(change), change.before or {}
    before = panel_facts(account)
    _free(was["number"], account)
    account.receiver = Receiver.objects.filter(pk=was["receiver"]).first() if was["receiver"] else None
    for name in ("number", "slot_offset", "supervised_s", "note"):
        setattr(account, name, was[name])
    account.save(update_fields=["number", "receiver", "slot_offset", "supervised_s", "note"])
    return Undone(before, panel_facts(account))


@undoes("close_panel", "reopen_panel", audiences=(OFFICE,))
def undo_turn(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """A closed panel is in use again, one taken into use again is closed."""
    account = _account(change)
    before = panel_facts(account)
    if change.verb == "close_panel":
        _free(account.number, account)
        account.closed_at = None
    else:
        account.closed_at = at
    account.save(update_fields=["closed_at"])
    return Undone(before, panel_facts(account))


@undoes("dismiss_stranger", audiences=(OFFICE,))
def undo_dismiss(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """The unknown number stands in the list again."""
    if not PanelStranger.objects.filter(pk=change.subject_id).update(dismissed_at=None):
        raise CannotUndo(_("This number belongs to a panel by now."))
    return Undone(None, None)
