"""Pages of the workbook import: what was uploaded, the preview, applying it, the template."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, cast
from uuid import UUID

from django import forms
from django.contrib import messages
from django.db.models import Q
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.text import format_lazy
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST, require_safe
from django_htmx.http import HttpResponseClientRefresh

from company.access import audience
from company.errors import Refused
from company.htmx import page, refused, wants_part
from company.lists import page_of
from company.models import Job, Upload, User
from company.sheets import Problem
from company.spreadsheets import MAX_BYTES, csv_bytes, refuse_oversize, template_bytes
from devices import imports
from devices.actions.import_undo import ask_to_take_back, undo_prefix
from devices.actions.import_undo_since import changes_since, say_change
from devices.actions.imports import apply_prefix, ask_to_apply, check_key, receive_workbook, settle_key
from devices.rules.workbook_rows import ABOUT, PLANS
from sites.models import Site

PAGE_SIZE = 50
READY_DAYS = 30
"""A workbook that was checked longer ago and not applied has been let go."""
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
FATES = ("new", "changed", "unchanged", "fault")


class ManyFiles(forms.FileField):
    """A file field that takes several files: one workbook, or a CSV file for each sheet."""

    widget = forms.FileInput

    def clean(self, data: Any, initial: Any = None) -> list[Any]:
        # No file at all comes as an empty list; the field's own refusal says what to do.
        files = data if isinstance(data, list) and data else [None if isinstance(data, list) else data]
        return [super(ManyFiles, self).clean(each, initial) for each in files]


class ManyFilesInput(forms.FileInput):
    """The browser's own file chooser, several files at a time."""

    allow_multiple_selected = True


class WorkbookForm(forms.Form):
    """One question: which file."""

    workbook = ManyFiles(
        label=gettext_lazy("Workbook"),
        widget=ManyFilesInput(attrs={"accept": ".xlsx,.csv,.tsv,.txt,.zip", "multiple": True}),
        help_text=format_lazy(
            gettext_lazy("One XLSX workbook, or one CSV file for each sheet. At most {megabytes} MB together."),
            megabytes=MAX_BYTES // 1000000,
        ),
        error_messages={
            "required": gettext_lazy("Choose a workbook first."),
            "empty": gettext_lazy("The file is empty."),
        },
    )

    def packed(self) -> tuple[str, bytes]:
        """Name and bytes to keep; a file that is too large is refused before a byte of it is read."""
        files = self.cleaned_data["workbook"]
        refuse_oversize(files[0].name, sum(file.size for file in files))
        return imports.pack_files([(file.name, file.read()) for file in files])


@dataclass(frozen=True, slots=True)
class Standing:
    """Where an import stands: its jobs, the preview that counts, and what was written."""

    check: Job | None
    apply: Job | None
    undo: Job | None = None
    settle: Job | None = None

    @property
    def at_work(self) -> Job | None:
        """The job that runs or waits."""
        return next((job for job in (self.undo, self.apply, self.check) if job and not job.is_over), None)

    @property
    def failed(self) -> Job | None:
        newest = self.apply or self.check
        return newest if newest and newest.state == Job.State.FAILED else None

    @property
    def is_taken_back(self) -> bool:
        return bool(self.undo and self.undo.state == Job.State.DONE and not (self.undo.result or {}).get("refused"))

    @property
    def undo_refused(self) -> str:
        """Why it was not taken back, in words."""
        if self.undo is None or self.undo.state != Job.State.FAILED:
            return str((self.undo.result or {}).get("refused", "")) if self.undo else ""
        error = self.undo.error
        return _("The program met a fault, which was written down.") if error.startswith("Traceback") else error

    @property
    def is_applied(self) -> bool:
        return bool(self.apply and self.apply.state == Job.State.DONE and (self.apply.result or {}).get("applied"))

    @property
    def seen(self) -> Mapping[str, Any]:
        """What the newest preview came to: made by the check, or by an apply that met changed records."""
        for job in (self.apply, self.check):
            if job and job.state == Job.State.DONE and "preview" in (job.result or {}):
                return job.result or {}
        return {}

    @property
    def word(self) -> str:
        """One word for the list."""
        if self.at_work:
            return {id(self.apply): "applying", id(self.undo): "taking back"}.get(id(self.at_work), "checking")
        if self.is_taken_back:
            return "taken back"
        if self.is_applied:
            return "applied"
        if self.failed:
            return "failed"
        if self.seen.get("faults"):
            return "faults"
        if self.seen.get("is_empty"):
            return "nothing new" if self.seen.get("counts") else "no rows"
        return "ready"


