"""Pages of access notes (shown on asking only, every showing written down) and of what portal users may see."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.debug import sensitive_post_parameters, sensitive_variables
from django.views.decorators.http import require_POST

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.models import PortalAccess
from company.views.forms_page import FORM, form_context, posted
from sites import actions
from sites.forms import AccessNoteForm, PortalSitesForm
from sites.models import AccessNote, AccessNoteShown, Site


def _note(request: PersonRequest, pk: int) -> AccessNote:
    return get_object_or_404(AccessNote.objects.visible_to(request.user).select_related("site__customer"), pk=pk)


@audience("office")
@sensitive_post_parameters("text")
def access_note_new(request: PersonRequest, site_pk: int) -> HttpResponse:
    site = get_object_or_404(Site.objects.visible_to(request.user), pk=site_pk)
    return _edit(request, site, None)


@audience("office")
@sensitive_post_parameters("text")
def access_note_edit(request: PersonRequest, pk: int) -> HttpResponse:
    """Write a note anew. The old text is not shown here: that would be a showing nobody asked for."""
    note = _note(request, pk)
    return _edit(request, note.site, note)


def _edit(request: PersonRequest, site: Site, note: AccessNote | None) -> HttpResponse:
    form = AccessNoteForm(posted(request), instance=note)
    title = "Write the access note anew" if note else "New access note"
    context = form_context(form, title, site, "sites", lead=str(site))
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, FORM, context)
        cleaned = form.cleaned_data
        actions.save_access_note(
            site=site, note=note, title=cleaned["title"], text=cleaned["text"], by=request.user, at=timezone.now()
        )
        messages.success(request, "Saved.")
        return redirect(site)
    return page(request, FORM, context)


@audience("office")
@require_POST
@sensitive_variables("text")
def access_note_show(request: PersonRequest, pk: int) -> HttpResponse:
    """Show one note. It answers the POST itself and is never kept by a browser or a proxy."""
    note = _note(request, pk)
    context = {"note": note, "site": note.site, "section": "sites"}
    try:
        text = actions.show_access_note(note=note, to=request.user, at=timezone.now())
    except Refused as refusal:
        return refused(request, "sites/site/access_note.html", context | {"refused": refusal.message}, part="note")
    context["text"] = text
    shown = AccessNoteShown.objects.visible_to(request.user).filter(note=note).select_related("to")
    context["shown"] = shown.order_by("-at", "-pk")[:10]
    response = page(request, "sites/site/access_note.html", context, part="note")
    response.headers["Cache-Control"] = "no-store"
    return response


@audience("office")
@require_POST
def access_note_remove(request: PersonRequest, pk: int) -> HttpResponse:
    note = _note(request, pk)
    site, title = note.site, note.title
    actions.remove_place_row(row=note, by=request.user, at=timezone.now())
    messages.success(request, f"Removed: {title}.")
    return redirect(site)


@audience("office")
def portal_sites(request: PersonRequest, access_pk: int) -> HttpResponse:
    """Choose the sites that a limited portal access includes."""
    rows = PortalAccess.objects.visible_to(request.user).select_related("customer", "user")
    access = get_object_or_404(rows, pk=access_pk, is_limited=True)
    form = PortalSitesForm(posted(request), access=access, for_user=request.user)
    title = f"What {access.user.name} sees of {access.customer}"
    context = form_context(form, title, access.customer, "sites")
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, FORM, context)
        actions.set_portal_sites(access=access, sites=form.cleaned_data["sites"], by=request.user, at=timezone.now())
        messages.success(request, "Saved.")
        return redirect(access.customer)
    return page(request, FORM, context)
