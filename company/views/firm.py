"""Pages of the firm: letterhead, prices, policy."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.http import require_safe

from company import actions
from company.access import PersonRequest, audience
from company.errors import Refused
from company.forms import FirmForm, PolicyForm
from company.htmx import page, refused
from company.models import ChangeRow, RiskPolicy
from company.models.firm import Duty
from company.views.forms_page import FORM, form_context, posted


@audience("office")
@require_safe
def settings_home(request: PersonRequest) -> HttpResponse:
    firm = actions.ensure_firm()
    policies = actions.ensure_policies()
    context = {
        "record": firm,
        "policies": [policies[duty] for duty in Duty.values],
        "changes": ChangeRow.objects.visible_to(request.user).of_settings()[:10],
        "section": "firm",
    }
    return page(request, "company/settings/home.html", context)


@audience("manager")
def firm_edit(request: PersonRequest) -> HttpResponse:
    firm = actions.ensure_firm()
    form = FirmForm(posted(request), instance=firm)
    context = form_context(form, "Letterhead and prices", "company:settings_home", "firm")
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, FORM, context)
        actions.save_firm(firm=form.save(commit=False), by=request.user, at=timezone.now())
        messages.success(request, "Saved.")
        return redirect("company:settings_home")
    return page(request, FORM, context)


@audience("manager")
def policy_edit(request: PersonRequest, duty: str) -> HttpResponse:
    actions.ensure_policies()
    policy = get_object_or_404(RiskPolicy.objects.visible_to(request.user), duty=duty)
    form = PolicyForm(posted(request), instance=policy)
    context = form_context(form, f"Policy: {policy.get_duty_display().lower()}", "company:settings_home", "firm")
    context["lead"] = (
        "How far a battery is let go before it is changed. These are the firm's own limits; when they are saved, every "
        "date is worked out anew in the background."
    )
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, FORM, context)
        said = {name: form.cleaned_data[name] for name in ("reason", "seen")}
        try:
            actions.save_policy(policy=form.save(commit=False), by=request.user, at=timezone.now(), **said)
        except actions.PolicyChangedSince:
            context["refused"] = (
                "This policy was changed after you opened the page, so nothing was saved. "
                "Go back without saving, look at what stands now, then enter your figures again."
            )
            return refused(request, FORM, context)
        except Refused as error:
            return refused(request, FORM, context | {"refused": error.message})
        messages.success(request, "Saved. Every date is being worked out anew.")
        return redirect("company:settings_home")
    return page(request, FORM, context)