def _standing(request: HttpRequest, uploads: list[Upload]) -> dict[int, Standing]:
    """The jobs of these uploads, in one query; of several attempts to apply the newest counts."""
    if not uploads:
        return {}
    condition = Q()
    for upload in uploads:
        condition |= Q(key=check_key(upload)) | Q(key=settle_key(upload.uuid))
        condition |= Q(key__startswith=apply_prefix(upload)) | Q(key__startswith=undo_prefix(upload))
    jobs = list(Job.objects.visible_to(request.user).filter(condition).order_by("created_at", "pk"))
    standing = {}
    for upload in uploads:
        check = next((job for job in jobs if job.key == check_key(upload)), None)
        applies = [job for job in jobs if job.key.startswith(apply_prefix(upload))]
        undos = [job for job in jobs if job.key.startswith(undo_prefix(upload))]
        settle = next((job for job in jobs if job.key == settle_key(upload.uuid)), None)
        standing[upload.pk] = Standing(check, applies[-1] if applies else None, undos[-1] if undos else None, settle)
    return standing


def _uploads(request: HttpRequest) -> Any:
    rows = Upload.objects.visible_to(request.user).filter(kind=imports.KIND)
    return rows.defer("content").select_related("by").order_by("-at", "-pk")


@audience("office")
@require_safe
def import_list(request: HttpRequest) -> HttpResponse:
    """Every workbook, or only those that wait to be applied (`?state=ready`)."""
    uploads, is_ready = _uploads(request), request.GET.get("state") == "ready"
    if is_ready:
        recent = list(uploads.filter(at__gte=timezone.now() - timedelta(days=READY_DAYS)))
        standing = _standing(request, recent)
        uploads = [upload for upload in recent if standing[upload.pk].word == "ready"]
    shown = page_of(uploads, request)
    standing = _standing(request, list(shown.object_list))
    rows = [(upload, standing[upload.pk]) for upload in shown.object_list]
    context = {"page": shown, "rows": rows, "is_ready": is_ready, "section": "import"}
    return page(request, "devices/imports/list.html", context)


@audience("office")
def import_new(request: HttpRequest) -> HttpResponse:
    form = WorkbookForm(request.POST or None, request.FILES or None)
    context = {"form": form, "section": "import", "sheets": PLANS}
    if request.method != "POST":
        return page(request, "devices/imports/new.html", context)
    if not form.is_valid():
        return refused(request, "devices/imports/new.html", context)
    try:
        name, content = form.packed()
    except Refused as refusal:
        return refused(request, "devices/imports/new.html", context | {"refused": refusal.message})
    upload = receive_workbook(
        name=name, content=content, kind=imports.KIND, by=cast(User, request.user), at=timezone.now()
    )
    return redirect("devices:import_detail", uuid=upload.uuid)


