"""Pages of the sources of check-ins: which there are, how each stands, what may change, and its token."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.conf import settings
from django.db.models import Q
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_variables
from django.views.decorators.http import require_POST, require_safe

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.lists import ordered, page_of
from company.models import ChangeRow, Customer
from company.templatetags.days import daytime
from company.toasts import said
from company.views.forms_page import FORM, form_context, posted
from devices.actions import sources as actions
from devices.actions.receivers import edit_receiver
from devices.actions.sources_use import TokenUse, token_use
from devices.forms.sources import LimitsForm, SourceForm, TokenForm, WhyAndSeenForm
from devices.models import IntakeBatch, IntakeSource, Receiver
from devices.querysets.sources import ranked, with_counts
from devices.rules.intake_rows import MOST_BYTES, MOST_ROWS
from devices.rules.source_state import state_of
from sites.models import Site

SECTION = "checkins"
USUAL_LATE_H = 2
"""Proposed for a gateway: it posts every quarter of an hour or oftener. Own choice; the office changes it as it likes."""
ORDERS: dict[str, str | tuple[str, ...]] = {
    "use": ("is_active", "name"), "name": "name", "state": ("state_rank", "name"), "last": ("last_sort", "name"),
}  # fmt: skip
MOST_NAMED = 40
"""Receivers whose codes are listed for the programmer."""
LIST, DETAIL, TOKEN = (f"devices/intake/{name}.html" for name in ("sources", "source", "token"))


def counted(request: PersonRequest, now: datetime) -> Any:
    """Every source with what its ledger says."""
    rows = IntakeSource.objects.visible_to(request.user).select_related("customer", "site")
    return with_counts(rows, IntakeBatch.objects.visible_to(request.user), now)


def source_for(request: PersonRequest, pk: int) -> IntakeSource:
    """The source, or 404."""
    rows = IntakeSource.objects.visible_to(request.user).select_related("customer", "site")
    source: IntakeSource = get_object_or_404(rows, pk=pk)
    return source


def stand(source: Any, now: datetime) -> str:
    """How a counted source stands."""
    return state_of(last_at=source.last_at, late_after_s=source.late_after_s, is_active=source.is_active, now=now)


@audience("office")
@require_safe
def source_list(request: PersonRequest) -> HttpResponse:
    """Those in use first, by name; or as asked."""
    now, words = timezone.now(), request.GET.get("q", "").strip()[:80]
    rows = counted(request, now)
    if words and words.isprintable():
        named = Q(name__icontains=words) | Q(customer__name__icontains=words) | Q(site__name__icontains=words)
        rows = rows.filter(named)
    rows = ranked(rows, IntakeBatch.objects.visible_to(request.user), now)
    rows, sort = ordered(rows, request, ORDERS, default="-use")
    shown = page_of(rows, request)
    for row in shown:
        row.state = stand(row, now)
    return page(request, LIST, {"page": shown, "section": SECTION, "q": words, "sort": sort}, part="rows")


@audience("office")
def source_new(request: PersonRequest) -> HttpResponse:
    """Add a source; an address with `kind` has the way chosen. Whoever may make a token goes on to it."""
    asked = (request.POST if request.method == "POST" else request.GET).get("kind", "")
    is_gateway = asked == IntakeSource.Kind.API
    begun = {"kind": asked, **({"late_after_h": USUAL_LATE_H} if is_gateway else {})}
    form = SourceForm(
        posted(request), instance=IntakeSource(), initial=begun,
        customers=Customer.objects.visible_to(request.user).current().order_by("name", "pk"),
        sites=Site.objects.visible_to(request.user).filter(closed_at=None).select_related("customer").order_by(
            "customer__name", "name", "pk"
        ),
    )  # fmt: skip
    lead = (
        _("Say whose check-ins it hands over. Then you make its token, and get the words for whoever programs it.")
        if is_gateway
        else _("Whoever hands over check-ins: a gateway, or an export that you upload.")
    )
    context = form_context(
        form,
        _("Connect a gateway") if is_gateway else _("A new source"),
        "devices:source_list",
        SECTION,
        button=_("Add the source"),
        lead=lead,
    )
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    try:
        source = actions.add_source(source=form.save(commit=False), by=request.user, at=timezone.now())
    except Refused as why:
        return refused(request, FORM, context | {"refused": why.message})
    said(request, _("%(source)s is added.") % {"source": source.name})
    if source.kind == IntakeSource.Kind.API and request.user.is_manager:
        return redirect("devices:source_token", pk=source.pk)
    return redirect(source)


@audience("office")
def source_edit(request: PersonRequest, pk: int) -> HttpResponse:
    source = source_for(request, pk)
    form = LimitsForm(posted(request), instance=source, initial={"seen": actions.seen(source)})
    context = form_context(form, _("Change %(source)s") % {"source": source.name}, source, SECTION)
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    try:
        change = actions.change_source(
            source=form.save(commit=False), by=request.user, at=timezone.now(), seen_as=form.cleaned_data["seen"]
        )  # fmt: skip
    except Refused as why:
        return refused(request, FORM, context | {"refused": why.message})
    _told(request, _("%(source)s is saved.") % {"source": source.name}, change)
    return redirect(source)


def _told(request: PersonRequest, text: str, change: ChangeRow) -> None:
    said(request, text, undo_url=reverse("company:change_undo", args=[change.pk]))


@audience("office")
@require_safe
def source_detail(request: PersonRequest, pk: int) -> HttpResponse:
    """How it stands, its token, what it feeds, its last batches."""
    now = timezone.now()
    source = get_object_or_404(counted(request, now), pk=pk)
    return page(request, DETAIL, _detail(request, source, now))


def example_of(source: IntakeSource, token: str, receiver: Receiver | None, now: datetime) -> str:
    """What to type to try the address, ready to be copied."""
    address = settings.BASE_URL + reverse("devices:intake_checkins")
    where = f' "receiver": "{receiver.code}",' if receiver else "" if source.site_id else ' "site": "SITE-CODE",'
    return (
        f"curl -X POST {address} \\\n  -H 'Authorization: Bearer {token}' \\\n  -H 'Content-Type: application/json' \\\n"
        f"""  -d '{{"batch": "try-1",{where} "rows": [\n    {{"serial": "SERIAL", "kind": "check_in", "time": """
        f""""{now:%Y-%m-%dT%H:%M:%SZ}"}}]}}'"""
    )


