"""Pages of findings: the firm's list by kind, by site or row by row, a site's panel, as a table, snoozing and waking."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from company import toasts
from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.lists import ordered, page_of
from company.models import Customer
from company.models.firm import Duty
from company.spreadsheets import csv_bytes
from company.templatetags.days import dated
from devices.models import Receiver
from devices.rules.words import day_words
from maintenance.actions.findings_snooze import snooze_findings, wake_findings
from maintenance.forms.findings import SnoozeForm, read_pks
from maintenance.models import FindingRecord
from maintenance.querysets.findings import GONE_DAYS, FindingChoice
from maintenance.rules.findings import ALL_KINDS, KIND_ORDER, longest_snooze_days
from maintenance.views.findings_shown import SNOOZED_AT_ONCE, Line, group_lines, kind_title, shown
from sites.models import Site

STATES = (
    ("", gettext_lazy("Now")),
    ("back", gettext_lazy("No longer snoozed since today")),
    ("snoozed", gettext_lazy("Snoozed")),
    ("gone", format_lazy(gettext_lazy("Gone in the last {n} days"), n=GONE_DAYS)),
)
GROUPS = (("", gettext_lazy("By kind")), ("site", gettext_lazy("By site")), ("none", gettext_lazy("One by one")))
COLUMNS = {"harm": "harm", "since": "since_on", "site": "site__name", "kind": "code", "customer": "customer__name"}
SHOWN_OF_A_KIND = 6
"""So many places of a kind are named on the list of kinds; the rest are one press away."""
CSV_HEAD = (
    "Kind", "What", "Where", "Site", "Customer", "Duty", "Since", "Found", "Why it matters", "What to do",
    "Snoozed until", "Snoozed because", "Gone",
)  # fmt: skip


def _choice(request: PersonRequest) -> FindingChoice:
    ask = request.GET.get
    return FindingChoice(
        kind=ask("kind", "") if ask("kind", "") in ALL_KINDS else "",
        duty=ask("duty", "") if ask("duty", "") in Duty.values else "",
        customer=ask("customer", "") if len(ask("customer", "")) < 10 else "",
        words=ask("q", "").strip()[:80],
        site=ask("site", "") if len(ask("site", "")) < 10 else "",
        state=ask("state", "") if ask("state", "") in dict(STATES) else "",
    )


def _asked(choice: FindingChoice, **over: str) -> str:
    """The choice as the query of an address."""
    words = {
        "kind": choice.kind, "duty": choice.duty, "customer": choice.customer, "q": choice.words, "site": choice.site,
        "state": choice.state,
    } | over  # fmt: skip
    return urlencode({name: word for name, word in words.items() if word})


@audience("office")
@require_safe
def finding_list(request: PersonRequest) -> HttpResponse:
    choice, today, at = _choice(request), timezone.localdate(), timezone.now()
    group = request.GET.get("group", "") if request.GET.get("group", "") in dict(GROUPS) else ""
    rows = FindingRecord.objects.visible_to(request.user).narrowed(choice, today, at)
    kinds = rows.by_kind()
    context: dict[str, Any] = {
        "choice": choice, "group": group, "states": STATES, "groups": GROUPS, "duties": Duty.choices, "today": today,
        "kinds": [(code, title) for code, (_, title) in ALL_KINDS.items()],
        "customers": Customer.objects.visible_to(request.user).current().order_by("name", "pk"),
        "site": Site.objects.visible_to(request.user).filter(pk=int(choice.site)).first()
        if choice.site.isdecimal() else None,
        "n": sum(row["n"] for row in kinds), "n_grave": sum(row["n_grave"] for row in kinds),
        "n_snoozed": FindingRecord.objects.visible_to(request.user).snoozed(today).count(),
        "asked": _asked(choice), "sections": [], "section": "today", "page": None,
    }  # fmt: skip
    if group == "none" or choice.kind:
        context |= _one_by_one(request, rows, kinds, choice, today)
    elif group == "site":
        context |= _by_site(request, rows, choice, today)
    else:
        context["sections"] = _by_kind(request, rows, kinds, choice, today)
    return page(request, "maintenance/findings/list.html", context, part="rows")


def _one_by_one(
    request: PersonRequest, rows: Any, kinds: Sequence[dict[str, Any]], choice: FindingChoice, today: date
) -> dict[str, Any]:
    listed, sort = ordered(rows.for_list(), request, COLUMNS, "harm")
    paging = page_of(listed, request, 50)
    lines = [shown(row, request, today) for row in paging.object_list]
    head = _kind_head(kinds[0], choice) if choice.kind and kinds else {}
    section = head | {"lines": lines, "is_flat": True, "is_alike": bool(choice.kind) and _alike(lines)}
    return {"page": paging, "sort": sort, "sections": [section] if lines else []}


def _alike(lines: Sequence[Line]) -> bool:
    """Whether the same is to be done about all of them, for the same reason: then it is said once."""
    return len({(line.why, line.do) for line in lines}) == 1


def _by_kind(
    request: PersonRequest, rows: Any, kinds: Sequence[dict[str, Any]], choice: FindingChoice, today: date
) -> list[dict[str, Any]]:
    first: dict[str, list[Any]] = {}
    for row in rows.for_list().first_of_each("code", SHOWN_OF_A_KIND).in_order():
        first.setdefault(row.code, []).append(shown(row, request, today))
    kinds = sorted(kinds, key=lambda kind: (kind["harm"], KIND_ORDER.get(kind["code"], len(KIND_ORDER))))
    return [
        _kind_head(kind, choice) | {
            "lines": first.get(kind["code"], []), "n_more": max(0, kind["n"] - SHOWN_OF_A_KIND),
            "is_alike": _alike(first.get(kind["code"], [])),
        }
        for kind in kinds
    ]  # fmt: skip


def _kind_head(kind: dict[str, Any], choice: FindingChoice) -> dict[str, Any]:
    asked = _asked(choice, kind=kind["code"])
    return kind | {
        "title": kind_title(kind["code"]), "all_url": f"{reverse('maintenance:finding_list')}?{asked}",
        "snooze_url": "" if choice.state else f"{reverse('maintenance:finding_snooze')}?{asked}",
    }  # fmt: skip


def _by_site(request: PersonRequest, rows: Any, choice: FindingChoice, today: date) -> dict[str, Any]:
    paging = page_of(rows.by_site(), request)
    found: dict[int, list[FindingRecord]] = {}
    for row in rows.for_list().filter(site__in=[site["site_id"] for site in paging.object_list]).in_order():
        found.setdefault(row.site_id, []).append(row)
    sections = [
        site | {
            "title": site["site__name"], "customer": site["customer__name"],
            "all_url": reverse("sites:site_detail", args=[site["site_id"]]),
            "found": group_lines(found.get(site["site_id"], []), request, today),
        }
        for site in paging.object_list
    ]  # fmt: skip
    return {"page": paging, "sections": sections}


@audience("office")
@require_safe
def finding_csv(request: PersonRequest) -> HttpResponse:
    choice = _choice(request)
    rows = FindingRecord.objects.visible_to(request.user).narrowed(choice, timezone.localdate(), timezone.now())
    answer = HttpResponse(
        csv_bytes(CSV_HEAD, [_csv_line(row) for row in rows.for_list().in_order()]),
        content_type="text/csv; charset=utf-8",
    )
    answer.headers["Content-Disposition"] = f'attachment; filename="findings-{timezone.localdate().isoformat()}.csv"'
    return answer


def _csv_line(row: FindingRecord) -> list[Any]:
    return [
        kind_title(row.code), row.what, row.where, row.site.name, row.customer.name, row.get_duty_display(),
        row.since_on, row.found_at.date(), row.why, row.do, row.snoozed_until,
        row.snooze_reason if row.snoozed_until else "", row.gone_at.date() if row.gone_at else None,
    ]  # fmt: skip


@audience("office", "technician")
@require_safe
def finding_panel(request: PersonRequest, site_pk: int) -> HttpResponse:
    """What needs a person at one site, or with `receiver` at one receiver: a part of their pages, and a page of its own."""
    site = get_object_or_404(Site.objects.visible_to(request.user).select_related("customer"), pk=site_pk)
    today = timezone.localdate()
    rows = FindingRecord.objects.visible_to(request.user).filter(site=site)
    receiver = None
    if request.GET.get("receiver", "").isdecimal():
        here = Receiver.objects.visible_to(request.user).filter(site=site)
        receiver = get_object_or_404(here, pk=int(request.GET["receiver"][:18]))
        rows = rows.filter(receiver=receiver)
    found = group_lines(list(rows.awake(today).for_list().in_order()), request, today)
    context = {
        "site": site, "receiver": receiver, "found": found, "n": sum(len(one.places) for one in found),
        "n_snoozed": rows.snoozed(today).count(), "section": "sites",
    }  # fmt: skip
    return page(request, "maintenance/findings/panel.html", context, part="finding_panel")


# --- resting --------------------------------------------------------------------------------------------------------------


def _chosen(request: PersonRequest, pks: Iterable[int] | None) -> list[FindingRecord]:
    """Open findings that are meant: those named, or those that the choice in the address gives."""
    rows = FindingRecord.objects.visible_to(request.user)
    if pks is not None:
        rows = rows.open().filter(pk__in=pks)
    elif request.GET.get("pks"):
        rows = rows.open().filter(pk__in=read_pks(request.GET["pks"]))
    else:
        choice = _choice(request)
        if choice == FindingChoice(state=choice.state):
            return []
        rows = rows.narrowed(choice, timezone.localdate(), timezone.now()).open()
    return list(rows.for_list().in_order()[: SNOOZED_AT_ONCE + 1])


@audience("office")
@require_http_methods(["GET", "HEAD", "POST"])
def finding_snooze(request: PersonRequest) -> HttpResponse:
    """Let one finding, or all of a kind that the page shows, rest until a day."""
    today = timezone.localdate()
    back = _back(request)
    pks = read_pks(request.POST.get("pks", "")) if request.method == "POST" else None
    rows = _chosen(request, pks)
    n_left, rows = max(0, len(rows) - SNOOZED_AT_ONCE), rows[:SNOOZED_AT_ONCE]
    longest = longest_snooze_days(row.duty for row in rows)
    form = SnoozeForm(request.POST if request.method == "POST" else None, today=today, longest_days=longest)
    context = {
        "form": form, "rows": [shown(row, request, today) for row in rows], "n_left": n_left, "back": back,
        "pks": ",".join(str(row.pk) for row in rows), "is_grave": any(row.duty == "life_safety" for row in rows),
        "longest": longest, "section": "today",
    }  # fmt: skip
    template = "maintenance/findings/snooze.html"
    if request.method != "POST":
        return page(request, template, context)
    if not form.is_valid():
        return refused(request, template, context)
    until = form.cleaned_data["until"]
    try:
        deed = snooze_findings(
            pks=[row.pk for row in rows], until=until, reason=form.cleaned_data["reason"], by=request.user,
            at=timezone.now(), today=today,
        )  # fmt: skip
    except Refused as why:
        return refused(request, template, context | {"refused": str(why)})
    text = ngettext("%(n)s finding rests until %(day)s.", "%(n)s findings rest until %(day)s.", len(rows))
    told = {"n": len(rows), "day": dated(day_words(until, today=today))}
    toasts.said(request, text % told, undo_url=reverse("company:change_undo_batch", args=[deed]))
    return redirect(back)


@audience("office")
@require_POST
def finding_wake(request: PersonRequest) -> HttpResponse:
    """End the rest of the findings named."""
    rows = _chosen(request, read_pks(request.POST.get("pks", "")))
    try:
        deed = wake_findings(pks=[row.pk for row in rows], by=request.user, at=timezone.now())
    except Refused as why:
        messages.warning(request, str(why))
    else:
        text = ngettext("The finding is back in the list.", "%(n)s findings are back in the list.", len(rows))
        toasts.said(request, text % {"n": len(rows)}, undo_url=reverse("company:change_undo_batch", args=[deed]))
    return redirect(_back(request))


def _back(request: PersonRequest) -> str:
    """Where to go on: the page that was named or came before, if it is one of ours."""
    for asked in (request.POST.get("back"), request.GET.get("back"), request.META.get("HTTP_REFERER")):
        if not asked or reverse("maintenance:finding_snooze") in asked:
            continue
        if url_has_allowed_host_and_scheme(asked, {request.get_host()}, request.is_secure()):
            return asked
    return reverse("maintenance:finding_list")
