"""Pages of the firm: letterhead, prices, policy."""

from __future__ import annotations

from django.conf import settings
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.http import require_safe

from company import actions
from company.access import PersonRequest, audience
from company.currencies import CURRENCIES
from company.errors import Refused
from company.forms.firm import FirmForm, PolicyForm, example
from company.htmx import page, refused
from company.models import ChangeRow, RiskPolicy, User
from company.models.firm import Duty
from company.toasts import said
from company.views.forms_page import FORM, form_context, posted

EDIT = "company/settings/edit.html"


@audience("office")
@require_safe
def settings_home(request: PersonRequest) -> HttpResponse:
    firm = actions.ensure_firm()
    policies = actions.ensure_policies()
    context = {
        "record": firm,
        "policies": [policies[duty] for duty in Duty.values],
        "changes": ChangeRow.objects.visible_to(request.user).of_settings()[:10],
        "language": dict(settings.LANGUAGES).get(firm.language, firm.language),
        "currency_name": CURRENCIES.get(firm.currency, ""),
        "today": example(timezone.localdate(), firm.date_style),
        "technicians": User.objects.visible_to(request.user).technicians(),
        "section": "firm",
    }
    return page(request, "company/settings/home.html", context)


@audience("manager")
def firm_edit(request: PersonRequest) -> HttpResponse:
    firm = actions.ensure_firm()
    form = FirmForm(posted(request), request.FILES or None, instance=firm, today=timezone.localdate())
    context = {"form": form, "has_logo": bool(firm.logo), "section": "firm"}
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, EDIT, context)
        try:
            actions.save_firm(
                firm=form.save(commit=False), seen=form.cleaned_data["seen"], logo=form.picture(), by=request.user,
                at=timezone.now(),
            )  # fmt: skip
        except Refused as refusal:
            return refused(request, EDIT, context | {"refused": refusal.message})
        said_with_undo(request, "firm", firm.pk, "Saved.")
        return redirect("company:settings_home")
    return page(request, EDIT, context)


def said_with_undo(request: PersonRequest, kind: str, pk: int, text: str) -> None:
    """Say that a setting is saved, with a button that takes the change back."""
    change = ChangeRow.objects.visible_to(request.user).about(kind, pk).first()
    said(request, text, undo_url=reverse("company:change_undo", args=[change.pk]) if change else "")


@audience("office", "technician", "portal")
@require_safe
def firm_logo(request: PersonRequest) -> HttpResponse:
    """Hand out the picture of the letterhead."""
    firm = actions.ensure_firm()
    if not firm.logo:
        raise Http404("The letterhead has no picture.")
    return HttpResponse(bytes(firm.logo), content_type=firm.logo_media_type)


@audience("manager")
def policy_edit(request: PersonRequest, duty: str) -> HttpResponse:
    actions.ensure_policies()
    policy = get_object_or_404(RiskPolicy.objects.visible_to(request.user), duty=duty)
    form = PolicyForm(posted(request), instance=policy)
    title = gettext("Policy: %(duty)s") % {"duty": policy.get_duty_display().lower()}
    context = form_context(form, title, "company:settings_home", "firm")
    context["lead"] = gettext(
        "How far a battery is let go before it is changed. These are the firm's own limits; when they are saved, every "
        "date is worked out anew in the background."
    )
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, FORM, context)
        typed = {name: form.cleaned_data[name] for name in ("reason", "seen")}
        try:
            actions.save_policy(policy=form.save(commit=False), by=request.user, at=timezone.now(), **typed)
        except actions.PolicyChangedSince:
            context["refused"] = gettext(
                "This policy was changed after you opened the page, so nothing was saved. "
                "Go back without saving, look at what stands now, then enter your figures again."
            )
            return refused(request, FORM, context)
        except Refused as error:
            return refused(request, FORM, context | {"refused": error.message})
        said_with_undo(request, "riskpolicy", policy.pk, gettext("Saved. Every date is being worked out anew."))
        return redirect("company:settings_home")
    return page(request, FORM, context)