def _spoken_for(request: PersonRequest, source: IntakeSource) -> Any:
    """Receivers that a gateway may name; the first of them stands in every example."""
    rows = Receiver.objects.visible_to(request.user).open().filter(customer=source.customer)
    rows = rows.filter(site=source.site) if source.site_id else rows
    return rows.select_related("site").order_by("site__name", "label", "pk")


def words_for_programmer(request: PersonRequest, source: IntakeSource, now: datetime) -> str:
    """What whoever programs the gateway needs, to be copied into a mail; the token goes apart from it."""
    receivers = _spoken_for(request, source)
    told = {
        "source": source, "address": settings.BASE_URL + reverse("devices:intake_checkins"), "most_rows": MOST_ROWS,
        "most_kib": MOST_BYTES // 1024, "description": settings.BASE_URL + reverse("devices:intake_openapi"),
        "receivers": receivers[:MOST_NAMED], "n_receivers": receivers.count(),
        "example": example_of(source, "TOKEN", receivers.first(), now),
    }  # fmt: skip
    return render_to_string("devices/intake/for_programmer.txt", told)


def _detail(request: PersonRequest, source: Any, now: datetime) -> dict[str, Any]:
    fed = Receiver.objects.visible_to(request.user).open().filter(fed_by=source, heard_until__isnull=False)
    batches = IntakeBatch.objects.visible_to(request.user).filter(source=source).newest_first()
    return {
        "section": SECTION, "source": source, "state": stand(source, now), "is_gateway": source.kind == "api",
        "use": token_use(source, now),
        "batches": batches[:10], "description": reverse("devices:intake_openapi"), "most_rows": MOST_ROWS, "most_kib": MOST_BYTES // 1024,
        "fed": fed.select_related("site").order_by("site__name", "label", "pk")[:200],
        "unsaid": fed.filter(evidence="visits").select_related("site").order_by("site__name", "label", "pk")[:50],
        "for_programmer": words_for_programmer(request, source, now) if source.kind == "api" else "",
        "changes": ChangeRow.objects.visible_to(request.user).about("intakesource", source.pk)[:20],
    }  # fmt: skip


@audience("office")
@require_POST
def source_evidence(request: PersonRequest, pk: int, receiver_pk: int) -> HttpResponse:
    """Say of a receiver that every check-in reaches us, since this source hands them over."""
    source = source_for(request, pk)
    rows = Receiver.objects.visible_to(request.user).open().filter(fed_by=source, evidence="visits")
    receiver: Receiver = get_object_or_404(rows.select_related("site", "type"), pk=receiver_pk)
    receiver.evidence = "every"
    reason = _("%(source)s hands over its check-ins") % {"source": source.name}
    try:
        edit_receiver(receiver=receiver, by=request.user, at=timezone.now(), reason=reason)
    except Refused as why:
        said(request, why.message)
        return redirect(source)
    change = ChangeRow.objects.visible_to(request.user).about("receiver", receiver.pk).first()
    if change is not None:
        _told(request, _("%(receiver)s: every check-in reaches us.") % {"receiver": receiver.label}, change)
    return redirect(source)


# --- the token --------------------------------------------------------------------------------------------------------


