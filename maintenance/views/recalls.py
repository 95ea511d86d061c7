"""Pages of recalls: list, which ones, one recall with its list, what was seen at one, closing; as a table and on paper."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.text import slugify
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.lists import ordered, page_of
from company.models import ChangeRow, Customer
from company.spreadsheets import csv_bytes
from company.views.forms_page import FORM, form_context
from devices.models import BatteryType, Registration, Transmitter, TransmitterType
from devices.rules.slot_map import due_words, urgency
from maintenance.actions import recalls as actions
from maintenance.forms.recalls import USUAL_DAYS, AddForm, CloseForm, NoteForm, OpenForm, RecallListForm, WhichForm
from maintenance.models import Recall, RecallItem
from maintenance.querysets.recalls import Affected, affected, in_no_slot, shown_states, sites_left
from maintenance.rules.recalls import (
    RecallFilter,
    cells_words,
    count_sites,
    filter_words,
    preview_words,
    progress_words,
)
from sites.models import Site

COLUMNS = {"title": "title", "due": "due_on", "opened": "opened_at", "left": "n_open"}
ITEMS_A_PAGE = 50
SITES_SHOWN = 40
ROWS_SHOWN = 200
"""A preview names so many sites or transmitters; the list itself holds all."""


@audience("office")
@require_safe
def recall_list(request: PersonRequest) -> HttpResponse:
    form = RecallListForm(request.GET or None)
    chosen = form.cleaned_data if form.is_bound and form.is_valid() else {}
    rows = Recall.objects.visible_to(request.user).matching((chosen.get("q") or "").strip())
    state = chosen.get("state") or "open"
    if state != "all":
        rows = rows.filter(closed_at__isnull=state == "open")
    listed, sort = ordered(rows.for_list(), request, COLUMNS, "due" if state == "open" else "-opened")
    paging = page_of(listed, request)
    today = timezone.localdate()
    for recall in paging:
        recall.mark = _mark(recall, recall.n_open, today)
    context = {
        "form": form, "page": paging, "state": state, "sort": sort, "words": chosen.get("q") or "", "section": "due",
        "late_recalls": Recall.objects.visible_to(request.user).past(today),
        "has_any": bool(paging.object_list) or Recall.objects.visible_to(request.user).exists(),
    }  # fmt: skip
    return page(request, "maintenance/recalls/list.html", context, part="rows")


def _mark(recall: Recall, n_open: int, today: Any) -> tuple[str, str]:
    """Urgency and words of a recall's day."""
    if recall.closed_at:
        return "", "closed"
    if not n_open:
        return "fine", _("all settled")
    return urgency(recall.due_on, today).replace("fine", "later"), due_words(recall.due_on, today)


# --- opening --------------------------------------------------------------------------------------------------------------


@audience("office")
@require_http_methods(["GET", "HEAD", "POST"])
def recall_new(request: PersonRequest) -> HttpResponse:
    today = timezone.localdate()
    if request.method == "POST":
        which, opening = WhichForm(request.POST, by=request.user), OpenForm(request.POST, today=today)
        refusal = ""
        if which.is_valid() and opening.is_valid():
            cleaned = opening.cleaned_data
            plan = actions.RecallPlan(
                title=cleaned["title"], why=cleaned["why"], due_on=cleaned["due_on"], filter=which.wanted(),
                what=which.cleaned_data["what"], key=str(cleaned["key"]), n_seen=cleaned["n_seen"],
            )  # fmt: skip
            try:
                recall = actions.open_recall(plan=plan, by=request.user, at=timezone.now(), today=today)
            except Refused as error:
                refusal = error.message
            else:
                messages.success(request, _("The recall is open. Due dates follow; pull its sites into rounds next."))
                return redirect(recall)
        context = _which_context(request, which, opening) | {"refused": refusal}
        return refused(request, "maintenance/recalls/new.html", context)
    asked = request.GET.copy()
    if "unknown_from" not in asked:
        asked.setdefault("with_undated", "on")
    asked.setdefault("what", Recall.What.CELLS)
    which = WhichForm(asked if request.GET else None, by=request.user)
    opening = OpenForm(today=today, initial={"due_on": today + timedelta(days=USUAL_DAYS)})
    return page(request, "maintenance/recalls/new.html", _which_context(request, which, opening))


