"""Pages of mails about faults: who gets which, the log of mails, trying them."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from company import toasts
from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.invitations import has_mail
from company.lists import page_of
from company.models import ChangeRow
from company.views.forms_page import posted
from devices.models import Fault
from maintenance.actions import notice_rules as rules
from maintenance.actions.notices import MOST_ATTEMPTS, try_again
from maintenance.forms.notices import NoticeRuleForm, OfferForm
from maintenance.models import FaultNotice, NoticeRule
from maintenance.querysets import notices as read
from maintenance.querysets.faults import for_lines
from maintenance.rules.notice_words import OFFERS, rule_words
from maintenance.views.faults_shown import shown
from maintenance.views.mail_health import mail_health
from maintenance.views.notice_cover import cover_of

STATES = (("", gettext_lazy("Every state")), *FaultNotice.State.choices)
FORM = "maintenance/notices/form.html"
RULES = "maintenance/notices/rules.html"


# --- the log --------------------------------------------------------------------------------------------------------------


@audience("office")
@require_safe
def notice_list(request: PersonRequest) -> HttpResponse:
    state = request.GET.get("state", "") if request.GET.get("state", "") in dict(STATES) else ""
    rows = read.for_log(FaultNotice.objects.visible_to(request.user))
    rows = rows.filter(state=state) if state else rows
    context = {
        "page": page_of(read.with_numbers(rows), request, 50), "state": state, "states": STATES, "has_mail": has_mail(),
        "section": "checkins", "most": MOST_ATTEMPTS, "mails": mail_health(request, timezone.now()),
        "n_rules": NoticeRule.objects.visible_to(request.user).filter(is_active=True).count(),
    }  # fmt: skip
    return page(request, "maintenance/notices/list.html", context, part="rows")


@audience("office")
@require_safe
def notice_detail(request: PersonRequest, uuid: Any) -> HttpResponse:
    notice = get_object_or_404(read.for_log(FaultNotice.objects.visible_to(request.user)), uuid=uuid)
    now = timezone.now()
    faults = for_lines(Fault.objects.visible_to(request.user).filter(notices__notice=notice)).order_by("pk")
    context = {
        "notice": notice, "lines": [shown(fault, request, now) for fault in faults], "has_mail": has_mail(),
        "section": "checkins", "words": rules.words_of(notice.rule),
    }  # fmt: skip
    return page(request, "maintenance/notices/detail.html", context)


@audience("office")
@require_POST
def notice_again(request: PersonRequest, uuid: Any) -> HttpResponse:
    notice = get_object_or_404(FaultNotice.objects.visible_to(request.user), uuid=uuid)
    try:
        try_again(notice=notice, by=request.user, at=timezone.now())
    except Refused as why:
        messages.warning(request, str(why))
    else:
        messages.success(request, gettext("The mail is tried again within a minute."))
    return redirect("maintenance:notice_detail", uuid=notice.uuid)


# --- the rules ------------------------------------------------------------------------------------------------------------


def _rules_context(request: PersonRequest, form: OfferForm | None = None) -> dict[str, Any]:
    rows = read.with_last_mail(NoticeRule.objects.visible_to(request.user)).select_related("customer").order_by("pk")
    listed = [(rule, rules.words_of(rule)) for rule in rows]
    duties = dict(NoticeRule.Duty.choices)
    offers = [
        rule_words(offer.hours, duty=str(duties[offer.duty]), customer="", n_recipients=1, group_s=offer.group_s,
                   again_s=offer.again_s)
        for offer in OFFERS
    ]  # fmt: skip
    mails = mail_health(request, timezone.now())
    return {
        "mails": mails, "rules": listed, "offers": [] if listed else offers, "has_mail": has_mail(), "section": "firm",
        "form": form or OfferForm(initial={"recipients": request.user.email}),
        "cover": cover_of([rule for rule, _ in listed], can_go=mails.can_go) if listed else [],
    }  # fmt: skip


@audience("office")
@require_safe
def notice_rule_list(request: PersonRequest) -> HttpResponse:
    return page(request, RULES, _rules_context(request))


@audience("manager")
@require_POST
def notice_rule_offers(request: PersonRequest) -> HttpResponse:
    """Begin with the rules we offer."""
    form = OfferForm(request.POST)
    if not form.is_valid():
        return refused(request, RULES, _rules_context(request, form))
    try:
        deed = rules.take_offers(
            offers=OFFERS, recipients=form.cleaned_data["recipients"], by=request.user, at=timezone.now()
        )  # fmt: skip
    except Refused as why:
        return refused(request, RULES, _rules_context(request, form) | {"refused": str(why)})
    toasts.said(
        request, gettext("The rules are in force from now on."), undo_url=reverse("company:change_undo_batch", args=[deed])
    )  # fmt: skip
    return redirect("maintenance:notice_rule_list")


@audience("manager")
@require_http_methods(["GET", "HEAD", "POST"])
def notice_rule_new(request: PersonRequest) -> HttpResponse:
    return _edit(request, NoticeRule())


@audience("manager")
@require_http_methods(["GET", "HEAD", "POST"])
def notice_rule_edit(request: PersonRequest, pk: int) -> HttpResponse:
    return _edit(request, get_object_or_404(NoticeRule.objects.visible_to(request.user), pk=pk))


def _edit(request: PersonRequest, rule: NoticeRule) -> HttpResponse:
    form = NoticeRuleForm(posted(request), instance=rule, user=request.user)
    context: dict[str, Any] = {"form": form, "rule": rule, "section": "firm", "has_mail": has_mail()}
    if request.method != "POST":
        return page(request, FORM, context | {"words": rules.words_of(rule) if rule.pk else ""})
    if not form.is_valid():
        return refused(request, FORM, context)
    changed = form.save(commit=False)
    context["words"] = rules.words_of(changed)
    if request.POST.get("preview"):
        return page(request, FORM, context | {"is_preview": True})
    try:
        saved = rules.save_notice_rule(
            rule=changed, seen_before=form.cleaned_data["seen_before"], by=request.user, at=timezone.now()
        )  # fmt: skip
    except Refused as why:
        return refused(request, FORM, context | {"refused": str(why)})
    _said(request, saved.pk, gettext("Saved: %(words)s.") % {"words": rules.words_of(saved)})
    return redirect("maintenance:notice_rule_list")


def _said(request: PersonRequest, pk: int, text: str) -> None:
    change = ChangeRow.objects.visible_to(request.user).about("noticerule", pk).first()
    toasts.said(request, text, undo_url=reverse("company:change_undo", args=[change.pk]) if change else "")


@audience("manager")
@require_POST
def notice_rule_switch(request: PersonRequest, pk: int) -> HttpResponse:
    rule = get_object_or_404(NoticeRule.objects.visible_to(request.user), pk=pk)
    row = rules.switch_notice_rule(
        rule=rule, is_active=request.POST.get("on") == "1", by=request.user, at=timezone.now()
    )  # fmt: skip
    text = (
        gettext("The rule is switched on.") if row.is_active else gettext("The rule is switched off: it tells nobody.")
    )
    _said(request, row.pk, text)
    return redirect("maintenance:notice_rule_list")


@audience("manager")
@require_POST
def notice_rule_remove(request: PersonRequest, pk: int) -> HttpResponse:
    rule = get_object_or_404(NoticeRule.objects.visible_to(request.user), pk=pk)
    try:
        rules.remove_notice_rule(rule=rule, by=request.user, at=timezone.now())
    except Refused as why:
        messages.warning(request, str(why))
    else:
        _said(request, pk, gettext("The rule is removed."))
    return redirect("maintenance:notice_rule_list")


@audience("manager")
@require_POST
def notice_rule_test(request: PersonRequest, pk: int) -> HttpResponse:
    """Send a test mail to the addresses of a rule."""
    rule = get_object_or_404(NoticeRule.objects.visible_to(request.user).select_related("customer"), pk=pk)
    try:
        to = rules.try_notice_rule(rule=rule, by=request.user, at=timezone.now())
    except Refused as why:
        messages.warning(request, str(why))
    else:
        text = gettext(
            "A test mail is on its way to %(to)s. If it does not come, look into the folder of unwanted mail."
        )
        messages.success(request, text % {"to": ", ".join(to)})
        if not rule.is_active:
            messages.warning(request, gettext("The rule is switched off: besides this test it sends nothing."))
    return redirect("maintenance:notice_rule_list")
