"""One's own page: name, look, password, second factor, where one is signed in."""

from __future__ import annotations

from allauth.mfa.utils import is_mfa_enabled
from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST, require_safe

from company.access import PersonRequest, audience
from company.actions import people as actions
from company.errors import Refused
from company.forms.people import ProfileForm, ThemeForm
from company.htmx import page, refused
from company.sessions import sessions_of, was_theirs
from company.views.forms_page import posted

PROFILE = "company/profile/page.html"


@audience("office", "technician", "portal")
def profile(request: PersonRequest) -> HttpResponse:
    form = ProfileForm(posted(request), initial={"name": request.user.name, "phone": request.user.phone})
    here = request.session.session_key or ""
    context = {
        "form": form,
        "theme_form": ThemeForm(instance=request.user),
        "has_factor": is_mfa_enabled(request.user),
        "n_sessions": len(sessions_of(request.user, here=here)),
    }
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, PROFILE, context)
        actions.save_profile(person=request.user, at=timezone.now(), **form.cleaned_data)
        messages.success(request, _("Saved."))
        return redirect("company:profile")
    return page(request, PROFILE, context)


@audience("office", "technician", "portal")
@require_POST
def theme_set(request: PersonRequest) -> HttpResponse:
    """Keep the look that was chosen."""
    try:
        actions.save_theme(person=request.user, theme=request.POST.get("theme", ""), at=timezone.now())
    except Refused as refusal:
        messages.error(request, refusal.message)
    else:
        messages.success(request, _("The look is kept."))
    return redirect("company:profile")


@audience("office", "technician", "portal")
@require_safe
def session_list(request: PersonRequest) -> HttpResponse:
    """Where one is signed in."""
    here = request.session.session_key or ""
    rows = sessions_of(request.user, here=here)
    context = {"sessions": rows, "n_others": sum(1 for row in rows if not row.is_here)}
    return page(request, "company/profile/sessions.html", context)


@audience("office", "technician", "portal")
@require_POST
def session_end(request: PersonRequest, pk: int) -> HttpResponse:
    """Sign out in one place."""
    if not was_theirs(request.user, pk):
        raise Http404
    try:
        actions.end_sessions(person=request.user, by=request.user, at=timezone.now(), only=pk)
    except Refused as refusal:
        messages.error(request, refusal.message)
    else:
        messages.success(request, _("Signed out there."))
    return redirect("company:session_list")


@audience("office", "technician", "portal")
@require_POST
def sessions_end_others(request: PersonRequest) -> HttpResponse:
    """Sign out everywhere but here."""
    here = request.session.session_key or ""
    n_ended = actions.end_sessions(person=request.user, by=request.user, at=timezone.now(), keep_key=here)
    done = ngettext("Signed out in %(n)s other place.", "Signed out in %(n)s other places.", n_ended)
    messages.success(request, done % {"n": n_ended})
    return redirect("company:session_list")