def _which_context(request: PersonRequest, which: WhichForm, opening: OpenForm) -> dict[str, Any]:
    context: dict[str, Any] = {"which": which, "form": opening, "section": "due", "found": None}
    if not (which.is_bound and which.is_valid()):
        return context
    wanted, what = which.wanted(), which.cleaned_data["what"]
    found = affected(wanted, what=what)
    sites = count_sites((row.site_id, row.site_name, row.duty) for row in found)
    listed = RecallItem.objects.visible_to(request.user).open().filter(recall__what=what)
    listed = listed.filter(transmitter__in=[row.transmitter_id for row in found[:5000]])
    n_grave = sum(site.n_grave for site in sites)
    if not opening.is_bound and wanted.lots:
        opening.initial["title"] = f"Lot {', '.join(wanted.lots)}"[:120]
    opening.initial["n_seen"] = len(found)
    if opening.is_bound:
        # What is shown again is the list of now, so that is what the next press has seen.
        opening.data = dict(opening.data.items()) | {"n_seen": str(len(found))}
    return context | {
        "found": found, "said": preview_words(len(found), len(sites), n_grave), "sites": sites[:SITES_SHOWN],
        "cells_said": cells_words(row.cells for row in found) if wanted.asks_for_lots else "",
        "n_more_sites": max(0, len(sites) - SITES_SHOWN), "rows": _rows_of(request, found[:ROWS_SHOWN]),
        "n_more_rows": max(0, len(found) - ROWS_SHOWN), "n_spare": in_no_slot(wanted), "asked": which.asked(),
        "words": filter_words(wanted, names_of(request, wanted)), "what": what,
        "already": Recall.objects.visible_to(request.user).filter(pk__in=listed.values("recall_id")).order_by("pk")[:5],
    }  # fmt: skip


def _rows_of(request: PersonRequest, found: Any) -> list[Registration]:
    """Registrations of a preview in its order, with what a row shows."""
    rows = Registration.objects.visible_to(request.user).select_related("site", "receiver", "transmitter__type")
    by_pk = rows.in_bulk([row.registration_id for row in found])
    shown = []
    for row in found:
        if row.registration_id in by_pk:
            shown.append(by_pk[row.registration_id])
            shown[-1].lot, shown[-1].cells = row.lot, row.cells
    return shown


def names_of(request: PersonRequest, wanted: RecallFilter) -> dict[str, str]:
    """Names of the records that a filter points at."""
    models: dict[str, Any] = {"transmitter_type": TransmitterType, "customer": Customer, "site": Site}
    names = {
        field: str(row)
        for field, model in models.items()
        if getattr(wanted, field)
        and (row := model.objects.visible_to(request.user).filter(pk=getattr(wanted, field)).first())
    }
    if wanted.battery_type:
        cells = BatteryType.objects.visible_to(request.user).filter(pk=wanted.battery_type).first()
        names |= {"battery_type": cells.iec_code} if cells else {}
    return names


# --- one recall -----------------------------------------------------------------------------------------------------------


def _recall(request: PersonRequest, pk: int) -> Recall:
    rows = Recall.objects.visible_to(request.user).select_related("opened_by", "closed_by")
    return get_object_or_404(rows, pk=pk)


def _is_closed(request: PersonRequest, recall: Recall) -> HttpResponse:
    """Lead a form that a closed recall has no use for back to its page, which says by whom it was closed."""
    messages.info(request, _("This recall is closed: its list stays as it is."))
    return redirect(recall)


@audience("office")
@require_safe
def recall_detail(request: PersonRequest, pk: int) -> HttpResponse:
    recall = _recall(request, pk)
    today = timezone.localdate()
    items = RecallItem.objects.visible_to(request.user).filter(recall=recall)
    ask = request.GET.get
    state = ask("state", "") if ask("state", "") in RecallItem.State.values else ""
    site, words = ask("site", "")[:9], ask("q", "").strip()[:80]
    paging = page_of(items.narrowed(state=state, site=site, words=words).for_list(), request, ITEMS_A_PAGE)
    paging.object_list = _marked(shown_states(paging.object_list), today)
    progress = items.progress()
    wanted = RecallFilter.from_json(recall.filter)
    context = {
        "recall": recall, "progress": progress, "page": paging, "section": "due",
        "said": progress_words(progress, is_closed=recall.closed_at is not None),
        "may_close": progress.is_settled or request.user.is_manager,
        "mark": _mark(recall, progress.open, today), "sites": sites_left(items), "state": state, "site": site,
        "words": words, "states": RecallItem.State.choices, "filter_words": filter_words(wanted, names_of(request, wanted)),
        "changes": ChangeRow.objects.visible_to(request.user).about("recall", recall.pk)[:20],
    }  # fmt: skip
    return page(request, "maintenance/recalls/detail.html", context, part="rows")