@audience("office")
@require_safe
def import_detail(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """Progress while a job works; then the preview, or what was written."""
    upload = get_object_or_404(_uploads(request), uuid=uuid)
    standing = _standing(request, [upload])[upload.pk]
    if wants_part(request) and request.htmx.target == "progress" and standing.at_work is None:  # type: ignore[attr-defined]
        return HttpResponseClientRefresh()
    context = {"upload": upload, "standing": standing, "section": "import"} | _preview(request, upload, standing)
    part = "progress" if standing.at_work else "listing"
    return page(request, "devices/imports/detail.html", context, part=part)


def _preview(request: HttpRequest, upload: Upload, standing: Standing) -> dict[str, Any]:
    """What the page shows of a finished preview; nothing while a job is at work."""
    failed = standing.failed
    error = failed.error if failed and not failed.error.startswith("Traceback") else ""
    if standing.at_work or not standing.seen:
        return {"error_text": error}
    body = _kept(request, upload, standing)
    # Where no row was read, the remarks say why.
    begin = "faults" if body["n_faults"] else "rows" if body["fates"] else "remarks"
    view = request.GET.get("view") or begin
    sheet, fate = request.GET.get("sheet", ""), request.GET.get("fate", "")
    if view == "rows":
        rows = [r for r in body["fates"] if (not sheet or r[0] == sheet) and (not fate or r[3] == fate)]
    else:
        wanted = view == "faults"
        problems = [Problem(**p) for p in body["problems"]]
        rows = [p for p in problems if p.is_fault == wanted and (not sheet or p.sheet == sheet)]
    counts = standing.seen["counts"]
    return {
        "error_text": error,
        "view": view,
        "sheet": sheet,
        "fate": fate,
        "fates": FATES,
        "page": page_of(rows, request, PAGE_SIZE),
        "table": [(plan.name, [counts[plan.name].get(f, 0) for f in FATES]) for plan in PLANS if plan.name in counts],
        "seen": standing.seen,
        "written": _written(request, standing),
    }


def _kept(request: HttpRequest, upload: Upload, standing: Standing) -> dict[str, Any]:
    kept = (
        Upload.objects.visible_to(request.user)
        .filter(kind=imports.PREVIEW_KIND, name=str(upload.uuid), sha256=standing.seen["preview"])
        .order_by("-pk")
        .first()
    )
    if kept is None:
        raise Http404
    return imports.unpack(bytes(kept.content))


def _written(request: HttpRequest, standing: Standing) -> dict[str, Any] | None:
    """What an applied import wrote, with the sites to look at."""
    if not standing.is_applied or standing.apply is None:
        return None
    result = standing.apply.result or {}
    sites = Site.objects.visible_to(request.user).filter(pk__in=result.get("sites", [])).order_by("name", "pk")
    return {"counts": result.get("written", {}), "sites": sites[:20], "n_sites": len(result.get("sites", []))}


@audience("office")
@require_POST
def import_apply(request: HttpRequest, uuid: UUID) -> HttpResponse:
    upload = get_object_or_404(_uploads(request), uuid=uuid)
    standing = _standing(request, [upload])[upload.pk]
    try:
        if not standing.seen or request.POST.get("preview") != standing.seen["preview"]:
            raise Refused(_("The preview is not the one you looked at. Look at it again before applying."))
        ask_to_apply(upload=upload, seen=standing.seen, by=cast(User, request.user), at=timezone.now())
    except Refused as refusal:
        messages.error(request, refusal.message)
    return redirect("devices:import_detail", uuid=upload.uuid)


@audience("office")
def import_undo(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """The question before an import is taken back, with what stands against it; then the job that does it."""
    upload = get_object_or_404(_uploads(request), uuid=uuid)
    standing = _standing(request, [upload])[upload.pk]
    if not standing.is_applied or standing.is_taken_back or standing.at_work:
        return redirect("devices:import_detail", uuid=upload.uuid)
    since = [say_change(row) for row in changes_since(upload)]
    context = {"upload": upload, "written": _written(request, standing), "since": since, "section": "import"}
    if request.method != "POST":
        return page(request, "devices/imports/undo.html", context)
    try:
        ask_to_take_back(upload=upload, by=cast(User, request.user), at=timezone.now())
    except Refused as refusal:
        return refused(request, "devices/imports/undo.html", context | {"refused": refusal.message})
    return redirect("devices:import_detail", uuid=upload.uuid)


@audience("office")
@require_safe
def import_problems(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """Every fault and remark as a CSV file, to work through beside the workbook."""
    upload = get_object_or_404(_uploads(request), uuid=uuid)
    standing = _standing(request, [upload])[upload.pk]
    if not standing.seen:
        raise Http404
    problems = [Problem(**p) for p in _kept(request, upload, standing)["problems"]]
    header = ["sheet", "row", "column", "heading", "value", "fault or remark", "what is wrong"]
    rows = [
        [p.sheet, p.row, p.letter, p.column, p.value, "fault" if p.is_fault else "remark", p.sentence] for p in problems
    ]
    return _download(csv_bytes(header, rows), "text/csv; charset=utf-8", "import-faults.csv")


@audience("office")
@require_safe
def import_template(request: HttpRequest) -> HttpResponse:
    """The workbook to fill in: every sheet with an example row, every column explained."""
    return _download(template_bytes(PLANS, ABOUT), XLSX, "slotledger-workbook.xlsx")


def _download(body: bytes, media_type: str, name: str) -> HttpResponse:
    response = HttpResponse(body, content_type=media_type)
    response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return response
