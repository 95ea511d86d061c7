"""Pages of customers: their details, contacts and who sees them in the portal."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from company import actions
from company.access import PersonRequest, audience
from company.errors import Refused
from company.forms import ContactForm, CustomerForm, PortalAccessForm, PortalPersonForm, ReasonForm
from company.htmx import page, refused
from company.lists import ordered, page_of
from company.models import ChangeRow, Contact, Customer, PortalAccess, User
from company.views.forms_page import FORM, form_context, posted
from company.views.people import invite


@audience("office")
@require_safe
def customer_list(request: PersonRequest) -> HttpResponse:
    words, state = request.GET.get("q", "").strip(), request.GET.get("state", "")
    customers = Customer.objects.visible_to(request.user).matching(words)
    customers = customers.filter(closed_at__isnull=False) if state == "closed" else customers.current()
    columns = {"name": "name", "code": "code", "sites": "n_sites"}
    rows, sort = ordered(customers.for_list(), request, columns, default="name")
    context = {
        "page": page_of(rows, request),
        "q": words,
        "state": state,
        "sort": sort,
        "section": "sites",
    }
    return page(request, "company/customers/list.html", context, part="rows")


@audience("office")
def customer_new(request: PersonRequest) -> HttpResponse:
    form = CustomerForm(posted(request), initial={"paper": actions.ensure_firm().paper})
    context = form_context(form, _("New customer"), "company:customer_list", "sites")
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, FORM, context)
        customer = actions.save_customer(customer=form.save(commit=False), by=request.user, at=timezone.now())
        messages.success(request, _("%(customer)s is saved.") % {"customer": customer})
        return redirect(customer)
    return page(request, FORM, context)


@audience("office")
@require_safe
def customer_detail(request: PersonRequest, pk: int) -> HttpResponse:
    customer = get_object_or_404(Customer.objects.visible_to(request.user).for_list(), pk=pk)
    return page(request, "company/customers/detail.html", _customer(request, customer))


def _customer(request: PersonRequest, customer: Customer) -> dict[str, Any]:
    access = PortalAccess.objects.visible_to(request.user).filter(customer=customer).select_related("user")
    return {
        "customer": customer,
        "contacts": customer.contacts.order_by("name", "pk"),
        "access": access.order_by("user__name", "pk"),
        "access_form": PortalAccessForm(for_user=request.user),
        "person_form": PortalPersonForm(prefix="new"),
        "reason_form": ReasonForm(),
        "changes": ChangeRow.objects.visible_to(request.user).filter(customer=customer).newest()[:20],
        "section": "sites",
    }


@audience("office")
def customer_edit(request: PersonRequest, pk: int) -> HttpResponse:
    customer = get_object_or_404(Customer.objects.visible_to(request.user), pk=pk)
    form = CustomerForm(posted(request), instance=customer)
    context = form_context(form, _("Edit the customer"), customer, "sites")
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, FORM, context)
        try:
            actions.save_customer(
                customer=form.save(commit=False), by=request.user, at=timezone.now(), drawn=form.drawn()
            )
        except Refused as refusal:
            return refused(request, FORM, context | form.after(refusal))
        messages.success(request, _("Saved."))
        return redirect(customer)
    return page(request, FORM, context)


@audience("manager")
@require_POST
def customer_close(request: PersonRequest, pk: int) -> HttpResponse:
    """Close the customer, or take it back if it is closed."""
    customer = get_object_or_404(Customer.objects.visible_to(request.user).for_list(), pk=pk)
    form = ReasonForm(request.POST)
    if not form.is_valid():
        context = _customer(request, customer) | {"reason_form": form}
        return refused(request, "company/customers/detail.html", context)
    deed = actions.reopen_customer if customer.closed_at else actions.close_customer
    deed(customer=customer, by=request.user, at=timezone.now(), reason=form.cleaned_data["reason"])
    done = _("%(customer)s is closed.") if customer.closed_at else _("%(customer)s is open again.")
    messages.success(request, done % {"customer": customer})
    return redirect(customer)


@audience("office")
def contact_new(request: PersonRequest, customer_pk: int) -> HttpResponse:
    customer = get_object_or_404(Customer.objects.visible_to(request.user), pk=customer_pk)
    return _contact(request, Contact(customer=customer), _("New contact"))


@audience("office")
def contact_edit(request: PersonRequest, pk: int) -> HttpResponse:
    contact = get_object_or_404(Contact.objects.visible_to(request.user).select_related("customer"), pk=pk)
    return _contact(request, contact, _("Edit the contact"))


def _contact(request: PersonRequest, contact: Contact, title: str) -> HttpResponse:
    form = ContactForm(posted(request), instance=contact)
    context = form_context(form, title, contact.customer, "sites")
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, FORM, context)
        try:
            actions.save_contact(
                contact=form.save(commit=False), by=request.user, at=timezone.now(), drawn=form.drawn()
            )
        except Refused as refusal:
            return refused(request, FORM, context | form.after(refusal))
        messages.success(request, _("Saved."))
        return redirect(contact.customer)
    return page(request, FORM, context)


@audience("office")
@require_POST
def contact_remove(request: PersonRequest, pk: int) -> HttpResponse:
    contact = get_object_or_404(Contact.objects.visible_to(request.user).select_related("customer"), pk=pk)
    customer, name = contact.customer, contact.name
    actions.remove_contact(contact=contact, by=request.user, at=timezone.now())
    messages.success(request, _("%(name)s is no longer a contact.") % {"name": name})
    return redirect(customer)


@audience("office")
@require_POST
def access_give(request: PersonRequest, customer_pk: int) -> HttpResponse:
    """Let a person see this customer in the portal: one who is known, or a new one who is invited."""
    customer = get_object_or_404(Customer.objects.visible_to(request.user).for_list(), pk=customer_pk)
    is_new = "new-email" in request.POST
    new_form = PortalPersonForm(request.POST if is_new else None, prefix="new")
    known_form = PortalAccessForm(None if is_new else request.POST, for_user=request.user)
    form: PortalPersonForm | PortalAccessForm = new_form if is_new else known_form
    if not form.is_valid():
        context = _customer(request, customer) | {"person_form": new_form, "access_form": known_form}
        return refused(request, "company/customers/detail.html", context)
    now, limited = timezone.now(), form.cleaned_data["is_limited"]
    with transaction.atomic():
        if is_new:
            person = new_form.save(commit=False)
            person.audience = User.Audience.PORTAL
            person = actions.save_person(person=person, by=request.user, at=now)
        else:
            person = known_form.cleaned_data["user"]
        actions.give_portal_access(user=person, customer=customer, is_limited=limited, by=request.user, at=now)
    done = (
        _("%(person)s can see some sites of %(customer)s.")
        if limited
        else _("%(person)s can see all sites of %(customer)s.")
    )
    messages.success(request, done % {"person": person.name, "customer": customer})
    return invite(request, person, customer) if is_new else redirect(customer)


@audience("office")
@require_POST
def access_end(request: PersonRequest, pk: int) -> HttpResponse:
    rows = PortalAccess.objects.visible_to(request.user).select_related("customer", "user")
    access = get_object_or_404(rows, pk=pk)
    customer, name = access.customer, access.user.name
    actions.end_portal_access(access=access, by=request.user, at=timezone.now())
    messages.success(request, _("%(name)s no longer sees %(customer)s.") % {"name": name, "customer": customer})
    return redirect(customer)