def _marked(items: list[Any], today: date) -> list[Any]:
    """Give each item its mark and the words beside it."""
    for item in items:
        if item.state != RecallItem.State.OPEN:
            item.mark, item.words = ("fine" if item.state == RecallItem.State.DONE else ""), item.get_state_display()
        elif item.recall.closed_at:
            item.mark, item.words, item.stops = "", _("left when it was closed"), []
        elif item.stops:
            item.mark, item.words = "planned", _("in a round")
        else:
            late = urgency(item.recall.due_on, today) == "late"
            item.mark = "late" if late else "soon"
            item.words = _("to do, %(due)s") % {"due": due_words(item.recall.due_on, today)} if late else _("to do")
    return items


@audience("office")
@require_safe
def recall_print(request: PersonRequest, pk: int) -> HttpResponse:
    """The whole list by site, for paper: what is left, with room to tick."""
    recall = _recall(request, pk)
    items = RecallItem.objects.visible_to(request.user).filter(recall=recall)
    rows = _marked(shown_states(items.for_list()), timezone.localdate())
    rows.sort(key=lambda item: (item.site.name if item.site else "", item.site_id or 0))
    progress = items.progress()
    said = progress_words(progress, is_closed=recall.closed_at is not None)
    context = {"recall": recall, "items": rows, "said": said, "section": "due"}
    return page(request, "maintenance/recalls/print.html", context)


CSV_HEAD = (
    "customer", "site", "receiver", "slot", "label", "duty", "transmitter", "type", "cells", "lot", "fitted on", "state",
    "since", "by", "note", "round on", "technician",
)  # fmt: skip


