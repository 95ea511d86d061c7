"""Pages of panels that report by DC-09 frames: which there are, how each does, keys, numbers that nobody knows."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db.models import Count, OuterRef, QuerySet, Subquery
from django.db.models.functions import Coalesce
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.debug import sensitive_post_parameters, sensitive_variables
from django.views.decorators.http import require_POST, require_safe

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.lists import ordered, page_of
from company.models import ChangeRow
from company.toasts import said
from company.views.forms_page import FORM, form_context, posted
from devices.actions import panels as actions
from devices.actions.receivers import edit_receiver
from devices.forms.panels import NewPanelForm, PanelForm, PanelKeyForm
from devices.models import ListenerState, PanelAccount, PanelStranger, Receiver
from devices.querysets.sources import panels_ranked
from devices.rules.panel_state import is_running, link_state, reports
from sites.models import Site

SECTION = "checkins"
LIST, DETAIL, LISTENER = (f"devices/panels/{name}.html" for name in ("list", "detail", "listener"))
MOST_STRANGERS = 50
REFUSED = (
    "bad_checksum", "half", "too_long", "not_read", "out_of_time", "in_clear", "no_key", "unknown_code", "other_kind",
    "other_account", "empty", "not_taken",
)  # fmt: skip
"""Counts of a listener that add up to what it refused."""
ORDERS: dict[str, str | tuple[str, ...]] = {
    "site": ("site__name", "number"), "number": "number", "state": ("state_rank", "site__name", "number"),
    "last": ("last_sort", "number"),
}  # fmt: skip
USUAL_LATE_H = 2
"""Proposed for a new panel, as for a new gateway. Own choice; the office changes it as it likes."""
USUAL_BIND = "127.0.0.1:9009"

COUNT_WORDS = {
    "connections": gettext_lazy("connections"), "turned_away": gettext_lazy("connections turned away: too many"),
    "closed_for_room": gettext_lazy("idle connections closed to make room for others"),
    "closed_idle": gettext_lazy("connections closed: silent for long"),
    "closed_slow": gettext_lazy("connections closed: half a frame, or answers not fetched"),
    "closed_bad": gettext_lazy("connections closed: only rubbish"), "datagrams": gettext_lazy("datagrams"),
    "frames": gettext_lazy("sound frames"), "bad_checksum": gettext_lazy("wrong checksum"),
    "half": gettext_lazy("half frames"), "too_long": gettext_lazy("longer than a frame may be"),
    "flood": gettext_lazy("held back or dropped: too many at once"),
    "full": gettext_lazy("datagrams dropped: too many waiting"),
    "warned": gettext_lazy("taken although something about them was wrong"),
    "not_written": gettext_lazy("not written: the database was in the way"),
    "taken": gettext_lazy("with events, taken"), "repeated": gettext_lazy("repeats, taken before"),
    "tested": gettext_lazy("link tests"), "nothing_in_it": gettext_lazy("with nothing new in them"),
    "stranger": gettext_lazy("of numbers that nobody knows"),
    "unknown_code": gettext_lazy("with codes that are not in our table"),
    "other_kind": gettext_lazy("of a kind that is not read here"),
    "other_account": gettext_lazy("with another account inside than in front"),
    "empty": gettext_lazy("of events, and with none in them"),
    "an_answer": gettext_lazy("answers of other receivers"),
    "not_read": gettext_lazy("not readable, or the key does not fit"),
    "out_of_time": gettext_lazy("encrypted, out of the time window"),
    "in_clear": gettext_lazy("in clear, though the panel has a key"),
    "no_key": gettext_lazy("encrypted, and no key is known"), "not_taken": gettext_lazy("refused by intake"),
}  # fmt: skip


def _with_state(accounts: Any, now: datetime) -> Any:
    for one in accounts:
        one.state = link_state(
            last_at=one.last_message_at, supervised_s=one.supervised_s, is_closed=one.closed_at is not None, now=now
        )
    return accounts


def _account(request: PersonRequest, pk: int) -> PanelAccount:
    rows = PanelAccount.objects.visible_to(request.user).select_related("site", "customer", "receiver", "source")
    account: PanelAccount = get_object_or_404(rows, pk=pk)
    return account


def _told(request: PersonRequest, text: str, change: ChangeRow) -> None:
    said(request, text, undo_url=reverse("company:change_undo", args=[change.pk]))


@audience("office")
@require_safe
def panel_list(request: PersonRequest) -> HttpResponse:
    """Panels by site, numbers that nobody knows, and whether a listener runs."""
    now = timezone.now()
    show = request.GET.get("show", "")
    words = request.GET.get("q", "").strip()
    accounts: QuerySet[Any] = PanelAccount.objects.visible_to(request.user).filter(closed_at__isnull=show != "closed")
    if words:
        accounts = accounts.filter(number__icontains=words) | accounts.filter(site__name__icontains=words)
    accounts = panels_ranked(accounts, now).select_related("site", "customer", "receiver")
    accounts, sort = ordered(accounts, request, ORDERS, default="site")
    strangers = PanelStranger.objects.visible_to(request.user).filter(dismissed_at=None).order_by("-last_at", "-pk")
    listeners: list[Any] = list(ListenerState.objects.visible_to(request.user).order_by("-beat_at", "-pk")[:10])
    for one in listeners:
        one.is_running = is_running(beat_at=one.beat_at, stopped_at=one.stopped_at, now=now)
        one.n_frames = one.counts.get("frames", 0)
        one.n_refused = sum(one.counts.get(name, 0) for name in REFUSED)
    is_listening = any(one.is_running for one in listeners)
    bind = listeners[0].bind if listeners else USUAL_BIND
    there = Receiver.objects.visible_to(request.user).open().filter(site=OuterRef("site")).order_by()
    counted = there.values("site").annotate(n=Count("pk")).values("n")
    shown = page_of(accounts.annotate(n_receivers=Coalesce(Subquery(counted), 0)), request)
    _with_state(shown.object_list, now)
    context = {
        "section": SECTION, "page": shown, "show": show, "q": words, "sort": sort, "listeners": listeners,
        "is_listening": is_listening, "start_command": f".venv/bin/python manage.py listen --bind {bind}", "strangers": strangers[:MOST_STRANGERS], "n_strangers": strangers.count(),
    }  # fmt: skip
    return page(request, LIST, context, part="rows")


@audience("office")
@require_safe
def listener_detail(request: PersonRequest, pk: int) -> HttpResponse:
    """What one listener has met since it was started."""
    state = get_object_or_404(ListenerState.objects.visible_to(request.user), pk=pk)
    counts = state.counts if isinstance(state.counts, dict) else {}
    context = {
        "section": SECTION, "state": state,
        "is_running": is_running(beat_at=state.beat_at, stopped_at=state.stopped_at, now=timezone.now()),
        "counts": [(words, counts.get(name, 0)) for name, words in COUNT_WORDS.items()],
    }  # fmt: skip
    return page(request, LISTENER, context)


def _receivers(request: PersonRequest) -> Any:
    rows = Receiver.objects.visible_to(request.user).open().select_related("site")
    return rows.order_by("site__name", "label", "pk")


@audience("office")
@sensitive_post_parameters("key")
@sensitive_variables("form")
def panel_new(request: PersonRequest) -> HttpResponse:
    """Connect a panel; an address with `number` or `site` has them filled in."""
    sites = Site.objects.visible_to(request.user).filter(closed_at=None).select_related("customer")
    begun = {name: request.GET.get(name, "")[:16] for name in ("number", "site")} | {"every_min": USUAL_LATE_H * 60}
    form = NewPanelForm(
        posted(request), instance=PanelAccount(), initial=begun, receivers=_receivers(request),
        sites=sites.order_by("customer__name", "name", "pk"), may_set_key=request.user.is_manager,
    )  # fmt: skip
    lead = _(
        "A panel calls the listener under its account number. Say where it stands and which receiver it speaks for."
    )
    context = form_context(form, _("Connect a panel"), "devices:panel_list", SECTION, button=_("Connect it"), lead=lead)
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    account = form.save(commit=False)
    try:
        change = actions.connect_panel(
            account=account, key=form.cleaned_data.get("key"), by=request.user, at=timezone.now()
        )
    except Refused as why:
        return refused(request, FORM, context | {"refused": why.message})
    _told(request, _("%(number)s is connected to %(site)s.") % _names(account), change)
    return redirect("devices:panel_detail", pk=account.pk)


def _names(account: PanelAccount) -> dict[str, str]:
    return {"number": account.number, "site": account.site.name}


@audience("office")
@require_safe
def panel_detail(request: PersonRequest, pk: int) -> HttpResponse:
    """How one panel does, and what may be done about it."""
    account, now = _account(request, pk), timezone.now()
    _with_state([account], now)
    receiver = _reports_for(request, account)
    is_offered = receiver is not None and receiver.evidence == "visits" and reports(account.last_message_at, now)
    context = {
        "section": SECTION, "account": account, "state": account.state, "receiver": receiver,  # type: ignore[attr-defined]
        "offer": receiver if is_offered and account.closed_at is None else None,
        "zone_1": account.slot_offset + 1, "zone_12": account.slot_offset + 12,
        "changes": ChangeRow.objects.visible_to(request.user).about("panelaccount", account.pk)[:20],
    }  # fmt: skip
    return page(request, DETAIL, context)


def _reports_for(request: PersonRequest, account: PanelAccount) -> Receiver | None:
    found = actions.reporting_receiver(account)
    if found is None:
        return None
    rows = Receiver.objects.visible_to(request.user).select_related("site", "type")
    receiver: Receiver | None = rows.filter(pk=found.pk).first()
    return receiver


@audience("office")
def panel_edit(request: PersonRequest, pk: int) -> HttpResponse:
    account = _account(request, pk)
    form = PanelForm(
        posted(request), instance=account, initial={"seen": actions.seen(account)},
        receivers=_receivers(request).filter(site=account.site),
    )  # fmt: skip
    back = redirect("devices:panel_detail", pk=account.pk).url
    context = form_context(form, _("Change panel %(number)s, %(site)s") % _names(account), back, SECTION)
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    account = form.save(commit=False)
    try:
        change = actions.change_panel(
            account=account, by=request.user, at=timezone.now(), seen_as=form.cleaned_data["seen"]
        )
    except Refused as why:
        return refused(request, FORM, context | {"refused": why.message})
    _told(request, _("Panel %(number)s is saved.") % _names(account), change)
    return redirect(back)


@audience("manager")
@sensitive_post_parameters("key")
@sensitive_variables("form")
def panel_key(request: PersonRequest, pk: int) -> HttpResponse:
    """Set or replace the key; it is never shown."""
    account = _account(request, pk)
    form = PanelKeyForm(posted(request), initial={"seen": actions.seen(account)})
    back = redirect("devices:panel_detail", pk=account.pk).url
    lead = _("From then on only messages with this key are taken. Set it in the panel at the same time.")
    title = _("Key of panel %(number)s, %(site)s") % _names(account)
    context = form_context(form, title, back, SECTION, button=_("Set the key"), lead=lead)
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    try:
        actions.set_panel_key(
            account=account, key=form.cleaned_data["key"], by=request.user, at=timezone.now(),
            seen_as=form.cleaned_data["seen"],
        )  # fmt: skip
    except Refused as why:
        return refused(request, FORM, context | {"refused": why.message})
    said(request, _("The key of panel %(number)s is set.") % _names(account))
    return redirect(back)


@audience("manager")
@require_POST
def panel_key_drop(request: PersonRequest, pk: int) -> HttpResponse:
    """Take messages in clear."""
    account = _account(request, pk)
    try:
        actions.set_panel_key(account=account, key=None, by=request.user, at=timezone.now())
    except Refused as why:
        said(request, why.message)
    else:
        said(request, _("Panel %(number)s has no key any more; its messages are taken in clear.") % _names(account))
    return redirect("devices:panel_detail", pk=account.pk)


@audience("office")
@require_POST
def panel_turn(request: PersonRequest, pk: int, closing: bool) -> HttpResponse:
    """Close a panel, or take it into use again."""
    account = _account(request, pk)
    try:
        if closing:
            change = actions.close_panel(account=account, by=request.user, at=timezone.now())
            _told(request, _("Panel %(number)s is closed.") % _names(account), change)
        else:
            change = actions.reopen_panel(account=account, by=request.user, at=timezone.now())
            _told(request, _("Panel %(number)s is in use again.") % _names(account), change)
    except Refused as why:
        said(request, why.message)
    return redirect("devices:panel_detail", pk=account.pk)


@audience("office")
@require_POST
def panel_evidence(request: PersonRequest, pk: int) -> HttpResponse:
    """Say of the receiver that exceptions reach us, since its panel reports."""
    account = _account(request, pk)
    receiver = _reports_for(request, account)
    if receiver is None or receiver.evidence != "visits":
        said(request, _("Nothing was changed: the records say already what reaches us of this receiver."))
        return redirect("devices:panel_detail", pk=account.pk)
    receiver.evidence = "exceptions"
    reason = _("Panel %(number)s reports for it") % _names(account)
    try:
        edit_receiver(receiver=receiver, by=request.user, at=timezone.now(), reason=reason)
    except Refused as why:
        said(request, why.message)
        return redirect("devices:panel_detail", pk=account.pk)
    change = ChangeRow.objects.visible_to(request.user).about("receiver", receiver.pk).first()
    if change is not None:
        _told(request, _("%(receiver)s: exceptions reach us.") % {"receiver": receiver.label}, change)
    return redirect("devices:panel_detail", pk=account.pk)


@audience("office")
@require_POST
def stranger_dismiss(request: PersonRequest, pk: int) -> HttpResponse:
    """Leave an unknown number out of the list."""
    stranger = get_object_or_404(PanelStranger.objects.visible_to(request.user), pk=pk)
    try:
        change = actions.dismiss_stranger(stranger=stranger, by=request.user, at=timezone.now())
    except Refused as why:
        said(request, why.message)
    else:
        _told(request, _("%(number)s is dismissed.") % {"number": stranger.number}, change)
    return redirect("devices:panel_list")