def _gateway_for(request: PersonRequest, pk: int) -> IntakeSource:
    source = source_for(request, pk)
    if source.kind != IntakeSource.Kind.API:
        raise Http404("Only gateways have tokens.")
    return source


def _lead_of_token(source: IntakeSource, use: TokenUse) -> str:
    """What making a token does to those that there are."""
    lead = _("It is shown once, on the next page. Have the gateway’s settings open.")
    if not use.former_until:
        return lead
    told = {"newest": source.token_hint, "former": use.former_hint, "until": daytime(use.former_until)}
    if use.is_used:
        does = _(
            "Two tokens are in use: …%(newest)s and the former …%(former)s, taken until %(until)s. A third ends the former at once."
        )
    else:
        does = _(
            "…%(newest)s was never used: the new token takes its place, and it is refused from then on. "
            "The former …%(former)s is still taken until %(until)s."
        )
    return f"{lead} {does % told}"


@audience("manager")
@sensitive_variables()
def source_token(request: PersonRequest, pk: int) -> HttpResponse:
    """Make a token and show it, this once. Sent twice, the form shows the same one."""
    source = _gateway_for(request, pk)
    use, begun = (
        token_use(source, timezone.now()),
        {"key": actions.form_key(source), "seen": actions.seen(source), "hours": 24},
    )
    form = TokenForm(posted(request), initial=begun, use=use, has_token=bool(source.token_sha256))
    title = _("A new token for %(source)s") if source.token_sha256 else _("A token for %(source)s")
    lead = _lead_of_token(source, use)
    context = form_context(
        form, title % {"source": source.name}, source, SECTION, button=_("Make the token"), lead=lead
    )
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    given = form.cleaned_data
    try:
        token = actions.make_token(
            source=source, key=given["key"], hours=given["hours"], ends_former=given.get("ends_former", False),
            by=request.user, at=timezone.now(), seen_as=given["seen"],
        )  # fmt: skip
    except Refused as why:
        return refused(request, FORM, context | {"refused": why.message})
    source.refresh_from_db()
    example = example_of(source, token, _spoken_for(request, source).first(), timezone.now())
    told = {"section": SECTION, "source": source, "token": token, "example": example}
    answer = page(request, TOKEN, told | {"use": token_use(source, timezone.now())})
    answer.headers["Cache-Control"] = "no-store"
    return answer


@audience("manager")
def source_revoke(request: PersonRequest, pk: int, is_former: bool = False) -> HttpResponse:
    """End the token at once, or only the one before it."""
    source = _gateway_for(request, pk)
    lead = (
        _("The former token is refused from now on. The present one stays.")
        if is_former
        else _("The gateway is refused from now on, until it gets a new token. This cannot be taken back.")
    )
    form = WhyAndSeenForm(posted(request), initial={"seen": actions.seen(source)})
    context = form_context(
        form, _("End the token of %(source)s") % {"source": source.name}, source, SECTION, button=_("End it now"), lead=lead
    ) | {"danger": True}  # fmt: skip
    return _asked(
        request, source, form, context, _("The token has ended."), actions.revoke_token, is_previous_only=is_former
    )


@audience("office")
def source_retire(request: PersonRequest, pk: int) -> HttpResponse:
    """Take nothing of it any more."""
    source = source_for(request, pk)
    form = WhyAndSeenForm(posted(request), initial={"seen": actions.seen(source)})
    lead = _("Nothing is taken from it any more; what it handed over stays.")
    context = form_context(
        form, _("Retire %(source)s") % {"source": source.name}, source, SECTION, button=_("Retire it"), lead=lead
    )  # fmt: skip
    done = _("%(source)s is retired.") % {"source": source.name}
    return _asked(request, source, form, context, done, actions.retire_source)


def _asked(
    request: PersonRequest, source: IntakeSource, form: Any, context: dict[str, Any], done: str, action: Any, **more: Any
) -> HttpResponse:  # fmt: skip
    """A page that asks why, and does it on the second step."""
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    given = form.cleaned_data
    try:
        change = action(
            source=source, by=request.user, at=timezone.now(), reason=given["reason"], seen_as=given["seen"], **more
        )  # fmt: skip
    except Refused as why:
        return refused(request, FORM, context | {"refused": why.message})
    if action is actions.revoke_token:
        said(request, done)
    else:
        _told(request, done, change)
    return redirect(source)


@audience("office")
@require_POST
def source_reopen(request: PersonRequest, pk: int) -> HttpResponse:
    """Take what it hands over again."""
    source = source_for(request, pk)
    try:
        change = actions.reopen_source(source=source, by=request.user, at=timezone.now())
    except Refused as why:
        said(request, why.message)
    else:
        _told(request, _("%(source)s is in use again.") % {"source": source.name}, change)
    return redirect(source)