@audience("office")
@require_safe
def recall_csv(request: PersonRequest, pk: int) -> HttpResponse:
    recall = _recall(request, pk)
    items = RecallItem.objects.visible_to(request.user).filter(recall=recall)
    lines = [_csv_line(item) for item in _marked(shown_states(items.for_list()), timezone.localdate())]
    answer = HttpResponse(csv_bytes(CSV_HEAD, lines), content_type="text/csv; charset=utf-8")
    name = slugify(f"recall {recall.pk} {recall.title}")[:80]
    answer.headers["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    return answer


def _csv_line(item: Any) -> list[Any]:
    place, cells, kind = item.registration, item.fitting, item.transmitter.type
    stop = item.stops[0] if item.stops else None

    def day(at: Any) -> date | None:
        return timezone.localtime(at, item.site.zone if item.site else None).date() if at else None

    return [
        item.customer.name, item.site.name if item.site else "", item.receiver.label if item.receiver else "",
        place.slot if place else None, place.label if place else "", place.get_duty_display() if place else "",
        item.transmitter.serial, kind.label if kind else "",
        cells.battery_type.iec_code if cells and cells.battery_type else "", cells.lot if cells else "",
        day(cells.fitted_at) if cells else None, item.words, day(item.state_at),
        item.state_by.name if item.state_by else "", item.note, stop.planned_on if stop else None,
        stop.round.technician.name if stop else "",
    ]  # fmt: skip


@audience("office")
@require_http_methods(["GET", "HEAD", "POST"])
def recall_add(request: PersonRequest, pk: int) -> HttpResponse:
    """Transmitters that came to light later: those that match by now, or by serial."""
    recall = _recall(request, pk)
    if recall.closed_at and request.method != "POST":
        return _is_closed(request, recall)
    form = AddForm(request.POST if request.method == "POST" else None)
    refusal = ""
    if request.method == "POST" and form.is_valid():
        serials, cleaned = form.cleaned_data["serials"], form.cleaned_data
        units = Transmitter.objects.visible_to(request.user)
        chosen = list(units.filter(serial__in=serials))
        unknown = sorted(set(serials) - {unit.serial for unit in chosen})
        if cleaned["matching"]:
            chosen += units.filter(pk__in=[row.transmitter_id for row in _new_matches(request, recall)])
        if unknown:
            form.add_error("serials", _("Not known: %(listed)s.") % {"listed": ", ".join(unknown[:10])})
        else:
            try:
                added = actions.add_to_recall(
                    recall=recall, transmitters=chosen, by=request.user, at=timezone.now(), reason=cleaned["reason"]
                )
            except Refused as error:
                refusal = error.message
            else:
                messages.success(request, _("%(n)s added to the list.") % {"n": len(added)})
                return redirect(recall)
    found = _new_matches(request, recall)
    context = {
        "recall": recall, "form": form, "refused": refusal, "section": "due", "n_found": len(found),
        "rows": _rows_of(request, found[:ROWS_SHOWN]), "n_more_rows": max(0, len(found) - ROWS_SHOWN),
    }  # fmt: skip
    show = refused if request.method == "POST" else page
    return show(request, "maintenance/recalls/add.html", context)


def _new_matches(request: PersonRequest, recall: Recall) -> list[Affected]:
    listed = RecallItem.objects.visible_to(request.user).filter(recall=recall).values_list("transmitter_id", flat=True)
    on_list = set(listed)
    found = affected(RecallFilter.from_json(recall.filter), what=recall.what)
    return [row for row in found if row.transmitter_id not in on_list]


SETTABLE: dict[str, str] = {
    RecallItem.State.OPEN: RecallItem.State.NOT_AFFECTED,
    RecallItem.State.NOT_AFFECTED: RecallItem.State.OPEN,
}
"""What a person may make of an item, by its state; the others follow from the records."""


@audience("office")
@require_http_methods(["GET", "HEAD", "POST"])
def recall_item(request: PersonRequest, pk: int) -> HttpResponse:
    """Say what was seen at one transmitter, or take that back."""
    rows = RecallItem.objects.visible_to(request.user).select_related(
        "recall", "transmitter", "registration", "site", "state_by"
    )
    item = get_object_or_404(rows, pk=pk)
    is_post = request.method == "POST"
    if item.recall.closed_at and not is_post:
        return _is_closed(request, item.recall)
    meant = SETTABLE.get(item.state)
    form = NoteForm(request.POST if is_post else None, initial={"state": meant})
    if is_post and form.is_valid():
        meant = form.cleaned_data["state"]
    if meant is None or (is_post and form.is_valid() and meant == item.state):
        who = item.state_by.name if item.state_by else ""
        text = _("%(serial)s: %(state)s already; nothing was changed.")
        if who:
            text = _("%(serial)s: %(state)s already by %(who)s; nothing was changed.")
        told = {"serial": item.transmitter.serial, "state": item.get_state_display(), "who": who}
        messages.info(request, text % told)
        return redirect(item.recall)
    is_back = meant == RecallItem.State.OPEN
    context = _item_context(item, form, is_back)
    if is_post:
        if not form.is_valid():
            return refused(request, FORM, context)
        try:
            item = actions.set_item_state(
                item=item, state=meant, note=form.cleaned_data["note"], by=request.user, at=timezone.now()
            )
        except Refused as error:
            return refused(request, FORM, context | {"refused": error.message})
        messages.success(request, f"{item.transmitter.serial}: {item.get_state_display()}.")
        return redirect(item.recall)
    return page(request, FORM, context)


def _item_context(item: RecallItem, form: NoteForm, is_back: bool) -> dict[str, Any]:
    serial = item.transmitter.serial
    place = f"{item.site.name}, {item.registration.label}" if item.site and item.registration else serial
    title, button = _("Looked at, not affected"), _("Take it off what is to do")
    if is_back:
        title, button = _("To do again"), _("Put it back on the list")
        form.fields["note"].label = _("Why it is to do again")
    context = form_context(form, title, item.recall, "due", button=button)
    return context | {"lead": f"{place}, {serial}: {item.recall.title}."}


@audience("office")
@require_http_methods(["GET", "HEAD", "POST"])
def recall_close(request: PersonRequest, pk: int) -> HttpResponse:
    recall = _recall(request, pk)
    progress = RecallItem.objects.visible_to(request.user).filter(recall=recall).progress()
    if recall.closed_at and request.method != "POST":
        return _is_closed(request, recall)
    if not (recall.closed_at or progress.is_settled or request.user.is_manager):
        messages.warning(
            request,
            _("%(open)s still to do: until all are settled only a manager may close it.") % {"open": progress.open},
        )
        return redirect(recall)
    form = CloseForm(request.POST if request.method == "POST" else None, is_settled=progress.is_settled)
    context = form_context(
        form, _("Close: %(title)s") % {"title": recall.title}, recall, "due", button=_("Close this recall")
    )
    context["lead"] = progress_words(progress)
    if not progress.is_settled:
        context["lead"] += " What is left keeps its ordinary dates. Say why it is closed all the same."
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, FORM, context)
        try:
            actions.close_recall(recall=recall, by=request.user, at=timezone.now(), reason=form.cleaned_data["reason"])
        except Refused as error:
            return refused(request, FORM, context | {"refused": error.message})
        messages.success(request, _("The recall is closed; its list stays."))
        return redirect(recall)
    return page(request, FORM, context)
