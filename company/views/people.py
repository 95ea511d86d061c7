"""Pages of people: who may sign in, invitations, leaving, lost second factors."""

from __future__ import annotations

from hashlib import sha256
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext, gettext_lazy, ngettext
from django.views.decorators.debug import sensitive_variables
from django.views.decorators.http import require_POST, require_safe

from company import invitations, toasts
from company.access import PersonRequest, audience
from company.actions import people as actions
from company.actions.password_links import hand_out_link
from company.errors import Refused
from company.forms import ReasonForm
from company.forms.people import PersonForm
from company.htmx import page, refused
from company.lists import ordered, page_of
from company.models import ChangeRow, PortalAccess, User
from company.sessions import sessions_of
from company.signals import person_leaving
from company.undo import may_undo
from company.views.forms_page import form_context, posted

EDIT = "company/people/edit.html"
ROLES = (
    (
        gettext_lazy("Office"),
        gettext_lazy("sees every customer; keeps sites, slots, rounds, reports and portal access."),
    ),
    (
        gettext_lazy("Office, manager"),
        gettext_lazy("also changes people, policy, prices and settings, and sees who was shown which code."),
    ),
    (
        gettext_lazy("Technician"),
        gettext_lazy("sees every site on the phone, records visits; codes only near a visit of their own."),
    ),
    (
        gettext_lazy("Customer portal"),
        gettext_lazy(
            "a customer's person: sees that customer's sites and reports, or some sites of it; asks for service."
        ),
    ),
)
"""What each kind of person may do, in words."""


@audience("office")
@require_safe
def person_list(request: PersonRequest) -> HttpResponse:
    words, works_in = request.GET.get("q", "").strip(), request.GET.get("audience", "")
    people = User.objects.visible_to(request.user).matching(words).for_list()
    if works_in in User.Audience.values:
        people = people.filter(audience=works_in)
    if is_invited := request.GET.get("invited") == "1":
        people = people.invited()
    people, sort = ordered(people, request, {"name": "name", "email": "email", "audience": "audience"}, default="name")
    rows = page_of(people, request)
    rows.object_list, now = list(rows.object_list), timezone.now()
    for person in rows.object_list:
        person.sign_in = sign_in_words(person, now)
    context = {
        "page": rows,
        "q": words,
        "audience": works_in,
        "is_invited": is_invited,
        "audiences": User.Audience.choices,
        "roles": ROLES,
        "sort": sort,
        "section": "firm",
    }
    return page(request, "company/people/list.html", context, part="rows")


def sign_in_words(person: User, now: Any) -> str:
    """How it stands with a person's signing in, in a few words."""
    if not person.is_active:
        return gettext("locked out")
    if person.last_login or person.invited_at is None:
        return gettext("signs in") if person.last_login else gettext("never signed in")
    days = (now - person.invited_at).days
    ago = gettext("today") if days < 1 else ngettext("%(n)s day ago", "%(n)s days ago", days) % {"n": days}
    if now - person.invited_at < invitations.lasts():
        return gettext("invited %(ago)s, not yet signed in") % {"ago": ago}
    return gettext("invited %(ago)s, not yet signed in; the link has run out") % {"ago": ago}


@audience("manager")
def person_new(request: PersonRequest) -> HttpResponse:
    form = PersonForm(posted(request), initial={"audience": "technician"})
    context = form_context(
        form, gettext("Invite a person"), "company:person_list", "firm", button=gettext("Invite")
    ) | {"roles": ROLES}
    context["lead"] = (
        gettext("They get a mail with a link to set a password.")
        if invitations.has_mail()
        else gettext("No mail server is set, so you are shown the link to pass on.")
    )
    template = "company/people/new.html"
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, template, context)
        person = actions.save_person(person=form.save(commit=False), by=request.user, at=timezone.now())
        return invite(request, person, person)
    return page(request, template, context)


@audience("manager")
def person_edit(request: PersonRequest, pk: int) -> HttpResponse:
    person = get_object_or_404(User.objects.visible_to(request.user), pk=pk)
    form = PersonForm(posted(request), instance=person)
    context = _edit_context(request, pk) | {"form": form}
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, EDIT, context)
        waits = _waiting(person, request.user) if "audience" in form.changed_data else []
        if waits and request.POST.get("sure") != _seal(waits):
            return refused(request, EDIT, context | {"waits": waits, "sure": _seal(waits)})
        try:
            saved = actions.save_person(
                person=form.save(commit=False), by=request.user, at=timezone.now(), drawn=form.drawn()
            )
        except Refused as refusal:
            return refused(request, EDIT, context | form.after(refusal))
        toasts.said(request, gettext("Saved."), undo_url=_undo_of_edit(request, saved))
        return redirect("company:person_list")
    return page(request, EDIT, context)


def _waiting(person: User, user: User) -> list[str]:
    """Sentences on what still counts on a person who is leaving their work."""
    said = person_leaving.send(sender=User, person=person, user=user)
    return [line for receiver, lines in said for line in lines or ()]


def _seal(lines: list[str]) -> str:
    """Stand for a list that was shown: who agreed to it has not agreed to a longer one."""
    return sha256("\n".join(lines).encode()).hexdigest()[:16]


def _undo_of_edit(request: PersonRequest, person: User) -> str:
    """Where to take the edit back; nothing for a manager who has just made themselves none."""
    rows = ChangeRow.objects.visible_to(request.user).about("user", person.pk)
    change = rows.filter(verb="save_person", by=request.user).first()
    by = person if person.pk == request.user.pk else request.user
    return reverse("company:change_undo", args=[change.pk]) if change and may_undo(change, by) else ""


