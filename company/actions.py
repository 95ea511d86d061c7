"""Every write of the firm's own records."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import datetime, time
from typing import Any
from uuid import UUID

from django.db import models, transaction

from company.errors import Refused
from company.models import (
    ChangeRow,
    Contact,
    Customer,
    Firm,
    PortalAccess,
    RiskPolicy,
    Technician,
    TechnicianShift,
    Upload,
    User,
)
from company.signals import policy_changed


class LastManager(Refused):
    """Somebody must be able to change settings and people."""


class PolicyChangedSince(Refused):
    """Two people changing one policy at once must not undo each other unseen."""


class PolicyUnchanged(Refused):
    """A save that changes nothing leaves no row in the history and moves no date."""


def record_change(
    *,
    by: User | None,
    at: datetime,
    verb: str,
    subject: models.Model,
    customer: Customer | None = None,
    customer_id: int | None = None,
    before: dict[str, Any] | None = None,
    after: dict[str, Any] | None = None,
    reason: str = "",
    batch: UUID | None = None,
    undoes: ChangeRow | None = None,
) -> ChangeRow:
    """Write one row of the change log. Every action that changes a record calls this in its transaction.

    `batch` is one number for everything changed in one go; `undoes` names the change that this one takes back.
    """
    return ChangeRow.objects.create(
        at=at,
        by=by,
        customer_id=customer.pk if customer else customer_id,
        verb=verb,
        subject_kind=subject._meta.model_name or "",
        subject_id=subject.pk,
        subject_text=str(subject)[:200],
        before=before,
        after=after,
        reason=reason[:300],
        batch=batch,
        undoes=undoes,
    )


def facts_of(record: models.Model, *names: str) -> dict[str, Any]:
    """Field values of a record as JSON can hold them (dates as ISO text)."""
    facts: dict[str, Any] = {}
    for name in names:
        value = getattr(record, name)
        if isinstance(value, models.Model):
            value = str(value)
        elif value is not None and not isinstance(value, (bool, int, float, str, list, dict)):
            value = value.isoformat() if hasattr(value, "isoformat") else str(value)
        facts[name] = value
    return facts


def ensure_firm() -> Firm:
    """The firm's one row, made with defaults if it is not there yet."""
    firm, _ = Firm.objects.get_or_create(pk=1)
    return firm


DEFAULT_POLICIES: dict[str, dict[str, Any]] = {
    # Shares, grace and caps are the project's own suggestion until a manager sets them (no standard's figures).
    "life_safety": {
        "p_dead": 0.01,
        "p_call": 0.10,
        "grace_days": 7,
        "calendar_cap_days": 1461,
        "longest_window_s": 14400,
    },
    "security": {
        "p_dead": 0.03,
        "p_call": 0.15,
        "grace_days": 14,
        "calendar_cap_days": 1826,
        "longest_window_s": 43200,
    },
    "convenience": {
        "p_dead": 0.06,
        "p_call": 0.25,
        "grace_days": 14,
        "calendar_cap_days": 2557,
        "longest_window_s": None,
    },
}


def ensure_policies() -> dict[str, RiskPolicy]:
    """One policy row per duty class, made with our own suggestion where none is."""
    have = {policy.duty: policy for policy in RiskPolicy.objects.all()}
    for duty, numbers in DEFAULT_POLICIES.items():
        if duty not in have:
            have[duty], _ = RiskPolicy.objects.get_or_create(duty=duty, defaults=numbers)
    return have


@transaction.atomic
def keep_upload(*, kind: str, name: str, content: bytes, by: User, at: datetime) -> Upload:
    """Keep a file byte for byte as it was handed in."""
    return Upload.objects.create(
        kind=kind, name=name[:200], sha256=hashlib.sha256(content).hexdigest(), content=content, by=by, at=at
    )


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


CUSTOMER_FACTS = ("code", "name", "language", "paper", "inspections_per_year", "response_hours", "note", "closed_at")


@transaction.atomic
def save_customer(*, customer: Customer, by: User, at: datetime, reason: str = "") -> Customer:
    """Add or change a customer."""
    old = Customer.objects.filter(pk=customer.pk).first() if customer.pk else None
    customer.full_clean()
    customer.save()
    record_change(
        by=by,
        at=at,
        verb="save_customer",
        subject=customer,
        customer=customer,
        before=facts_of(old, *CUSTOMER_FACTS) if old else None,
        after=facts_of(customer, *CUSTOMER_FACTS),
        reason=reason,
    )
    return customer


@transaction.atomic
def close_customer(*, customer: Customer, by: User, at: datetime, reason: str) -> Customer:
    """Close a customer: the records stay, the portal shows nothing any more."""
    if customer.closed_at:
        raise Refused("This customer is closed already.")
    customer.closed_at = at
    customer.save(update_fields=["closed_at"])
    record_change(by=by, at=at, verb="close_customer", subject=customer, customer=customer, reason=reason)
    return customer


@transaction.atomic
def save_contact(*, contact: Contact, by: User, at: datetime) -> Contact:
    """Add or change a contact of a customer."""
    contact.full_clean()
    contact.save()
    record_change(by=by, at=at, verb="save_contact", subject=contact, customer=contact.customer)
    return contact


