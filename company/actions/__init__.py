"""Every write of the firm's own records: here those of customers, beside it those of people, technicians and the firm."""

from __future__ import annotations

import hashlib
from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext

from company.actions.firm import (
    DEFAULT_POLICIES,
    FIRM_FACTS,
    POLICY_FACTS,
    FirmChangedSince,
    FirmUnchanged,
    PolicyChangedSince,
    PolicyUnchanged,
    ensure_firm,
    ensure_policies,
    save_firm,
    save_policy,
)
from company.actions.log import facts_of, record_change
from company.actions.people import PERSON_FACTS, LastManager, save_person
from company.actions.technicians import save_technician
from company.drawn import Drawn, refuse_overtaken
from company.errors import Refused
from company.models import Contact, Customer, PortalAccess, Upload, User

__all__ = [
    "DEFAULT_POLICIES", "FIRM_FACTS", "PERSON_FACTS", "POLICY_FACTS", "FirmChangedSince", "FirmUnchanged", "LastManager", "PolicyChangedSince",
    "PolicyUnchanged", "ensure_firm", "ensure_policies", "facts_of", "record_change", "save_firm", "save_person",
    "save_policy", "save_technician",
]  # fmt: skip


@transaction.atomic
def keep_upload(*, kind: str, name: str, content: bytes, by: User, at: datetime) -> Upload:
    """Keep a file byte for byte as it was handed in."""
    return Upload.objects.create(
        kind=kind, name=name[:200], sha256=hashlib.sha256(content).hexdigest(), content=content, by=by, at=at
    )


CUSTOMER_FACTS = ("code", "name", "language", "paper", "inspections_per_year", "response_hours", "note", "closed_at")


@transaction.atomic
def save_customer(
    *, customer: Customer, by: User, at: datetime, reason: str = "", drawn: Drawn | None = None
) -> Customer:
    """Add or change a customer. `drawn` is what the form was drawn from; refused where that has changed (Overtaken)."""
    rows = Customer.objects.select_for_update(no_key=True)
    old = rows.filter(pk=customer.pk).first() if customer.pk else None
    refuse_overtaken(drawn, old, customer)
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
        raise Refused(gettext("This customer is closed already."))
    customer.closed_at = at
    customer.save(update_fields=["closed_at"])
    record_change(by=by, at=at, verb="close_customer", subject=customer, customer=customer, reason=reason)
    return customer


@transaction.atomic
def save_contact(*, contact: Contact, by: User, at: datetime, drawn: Drawn | None = None) -> Contact:
    """Add or change a contact of a customer; `drawn` is what the form was drawn from.

    Refused: a new one that is on record word for word, and one that was changed after the form was drawn (Overtaken).
    """
    if contact.pk:
        stored = Contact.objects.select_for_update(no_key=True).filter(pk=contact.pk).first()
        refuse_overtaken(drawn, stored, contact)
    said = {name: getattr(contact, name) for name in ("name", "role", "email", "phone")}
    if contact.pk is None:
        # The customer is held until the end of the write, so that two presses of the button come one after the other.
        Customer.objects.select_for_update().filter(pk=contact.customer_id).first()
        if Contact.objects.filter(customer=contact.customer_id, **said).exists():
            raise Refused(gettext("This person is on record already, word for word. Nothing was saved a second time."))
    contact.full_clean()
    contact.save()
    record_change(by=by, at=at, verb="save_contact", subject=contact, customer=contact.customer)
    return contact


@transaction.atomic
def give_portal_access(*, user: User, customer: Customer, is_limited: bool, by: User, at: datetime) -> PortalAccess:
    """Let a portal user look at a customer. Refused for the firm's own people."""
    if not user.is_portal:
        raise Refused(
            gettext("%(user)s is not a portal user: only customers' people get portal access.") % {"user": user.name}
        )
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


@transaction.atomic
def reopen_customer(*, customer: Customer, by: User, at: datetime, reason: str) -> Customer:
    """Take a closed customer back; the portal shows their sites again."""
    if not customer.closed_at:
        raise Refused(gettext("This customer is not closed."))
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
