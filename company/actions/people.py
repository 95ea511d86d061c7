"""Every write of people: who may sign in, invitations, leaving, second factors, sessions, their own profile."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction

from company.actions.log import facts_of, record_change
from company.errors import Refused
from company.models import User


class LastManager(Refused):
    """Somebody must be able to change settings and people."""


PERSON_FACTS = ("email", "name", "phone", "audience", "is_manager", "is_active")


@transaction.atomic
def save_person(*, person: User, by: User | None, at: datetime, reason: str = "") -> User:
    """Add or change a person. Refused: taking the flag from, or locking out, the last manager (LastManager)."""
    before = None
    if person.pk:
        old = User.objects.select_for_update().get(pk=person.pk)
        before = facts_of(old, *PERSON_FACTS)
        loses = old.is_manager and old.is_active and not (person.is_manager and person.is_active)
        if loses and not User.objects.filter(is_manager=True, is_active=True).exclude(pk=person.pk).exists():
            raise LastManager("This is the last manager who can sign in. Make somebody else a manager first.")
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
    return person