@transaction.atomic
def give_portal_access(*, user: User, customer: Customer, is_limited: bool, by: User, at: datetime) -> PortalAccess:
    """Let a portal user look at a customer. Refused for the firm's own people."""
    if not user.is_portal:
        raise Refused(f"{user.name} is not a portal user: only customers' people get portal access.")
    access, _ = PortalAccess.objects.update_or_create(
        user=user, customer=customer, defaults={"is_limited": is_limited, "given_at": at}
    )
    record_change(
        by=by, at=at, verb="give_portal_access", subject=access, customer=customer, after={"is_limited": is_limited}
    )
    return access


@transaction.atomic
def end_portal_access(*, access: PortalAccess, by: User, at: datetime, reason: str = "") -> None:
    """Take portal access away at once."""
    record_change(
        by=by,
        at=at,
        verb="end_portal_access",
        subject=access,
        customer=access.customer,
        before={"user": access.user.email},
        reason=reason,
    )
    access.delete()


FIRM_FACTS = (
    "name",
    "address",
    "phone",
    "email",
    "paper",
    "cost_per_hour",
    "cost_per_km",
    "cost_per_callout",
    "currency",
    "notes_on_phones",
)


@transaction.atomic
def save_firm(*, firm: Firm, by: User, at: datetime) -> Firm:
    """Change the firm's letterhead and prices."""
    old = Firm.objects.select_for_update().get(pk=firm.pk)
    firm.full_clean()
    firm.save()
    record_change(
        by=by,
        at=at,
        verb="save_firm",
        subject=firm,
        before=facts_of(old, *FIRM_FACTS),
        after=facts_of(firm, *FIRM_FACTS),
    )
    return firm


POLICY_FACTS = ("duty", "p_dead", "p_call", "grace_days", "calendar_cap_days", "longest_window_s", "source_note")


@transaction.atomic
def save_policy(*, policy: RiskPolicy, by: User, at: datetime, reason: str = "", seen: str | None = None) -> RiskPolicy:
    """Change how far batteries of one duty class are let go; the due dates are worked out anew in the background.

    `seen` is `RiskPolicy.seen` of the row that the figures were entered against; None leaves the question out.
    Refused: a row that was changed since (PolicyChangedSince), values that are those stored (PolicyUnchanged), and
    more found dead than may end at all.
    """
    old = RiskPolicy.objects.select_for_update().get(pk=policy.pk)
    if seen is not None and seen != old.seen:
        raise PolicyChangedSince(
            "This policy was changed after you opened the page, so nothing was saved. Look again, then choose."
        )
    if policy.seen == old.seen:
        raise PolicyUnchanged("These are the present figures, so there is nothing to change.")
    if policy.p_dead > policy.p_call:
        raise Refused("The share found dead cannot be above the share that signals low: enter a smaller one.")
    policy.full_clean()
    policy.save()
    record_change(
        by=by,
        at=at,
        verb="save_policy",
        subject=policy,
        before=facts_of(old, *POLICY_FACTS),
        after=facts_of(policy, *POLICY_FACTS),
        reason=reason,
    )
    transaction.on_commit(lambda: policy_changed.send(sender=RiskPolicy, duty=policy.duty, at=at, by=by))
    return policy


@transaction.atomic
def reopen_customer(*, customer: Customer, by: User, at: datetime, reason: str) -> Customer:
    """Take a closed customer back; the portal shows their sites again."""
    if not customer.closed_at:
        raise Refused("This customer is not closed.")
    customer.closed_at = None
    customer.save(update_fields=["closed_at"])
    record_change(by=by, at=at, verb="reopen_customer", subject=customer, customer=customer, reason=reason)
    return customer


@transaction.atomic
def remove_contact(*, contact: Contact, by: User, at: datetime) -> None:
    """Take a contact out; the change log keeps who it was."""
    before = facts_of(contact, "name", "role", "email", "phone")
    record_change(by=by, at=at, verb="remove_contact", subject=contact, customer=contact.customer, before=before)
    contact.delete()


@transaction.atomic
def save_technician(
    *, technician: Technician, hours: Mapping[int, tuple[time, time] | None], by: User, at: datetime
) -> Technician:
    """Say where a technician's day begins and ends, and the working hours per weekday (0 = Monday; None: not at work).

    Refused for a person who is no technician.
    """
    if not technician.user.is_technician:
        raise Refused(f"{technician.user.name} is no technician.")
    technician.full_clean()
    technician.save()
    for weekday in range(7):
        span = hours.get(weekday)
        if span is None:
            technician.shifts.filter(weekday=weekday).delete()
        else:
            TechnicianShift.objects.update_or_create(
                technician=technician, weekday=weekday, defaults={"begins": span[0], "ends": span[1]}
            )
    record_change(
        by=by,
        at=at,
        verb="save_technician",
        subject=technician,
        after=facts_of(technician, "start_place", "end_place", "skills")
        | {"hours": {str(day): [f"{t:%H:%M}" for t in span] for day, span in hours.items() if span}},
    )
    return technician
