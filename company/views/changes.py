"""Pages of the change log: who changed what in the whole firm, and the button that takes a change back."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import Any
from urllib.parse import urlsplit
from uuid import UUID

from django.contrib import messages
from django.contrib.auth.models import AnonymousUser
from django.db.models import Q
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST, require_safe

from company import undo as undoing
from company.access import PersonRequest, audience
from company.change_words import deed_words, kind_words
from company.errors import Refused
from company.htmx import page
from company.lists import page_of
from company.models import ChangeRow, Customer, Upload, User


def _day(request: PersonRequest, name: str, wrong: list[str]) -> date | None:
    text = request.GET.get(name, "").strip()
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        wrong.append(_("“%(text)s” is no day: give it as 2026-11-25, or leave it empty.") % {"text": text})
        return None


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time.min, tzinfo=timezone.get_current_timezone())


def _number(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else None


def _batch(text: str) -> UUID | None:
    try:
        return UUID(text)
    except ValueError:
        return None


def _asked(request: PersonRequest, wrong: list[str]) -> tuple[dict[str, Any], Q]:
    """What was chosen, for the form, and the condition that it makes."""
    get = request.GET
    chosen: dict[str, Any] = {
        "q": get.get("q", "").strip(), "person": _number(get.get("person", "")), "kind": get.get("kind", ""),
        "customer": _number(get.get("customer", "")), "batch": _batch(get.get("batch", "")),
        "from_on": _day(request, "from", wrong), "to_on": _day(request, "to", wrong),
    }  # fmt: skip
    condition = Q()
    if chosen["person"]:
        condition &= Q(by=chosen["person"])
    if chosen["kind"]:
        condition &= Q(subject_kind=chosen["kind"])
    if chosen["customer"]:
        condition &= Q(customer=chosen["customer"])
    if chosen["batch"]:
        condition &= Q(batch=chosen["batch"])
    first, last = chosen["from_on"], chosen["to_on"]
    if first and last and first > last:
        wrong.append(_("The first day lies after the last: exchange them."))
    if first:
        condition &= Q(at__gte=_midnight(first))
    if last and last < date.max:
        condition &= Q(at__lt=_midnight(last + timedelta(days=1)))
    return chosen, condition


@audience("office")
@require_safe
def change_list(request: PersonRequest) -> HttpResponse:
    """Who changed what, where and why; what was entered last comes first."""
    wrong: list[str] = []
    chosen, condition = _asked(request, wrong)
    log = ChangeRow.objects.visible_to(request.user)
    found = log.filter(condition).matching(chosen["q"]).order_by("-pk")
    shown = page_of(found.values_list("pk", flat=True), request)
    # What became of a change is asked for the rows shown only: sorting would ask it for every row found.
    rows = list(log.filter(pk__in=list(shown)).select_related("by", "customer", "undoes").with_fate().order_by("-pk"))
    gone = undoing.gone_from_record(rows)
    for row in rows:
        row.is_gone = (row.subject_kind, row.subject_id) in gone
    kinds = log.order_by("subject_kind").values_list("subject_kind", flat=True).distinct()
    context = chosen | {
        "page": shown,
        "rows": [(row, undoing.offers_undo(row, request.user)) for row in rows],
        "wrong": wrong,
        "people": User.objects.visible_to(request.user).exclude(audience="portal").order_by("name", "pk"),
        "kinds": sorted(((kind, kind_words(kind)) for kind in kinds), key=lambda one: one[1]),
        "customers": Customer.objects.visible_to(request.user).order_by("name", "pk"),
        "is_filtered": any(chosen.values()),
        "is_import": _is_import(request, chosen["batch"]),
        "can_undo_all": any(undoing.may_undo(row, request.user) and row.undone_at is None for row in rows),
        "section": "firm",
    }
    return page(request, "company/changes/list.html", context, part="rows", status=422 if wrong else 200)


def _is_import(request: PersonRequest, batch: UUID | None) -> bool:
    """Whether a batch is an import, which has a page of its own that takes it back."""
    return batch is not None and Upload.objects.visible_to(request.user).filter(uuid=batch).exists()


def _way_back(request: PersonRequest, back: ChangeRow | None = None) -> str:
    """The page the button stood on; the log for the office, else the first page. Where the record went off the records
    with `back`, its page may be the one the button stood on: the site's page then, if the log says at which site it was.
    """
    if back is not None and not undoing.is_on_record(back.subject_kind, back.subject_id):
        site = (back.before or {}).get("site")
        if isinstance(site, int):
            return reverse("sites:site_detail", args=[site])
    came_from = request.headers.get("referer", "")
    if url_has_allowed_host_and_scheme(came_from, {request.get_host()}, require_https=request.is_secure()):
        parts = urlsplit(came_from)
        # An address without a path, such as "https://host", is the first page's.
        return (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    return reverse("company:change_list" if request.user.is_office else "company:home")


@audience("office", "technician")
@require_POST
def change_undo(request: PersonRequest, pk: int) -> HttpResponse:
    """Take one change back. A technician only their own: anybody else's is not there for them."""
    rows = ChangeRow.objects.visible_to(request.user)
    if request.user.is_technician:
        rows = rows.filter(by=request.user)
    change, back = get_object_or_404(rows, pk=pk), None
    try:
        undoing.refuse_person(change, request.user)
        back = undoing.undo(change=change, by=request.user, at=timezone.now())
    except Refused as why:
        messages.error(request, why.message)
    else:
        messages.success(request, _said_back(request.user, change))
    return redirect(_way_back(request, back))


def _said_back(user: User | AnonymousUser, change: ChangeRow) -> str:
    """What was taken back: the one record, or how many where all that was changed in one go went back with it."""
    n = 1
    if undoing.goes_back_whole(change):
        n = ChangeRow.objects.visible_to(user).filter(batch=change.batch, verb=change.verb, undoes=None).count()
    if n > 1:
        return ngettext(
            "Taken back as a whole: %(deed)s, %(n)s record.", "Taken back as a whole: %(deed)s, %(n)s records.", n
        ) % {"deed": deed_words(change.verb), "n": n}
    return _("Taken back: %(deed)s, %(subject)s.") % {"deed": deed_words(change.verb), "subject": change.subject_text}


@audience("office", "technician")
@require_POST
def change_undo_batch(request: PersonRequest, uuid: UUID) -> HttpResponse:
    """Take back everything that was changed in one go, or nothing of it."""
    rows = ChangeRow.objects.visible_to(request.user).filter(batch=uuid, undoes=None)
    if request.user.is_technician:
        rows = rows.filter(by=request.user)
    change = get_object_or_404(rows.order_by("pk")[:1])
    if _is_import(request, uuid) and request.user.is_office:
        return redirect("devices:import_undo", uuid)
    try:
        if not undoing.may_undo(change, request.user):
            raise undoing.CannotUndo(_("This kind of change cannot be taken back here. Change the records by hand."))
        n_done = undoing.undo_batch(batch=uuid, by=request.user, at=timezone.now())
    except Refused as why:
        messages.error(request, why.message)
    else:
        messages.success(
            request, ngettext("%(n)s change taken back.", "%(n)s changes taken back.", n_done) % {"n": n_done}
        )
    return redirect(_way_back(request))
