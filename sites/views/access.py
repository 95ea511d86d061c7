"""Pages of access notes (shown on asking only, every showing written down) and of what portal users may see."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.debug import sensitive_post_parameters, sensitive_variables
from django.views.decorators.http import require_POST, require_safe

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.lists import page_of
from company.models import PortalAccess
from company.spreadsheets import csv_bytes
from company.views.forms_page import FORM, form_context, posted
from sites import actions
from sites.actions import access_notes as note_actions
from sites.forms import PortalSitesForm
from sites.forms.access_notes import AccessNoteForm, LogFilter
from sites.models import AccessNote, AccessNoteShown, Site

SHOWN = "sites/access/shown.html"
LOG_HEAD = ("when", "time zone", "person", "address", "site", "customer", "kind", "note", "shown")


def _note(request: PersonRequest, pk: int) -> AccessNote:
    return get_object_or_404(AccessNote.objects.visible_to(request.user).select_related("site__customer"), pk=pk)


def _unkept(response: HttpResponse) -> HttpResponse:
    """Never kept by a browser or a proxy, not even for the way back."""
    response.headers["Cache-Control"] = "no-store"
    return response


@audience("office")
@require_safe
def access_notes(request: PersonRequest, site_pk: int) -> HttpResponse:
    """List the notes of one site, without what they say; what was shown on a page is replaced by it after a minute."""
    site = get_object_or_404(Site.objects.visible_to(request.user).select_related("customer"), pk=site_pk)
    notes = AccessNote.objects.visible_to(request.user).filter(site=site).for_list()
    return page(request, "sites/access/notes.html", {"site": site, "notes": notes, "section": "sites"}, part="rows")


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
    form = AccessNoteForm(posted(request), instance=note, site=site, for_user=request.user)
    title = gettext("Write the access note anew") if note else gettext("New access note")
    context = form_context(form, title, site, "sites", lead=str(site))
    if request.method == "POST":
        if not form.is_valid():
            return _unkept(refused(request, FORM, context))
        said = {name: form.cleaned_data[name] for name in ("title", "text", "kind", "centre")}
        seen = form.cleaned_data["seen"] if note else None
        try:
            note_actions.save_access_note(site=site, note=note, seen=seen, by=request.user, at=timezone.now(), **said)
        except Refused as refusal:
            return _unkept(refused(request, FORM, context | {"refused": refusal.message}))
        messages.success(request, gettext("Saved."))
        return redirect(site)
    return page(request, FORM, context)


@audience("office")
@require_POST
@sensitive_variables("text", "context")
def access_note_show(request: PersonRequest, pk: int) -> HttpResponse:
    """Show one note. It answers the POST itself and is never kept by a browser or a proxy."""
    note = _note(request, pk)
    context: dict[str, Any] = {"note": note, "site": note.site, "section": "sites"}
    try:
        text = note_actions.show_access_note(note=note, to=request.user, at=timezone.now())
    except Refused as refusal:
        return refused(request, SHOWN, context | {"refused": refusal.message}, part="note")
    context["text"] = text
    context["shown"] = AccessNoteShown.objects.visible_to(request.user).filter(note=note).newest()[:10]
    return _unkept(page(request, SHOWN, context, part="note"))


@audience("office")
@require_POST
def access_note_remove(request: PersonRequest, pk: int) -> HttpResponse:
    note = _note(request, pk)
    try:
        note_actions.remove_access_note(note=note, by=request.user, at=timezone.now())
    except Refused as refusal:
        messages.error(request, refusal.message)
    else:
        done = gettext("Removed: %(title)s. The code is gone; who saw it stays on record.") % {"title": note.title}
        messages.success(request, done)
    return redirect(note.site)


@audience("manager")
@require_safe
def access_log(request: PersonRequest) -> HttpResponse:
    """Who was shown which note, when and where from."""
    form, rows = _log(request)
    context = {"page": page_of(rows, request), "form": form, "section": "firm", "query": request.GET.urlencode()}
    return page(request, "sites/access/log.html", context, part="rows")


@audience("manager")
@require_safe
def access_log_csv(request: PersonRequest) -> HttpResponse:
    """Hand out the log as it is filtered on the page; it holds titles, never codes."""
    _, rows = _log(request)
    lines = (
        (
            f"{timezone.localtime(row.at, row.note.site.zone):%Y-%m-%d %H:%M}", row.note.site.time_zone, row.to.name,
            row.to.email, row.note.site.name, row.note.customer.name, row.note.get_kind_display(), row.note.title,
            f"visit {row.visit_id}" if row.visit_id else "office",
        )
        for row in rows.iterator(chunk_size=2000)
    )  # fmt: skip
    answer = HttpResponse(csv_bytes(LOG_HEAD, lines), content_type="text/csv; charset=utf-8")
    answer.headers["Content-Disposition"] = 'attachment; filename="access-log.csv"'
    return answer


def _log(request: PersonRequest) -> tuple[LogFilter, Any]:
    form = LogFilter(request.GET, for_user=request.user)
    form.is_valid()
    wanted = form.cleaned_data
    rows = AccessNoteShown.objects.visible_to(request.user).between(wanted.get("since"), wanted.get("until"))
    if wanted.get("person"):
        rows = rows.filter(to=wanted["person"])
    if wanted.get("site"):
        rows = rows.filter(note__site=wanted["site"])
    return form, rows.newest()


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
        messages.success(request, gettext("Saved."))
        return redirect(access.customer)
    return page(request, FORM, context)