def _edit_context(request: PersonRequest, pk: int) -> dict[str, Any]:
    # Read apart from the form's own instance, which already bears what was typed.
    person = get_object_or_404(User.objects.visible_to(request.user).for_list(), pk=pk)
    return {
        "person": person,
        "state": sign_in_words(person, timezone.now()),
        "sessions": sessions_of(person),
        "roles": ROLES,
        "access": PortalAccess.objects.visible_to(request.user).filter(user=person).select_related("customer"),
        "changes": ChangeRow.objects.visible_to(request.user).about("user", pk)[:20],
        "section": "firm",
    }


@audience("manager")
@require_POST
def person_invite(request: PersonRequest, pk: int) -> HttpResponse:
    person = get_object_or_404(User.objects.visible_to(request.user), pk=pk)
    return invite(request, person, person)


@sensitive_variables("link")
def invite(request: PersonRequest, person: User, back: Any) -> HttpResponse:
    """Invite a person and answer: with a redirect when the mail has gone, else with a page that shows the link once.

    Somebody who has signed in before gets a link for a forgotten password, where no mail server can send it.
    """
    is_known = person.last_login is not None
    try:
        if is_known:
            has_mail = invitations.has_mail()
            person = hand_out_link(person=person, by=request.user, at=timezone.now(), has_mail=has_mail)
        else:
            person = actions.invite_person(person=person, by=request.user, at=timezone.now())
    except Refused as refusal:
        messages.error(request, refusal.message)
        return redirect(back)
    link = invitations.link_for(person)
    if invitations.send(person, request.user, link):
        messages.success(request, gettext("A mail to set a password went to %(address)s.") % {"address": person.email})
        return redirect(back)
    context = {
        "person": person, "link": link, "has_mail": invitations.has_mail(), "n_days": invitations.lasts().days,
        "back": redirect(back).url, "section": "firm", "is_known": is_known,
    }  # fmt: skip
    response = page(request, "company/people/invited.html", context)
    response.headers["Cache-Control"] = "no-store"
    return response


@audience("manager")
@require_POST
def person_withdraw(request: PersonRequest, pk: int) -> HttpResponse:
    """Take an invitation back."""
    return _deed(request, pk, actions.withdraw_invitation, gettext("The invitation is taken back; its link is dead."))


@audience("manager")
def person_leave(request: PersonRequest, pk: int) -> HttpResponse:
    """Lock a person out, after saying what still waits for them."""
    person = get_object_or_404(User.objects.visible_to(request.user), pk=pk)
    lead = gettext("They are signed out everywhere at once. What they did stays on record under their name.")
    context = {"warnings": _waiting(person, request.user), "lead": lead, "danger": True}
    return _with_reason(
        request, person, gettext("%(person)s has left") % {"person": person.name}, gettext("Lock out"), context,
        actions.deactivate_person,
        gettext("%(person)s is locked out.") % {"person": person.name},
    )  # fmt: skip


@audience("manager")
@require_POST
def person_return(request: PersonRequest, pk: int) -> HttpResponse:
    """Let a person in again."""
    return _deed(request, pk, actions.reactivate_person, gettext("May sign in again."))


@audience("manager")
def person_factor(request: PersonRequest, pk: int) -> HttpResponse:
    """Take a lost second factor away."""
    person = get_object_or_404(User.objects.visible_to(request.user), pk=pk)
    lead = gettext(
        "Only when the phone or key is lost for good and no recovery code is left. Make sure that it is really "
        "%(person)s who asks: ring them on a number you know. They are signed out everywhere and set up a new one "
        "when they next sign in."
    ) % {"person": person.name}
    return _with_reason(
        request, person, gettext("Reset the second factor of %(person)s") % {"person": person.name}, gettext("Reset"),
        {"lead": lead, "danger": True}, actions.reset_second_factor, gettext("The second factor is taken away."),
    )  # fmt: skip


@audience("manager")
@require_POST
def person_sign_out(request: PersonRequest, pk: int) -> HttpResponse:
    """Sign a person out everywhere; one's own present session stays."""
    person = get_object_or_404(User.objects.visible_to(request.user), pk=pk)
    keep = request.session.session_key or "" if person.pk == request.user.pk else ""
    n_ended = actions.end_sessions(person=person, by=request.user, at=timezone.now(), keep_key=keep)
    messages.success(request, ngettext("%(n)s session ended.", "%(n)s sessions ended.", n_ended) % {"n": n_ended})
    return redirect(person)


def _deed(request: PersonRequest, pk: int, deed: Any, said: str) -> HttpResponse:
    person = get_object_or_404(User.objects.visible_to(request.user), pk=pk)
    try:
        deed(person=person, by=request.user, at=timezone.now())
    except Refused as refusal:
        messages.error(request, refusal.message)
    else:
        messages.success(request, f"{person.name}: {said[0].lower()}{said[1:]}")
    return redirect(person)


def _with_reason(
    request: PersonRequest, person: User, title: str, button: str, more: dict[str, Any], deed: Any, said: str
) -> HttpResponse:
    form = ReasonForm(posted(request))
    context = form_context(form, title, person, "firm", button=button) | more | {"person": person}
    template = "company/people/reason.html"
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, template, context)
        try:
            deed(person=person, by=request.user, at=timezone.now(), reason=form.cleaned_data["reason"])
        except Refused as refusal:
            return refused(request, template, context | {"refused": refusal.message})
        messages.success(request, said)
        return redirect(person)
    return page(request, template, context)
