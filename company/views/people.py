"""Pages of people: who may sign in, invitations, technicians' days."""

from __future__ import annotations

import logging
from smtplib import SMTPException

from allauth.account.forms import ResetPasswordForm
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from company import actions
from company.access import PersonRequest, audience
from company.errors import Refused
from company.forms import HoursForm, NewPersonForm, PersonForm, TechnicianForm
from company.htmx import page, refused
from company.lists import ordered, page_of
from company.models import ChangeRow, PortalAccess, Technician, User
from company.views.forms_page import FORM, form_context, posted

logger = logging.getLogger(__name__)


@audience("office")
@require_safe
def person_list(request: PersonRequest) -> HttpResponse:
    words, works_in = request.GET.get("q", "").strip(), request.GET.get("audience", "")
    people = User.objects.visible_to(request.user).matching(words)
    if works_in in User.Audience.values:
        people = people.filter(audience=works_in)
    people, sort = ordered(people, request, {"name": "name", "email": "email", "audience": "audience"}, default="name")
    context = {
        "page": page_of(people, request),
        "q": words,
        "audience": works_in,
        "audiences": User.Audience.choices,
        "sort": sort,
        "section": "firm",
    }
    return page(request, "company/people/list.html", context, part="rows")


@audience("manager")
def person_new(request: PersonRequest) -> HttpResponse:
    form = NewPersonForm(posted(request), initial={"audience": "technician"})
    context = form_context(form, "Invite a person", "company:person_list", "firm", button="Invite")
    context["lead"] = "They get a mail with a link to set a password."
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, FORM, context)
        person = actions.save_person(person=form.save(commit=False), by=request.user, at=timezone.now())
        invite(request, person)
        return redirect(person)
    return page(request, FORM, context)


@audience("manager")
def person_edit(request: PersonRequest, pk: int) -> HttpResponse:
    person = get_object_or_404(User.objects.visible_to(request.user), pk=pk)
    form = PersonForm(posted(request), instance=person)
    context = {
        "form": form,
        "person": get_object_or_404(User.objects.visible_to(request.user), pk=pk),
        "access": PortalAccess.objects.visible_to(request.user).filter(user=person).select_related("customer"),
        "changes": ChangeRow.objects.visible_to(request.user).about("user", pk)[:20],
        "section": "firm",
    }
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, "company/people/edit.html", context)
        try:
            actions.save_person(person=form.save(commit=False), by=request.user, at=timezone.now())
        except Refused as refusal:
            return refused(request, "company/people/edit.html", context | {"refused": refusal.message})
        messages.success(request, "Saved.")
        return redirect("company:person_list")
    return page(request, "company/people/edit.html", context)


@audience("manager")
@require_POST
def person_invite(request: PersonRequest, pk: int) -> HttpResponse:
    person = get_object_or_404(User.objects.visible_to(request.user), pk=pk, is_active=True)
    invite(request, person)
    return redirect(person)


@audience("manager")
def technician_edit(request: PersonRequest, pk: int) -> HttpResponse:
    person = get_object_or_404(User.objects.visible_to(request.user), pk=pk, audience=User.Audience.TECHNICIAN)
    technician = Technician.objects.visible_to(request.user).filter(user=person).first() or Technician(user=person)
    shifts = technician.shifts.all() if technician.pk else ()
    form = TechnicianForm(posted(request), instance=technician)
    hours = HoursForm(posted(request), spans={s.weekday: (s.begins, s.ends) for s in shifts})
    context = {"form": form, "hours": hours, "person": person, "section": "firm"}
    if request.method == "POST":
        if not (form.is_valid() & hours.is_valid()):
            return refused(request, "company/people/technician.html", context)
        actions.save_technician(
            technician=form.save(commit=False), hours=hours.spans(), by=request.user, at=timezone.now()
        )
        messages.success(request, "Saved.")
        return redirect(person)
    return page(request, "company/people/technician.html", context)


def invite(request: PersonRequest, person: User) -> None:
    """Send the mail with which a person sets their password. What was saved stays if the mail does not go."""
    form = ResetPasswordForm(data={"email": person.email})
    try:
        if form.is_valid():
            form.save(request)
    except (OSError, SMTPException):
        logger.exception("The invitation of user %s could not be sent.", person.pk)
        messages.error(request, f"{person.name} is saved, but the mail could not be sent. Send it again later.")
    else:
        messages.success(request, f"A mail to set a password went to {person.email}.")
