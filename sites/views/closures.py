"""Term dates of many sites by one file: template, upload, what each row would do, all of it or nothing."""

from __future__ import annotations

from datetime import date
from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_POST, require_safe

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.lists import page_of
from company.models import ChangeRow, Upload
from company.spreadsheets import OutSheet, refuse_oversize, xlsx_bytes
from company.toasts import said
from sites.actions import closures as actions
from sites.rules.closure_rows import PLAN
from sites.views.shown import undo_address

NEW, DETAIL = "sites/closures/new.html", "sites/closures/detail.html"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
PAGE_SIZE = 50
EXAMPLES = (
    ("EXAMPLE-01", None, None, date(2026, 12, 21), date(2027, 1, 3), "no access", "Christmas holidays"),
    ("example: all schools of a customer", "EXAMPLE", "school", date(2027, 2, 15), date(2027, 2, 19), "empty",
     "half-term: caretaker lets us in"),
)  # fmt: skip


class ClosureFileForm(forms.Form):
    """One question: which file."""

    file = forms.FileField(
        label=gettext_lazy("File"),
        widget=forms.FileInput(attrs={"accept": ".xlsx,.csv"}),
        help_text=gettext_lazy("One XLSX or CSV file, at most 2 MB."),
        error_messages={"required": gettext_lazy("Choose a file first."), "empty": gettext_lazy("The file is empty.")},
    )


def _uploads(request: PersonRequest) -> Any:
    rows = Upload.objects.visible_to(request.user).filter(kind=actions.KIND)
    return rows.defer("content").select_related("by").order_by("-at", "-pk")


@audience("office")
def closure_file_new(request: PersonRequest) -> HttpResponse:
    form = ClosureFileForm(request.POST or None, request.FILES or None)
    context = {"form": form, "plan": PLAN, "files": _uploads(request)[:10], "section": "sites"}
    if request.method != "POST":
        return page(request, NEW, context)
    if not form.is_valid():
        return refused(request, NEW, context)
    file = form.cleaned_data["file"]
    try:
        refuse_oversize(file.name, file.size, actions.MAX_BYTES)
        upload = actions.receive_closures(name=file.name, content=file.read(), by=request.user, at=timezone.now())
    except Refused as refusal:
        return refused(request, NEW, context | {"refused": refusal.message})
    return redirect("sites:closure_file", uuid=upload.uuid)


@audience("office")
@require_safe
def closure_file(request: PersonRequest, uuid: UUID) -> HttpResponse:
    upload = get_object_or_404(_uploads(request), uuid=uuid)
    return page(request, DETAIL, _context(request, upload))


def _context(request: PersonRequest, upload: Upload) -> dict[str, Any]:
    # The change log says whether this file was applied, and whether that was taken back.
    log = ChangeRow.objects.visible_to(request.user).filter(batch=upload.uuid, subject_kind="upload")
    applied = log.filter(undoes=None, undone_by=None).select_related("by").order_by("-pk").first()
    context: dict[str, Any] = {"upload": upload, "applied": applied, "section": "sites"}
    try:
        judged = actions.preview_closures(upload=upload, today=timezone.localdate())
    except Refused as refusal:
        return context | {"refused": refusal.message}
    return context | {
        "faults": judged.faults,
        "n_new": len(judged.new),
        "n_sites": len({days.site_pk for days in judged.new}),
        "n_remarks": sum(len(fate.remarks) for fate in judged.fates),
        "notes": [problem for problem in judged.problems if not problem.is_fault],
        "page": page_of(judged.fates, request, PAGE_SIZE),
    }


@audience("office")
@require_POST
def closure_file_apply(request: PersonRequest, uuid: UUID) -> HttpResponse:
    upload = get_object_or_404(_uploads(request), uuid=uuid)
    seen = request.POST.get("seen", "")
    try:
        n = actions.apply_closures(
            upload=upload, n_seen=int(seen) if seen.isdecimal() else -1, by=request.user, at=timezone.now(),
            today=timezone.localdate(),
        )  # fmt: skip
    except Refused as refusal:
        messages.error(request, refusal.message)
        return redirect("sites:closure_file", uuid=upload.uuid)
    change = ChangeRow.objects.visible_to(request.user).filter(batch=upload.uuid, verb=actions.ADD).order_by("-pk")
    done = ngettext("%(n)s span of days added.", "%(n)s spans of days added.", n) % {"n": n}
    said(request, done, undo_url=undo_address(change.first()))
    return redirect("sites:closure_file", uuid=upload.uuid)


@audience("office")
@require_safe
def closure_template(request: PersonRequest) -> HttpResponse:
    """An empty file with two rows of examples, which are left out when it comes back."""
    about = [
        [f"{column.title}: {column.note}{' Must be filled in.' if column.is_required else ''}"]
        for column in PLAN.columns
    ]
    sheets = [
        OutSheet(PLAN.name, [c.title for c in PLAN.columns], EXAMPLES, [c.note for c in PLAN.columns]),
        OutSheet("about", ["How to fill in the sheet"], about),
    ]
    response = HttpResponse(xlsx_bytes(sheets), content_type=XLSX)
    response.headers["Content-Disposition"] = 'attachment; filename="term-dates.xlsx"'
    return response
