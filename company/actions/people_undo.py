"""How edits of people are taken back (see `company.undo`). Whether somebody may sign in, and with what, is never among them."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db.models import Q
from django.utils.translation import gettext as _

from company.access import MANAGER
from company.actions.log import facts_of
from company.actions.people import _refuse_last_manager
from company.models import ChangeRow, PortalAccess, User
from company.signals import person_leaving
from company.undo import CannotUndo, Undone, undoes

EDITS = ("save_person", "save_profile")
EDITED = ("email", "name", "phone", "audience", "is_manager")
"""What the edit of a person may change; passwords, second factors and locking out have actions of their own."""


def _edits(change: ChangeRow) -> Q:
    """Only a later edit rests on an edit: an invitation or a chosen look does not."""
    return Q(subject_kind=change.subject_kind, subject_id=change.subject_id, verb__in=EDITS)


@undoes(*EDITS, touched=_edits, audiences=(MANAGER,), offered=lambda change: bool(change.before))
def undo_person(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Give a person the name, address, telephone and role of before; nothing with which they sign in changes.

    Raises
    ------
    CannotUndo
        For a new person, for an address that somebody else has by now, for a role that portal access or a visit to
        come rests on.
    LastManager
        If nobody would be left who can change settings and people.
    """
    if not change.before:
        raise CannotUndo(_("A new person is not erased. Take their invitation back, or use “Has left”."))
    person = User.objects.select_for_update().filter(pk=change.subject_id).first()
    if person is None:
        raise CannotUndo(_("This person is not on record any more."))
    facts = facts_of(person, *EDITED)
    former = _former(change, facts)
    if person.is_manager and person.is_active and former.get("is_manager") is False:
        _refuse_last_manager(person)
    if "audience" in former:
        _refuse_work_waiting(person, by)
    if former.get("audience", User.Audience.PORTAL) != User.Audience.PORTAL:
        _refuse_access_given(person)
    for name, value in former.items():
        setattr(person, name, value)
    try:
        person.full_clean(exclude=["password"])
    except ValidationError as wrong:
        raise CannotUndo(_("It cannot be put back as it was: %(why)s") % {"why": " ".join(wrong.messages)}) from wrong
    person.save(update_fields=list(former))
    return Undone(facts, facts_of(person, *EDITED))


def _former(change: ChangeRow, now: dict[str, Any]) -> dict[str, Any]:
    """What the edit made different and nothing has changed since."""
    before, after = change.before or {}, change.after or {}
    former = {name: before[name] for name in EDITED if name in before and before[name] != after.get(name)}
    for name in former:
        if now[name] != after.get(name):
            raise CannotUndo(_("This was changed again since. Edit the person by hand."))
    return former


def _refuse_work_waiting(person: User, by: User) -> None:
    """The edit asks before it takes somebody from work that counts on them; taking back has no place to ask."""
    said = person_leaving.send(sender=User, person=person, user=by)
    lines = [line for receiver, lines in said for line in lines or ()]
    if lines:
        raise CannotUndo(
            _("Work still waits for %(person)s: %(first)s Or change where they work on their page.")
            % {"person": person.name, "first": lines[0]}
        )


def _refuse_access_given(person: User) -> None:
    access = PortalAccess.objects.filter(user=person).select_related("customer").first()
    if access is not None:
        raise CannotUndo(
            _("%(person)s sees %(customer)s in the portal. End that access first, then take this back.")
            % {"person": person.name, "customer": access.customer.name}
        )
