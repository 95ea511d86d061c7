"""Every write of people: who may sign in, invitations, leaving, second factors, sessions, their own profile."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from functools import partial

from allauth.mfa.models import Authenticator
from django.db import transaction
from django.utils.translation import gettext as _

from company import notices, sessions
from company.actions.log import facts_of, record_change
from company.drawn import Drawn, refuse_overtaken
from company.errors import Refused
from company.models import User


class OpenInvitation(Refused):
    """Only somebody who has never signed in has an invitation that can be taken back."""


class LastManager(Refused):
    """Somebody must be able to change settings and people."""


PERSON_FACTS = ("email", "name", "phone", "audience", "is_manager", "is_active")


def _refuse_last_manager(person: User) -> None:
    # All managers are locked in one order: two who take the flag from each other at once cannot both succeed.
    managers = list(User.objects.select_for_update().filter(is_manager=True, is_active=True).order_by("pk"))
    if all(manager.pk == person.pk for manager in managers):
        raise LastManager(_("This is the last manager who can sign in. Make somebody else a manager first."))


@transaction.atomic
def save_person(*, person: User, by: User | None, at: datetime, reason: str = "", drawn: Drawn | None = None) -> User:
    """Add or change a person; `drawn` is what the form was drawn from.

    A mail tells the old address of somebody who has signed in with it when another takes its place.
    Refused: a person who was changed after the form was drawn (Overtaken), taking the flag from the last manager
    (LastManager), and changing whether the person may sign in, which `deactivate_person` and `reactivate_person` do.
    """
    before, old_address = None, ""
    if person.pk:
        old = User.objects.select_for_update().get(pk=person.pk)
        refuse_overtaken(drawn, old, person)
        before, old_address = facts_of(old, *PERSON_FACTS), old.email if old.last_login else ""
        if old.is_active != person.is_active:
            raise Refused(_("Use “Has left” or “Let in again” to change whether a person may sign in."))
        if old.is_manager and old.is_active and not person.is_manager:
            _refuse_last_manager(person)
    else:
        person.set_unusable_password()
    person.email = person.email.strip().lower()
    person.full_clean(exclude=["password"])
    person.save()
    record_change(
        by=by,
        at=at,
        verb="save_person",
        subject=person,
        before=before,
        after=facts_of(person, *PERSON_FACTS),
        reason=reason,
    )
    if old_address and old_address.lower() != person.email:
        _after_commit(partial(notices.address_changed, person, old=old_address, by=by, at=at))
    return person


def _after_commit(mail: Callable[[], None]) -> None:
    """Mails go once the deed is done: a slow mail server holds no lock, and what is rolled back is not told."""
    transaction.on_commit(mail, robust=True)


# --- invitations ------------------------------------------------------------------------------------------------------


@transaction.atomic
def invite_person(*, person: User, by: User, at: datetime) -> User:
    """Note that a person is being asked to set a password; who sends the link is the caller's business.

    Refused for somebody who may not sign in, or has signed in before (they ask for a new password themselves).
    """
    person = User.objects.select_for_update().get(pk=person.pk)
    if not person.is_active:
        raise Refused(_("%(person)s may not sign in. Let them in again first.") % {"person": person.name})
    if person.last_login:
        raise Refused(
            _("%(person)s has signed in before. “Forgotten password” on the sign-in page does the same.")
            % {"person": person.name}
        )
    person.invited_at = at
    person.save(update_fields=["invited_at"])
    record_change(by=by, at=at, verb="invite_person", subject=person, after={"email": person.email})
    return person


@transaction.atomic
def withdraw_invitation(*, person: User, by: User, at: datetime) -> User:
    """Take an invitation back: its link is dead at once. Refused once the person has signed in (OpenInvitation)."""
    person = User.objects.select_for_update().get(pk=person.pk)
    if person.last_login or not person.is_active:
        raise OpenInvitation(
            _("%(person)s has no open invitation. To lock somebody out, use “Has left”.") % {"person": person.name}
        )
    if person.is_manager:
        _refuse_last_manager(person)
    # The key in the link is made from the password's digest: a new digest, and the link opens nothing.
    person.set_unusable_password()
    person.is_active, person.deactivated_at, person.invited_at = False, at, None
    person.save(update_fields=["password", "is_active", "deactivated_at", "invited_at"])
    sessions.end_all(person)
    record_change(by=by, at=at, verb="withdraw_invitation", subject=person, after={"is_active": False})
    return person


# --- leaving and coming back ------------------------------------------------------------------------------------------


@transaction.atomic
def deactivate_person(*, person: User, by: User, at: datetime, reason: str) -> User:
    """Lock a person out at once, on every device; what they did keeps their name.

    Refused: the last manager (LastManager), oneself, somebody who is locked out already.
    """
    person = User.objects.select_for_update().get(pk=person.pk)
    if not person.is_active:
        raise Refused(_("%(person)s is locked out already.") % {"person": person.name})
    if person.is_manager:
        _refuse_last_manager(person)
    if person.pk == by.pk:
        raise Refused(_("You cannot lock yourself out. Ask another manager to do it."))
    person.is_active, person.deactivated_at = False, at
    person.save(update_fields=["is_active", "deactivated_at"])
    n_ended = sessions.end_all(person)
    record_change(
        by=by, at=at, verb="deactivate_person", subject=person, before={"is_active": True},
        after={"is_active": False, "n_sessions_ended": n_ended}, reason=reason,
    )  # fmt: skip
    return person


@transaction.atomic
def reactivate_person(*, person: User, by: User, at: datetime, reason: str = "") -> User:
    """Let a person in again, with their old password and second factor. Refused when they are not locked out."""
    person = User.objects.select_for_update().get(pk=person.pk)
    if person.is_active:
        raise Refused(_("%(person)s may sign in already.") % {"person": person.name})
    person.is_active, person.deactivated_at = True, None
    person.save(update_fields=["is_active", "deactivated_at"])
    record_change(
        by=by, at=at, verb="reactivate_person", subject=person, before={"is_active": False}, after={"is_active": True},
        reason=reason,
    )  # fmt: skip
    return person


# --- second factor and sessions ---------------------------------------------------------------------------------------


@transaction.atomic
def reset_second_factor(*, person: User, by: User | None, at: datetime, reason: str) -> User:
    """Take a lost second factor away, with its recovery codes, and end every session: the next sign-in sets up a new one.

    The person gets a mail. `by` is None for whoever runs the installation. Refused: one's own (that is done on one's own page, after the
    password), and somebody without one.
    """
    person = User.objects.select_for_update().get(pk=person.pk)
    if by and person.pk == by.pk:
        raise Refused(_("Change your own second factor on your own page. If it is lost, ask another manager."))
    factors = Authenticator.objects.filter(user=person)
    kinds = sorted(set(factors.values_list("type", flat=True)))
    if not kinds:
        raise Refused(_("%(person)s has no second factor.") % {"person": person.name})
    factors.delete()
    n_ended = sessions.end_all(person)
    record_change(
        by=by, at=at, verb="reset_second_factor", subject=person, before={"kinds": kinds},
        after={"n_sessions_ended": n_ended}, reason=reason,
    )  # fmt: skip
    _after_commit(partial(notices.second_factor_reset, person, by=by, at=at))
    return person


@transaction.atomic
def end_sessions(*, person: User, by: User, at: datetime, keep_key: str = "", only: int | None = None) -> int:
    """Sign a person out: everywhere, everywhere but in the session of that key, or in `only` one (number of its row).

    Returns how many were ended. Refused: a session that is not this person's, or has ended.
    """
    if only is not None:
        n_ended = sessions.end_one(person, only)
        if not n_ended:
            raise Refused(_("That session has ended already."))
    else:
        n_ended = sessions.end_all(person, keep_key=keep_key)
    after = {"n_sessions_ended": n_ended} | ({"session": only} if only is not None else {})
    record_change(by=by, at=at, verb="end_sessions", subject=person, after=after)
    return n_ended


# --- one's own page ---------------------------------------------------------------------------------------------------


@transaction.atomic
def save_profile(*, person: User, name: str, phone: str, at: datetime) -> User:
    """Change one's own name and telephone number."""
    old = User.objects.select_for_update().get(pk=person.pk)
    before = facts_of(old, "name", "phone")
    old.name, old.phone = name.strip(), phone.strip()
    old.full_clean(exclude=["password"])
    old.save(update_fields=["name", "phone"])
    record_change(by=old, at=at, verb="save_profile", subject=old, before=before, after=facts_of(old, "name", "phone"))
    return old


@transaction.atomic
def save_theme(*, person: User, theme: str, at: datetime) -> User:
    """Choose light, dark or as the device says. Refused: any other word."""
    if theme not in dict(User._meta.get_field("theme").flatchoices):
        raise Refused(_("Choose light, dark, or as the device."))
    before = person.theme
    person.theme = theme
    person.save(update_fields=["theme"])
    record_change(by=person, at=at, verb="save_theme", subject=person, before={"look": before}, after={"look": theme})
    return person
