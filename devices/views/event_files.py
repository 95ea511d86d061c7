"""Pages of event logs handed over as files: list, upload, columns, what it would do, taking it in, the result."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe
from django_htmx.http import HttpResponseClientRefresh

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused, wants_part
from company.lists import page_of
from company.models import Job, Upload
from company.spreadsheets import csv_bytes
from company.toasts import said
from devices.actions import event_files as actions
from devices.actions.sources import add_source
from devices.forms.event_files import EventFileForm, MapForm, initial_of
from devices.imports.event_logs import problems_of, refuse_empty_log
from devices.imports.log_places import KnownPlaces
from devices.imports.log_rows import refuse_large_log, refuse_log
from devices.models import IntakeSource
from devices.rules.event_log import LogMap
from devices.views.event_files_shown import (
    Standing,
    came_before,
    kinds_shown,
    span_of,
    standings,
    understood,
)
from sites.models import Site

EXAMPLE_HEADER = ("Time", "Account", "Event code", "Zone", "Serial", "Margin dB", "Text")
EXAMPLE_ROWS = (
    ("2026-03-02 08:14:05", "4711", "E384", 12, "", "", "Low battery, room 12"),
    ("2026-03-02 09:30:00", "4711", "check-in", "", "TX-20417", 18, ""),
    ("2026-03-02 11:02:40", "4711", "E101", 7, "", "", "Help call, bathroom 7"),
    ("2026-03-02 11:05:12", "4711", "R101", 7, "", "", "Help call over"),
    ("2026-03-03 16:20:00", "4711", "R384", 12, "", "", "Cells changed, room 12"),
)


def _uploads(request: PersonRequest) -> Any:
    rows = Upload.objects.visible_to(request.user).filter(kind=actions.KIND)
    return rows.defer("content").select_related("by").order_by("-at", "-pk")


def _opened(request: PersonRequest, uuid: UUID) -> tuple[Upload, Standing]:
    upload = get_object_or_404(_uploads(request), uuid=uuid)
    standing = standings(request, [upload])[upload.pk]
    if standing.source is None:
        raise Http404
    return upload, standing


@audience("office")
@require_safe
def event_file_list(request: PersonRequest) -> HttpResponse:
    """Every event log that was handed over, newest first."""
    uploads, asked = _wanted(request, _uploads(request))
    shown = page_of(uploads, request)
    found = standings(request, list(shown.object_list))
    rows = [(upload, found[upload.pk]) for upload in shown.object_list]
    names = IntakeSource.objects.visible_to(request.user).filter(kind=IntakeSource.Kind.FILE).order_by("name", "pk")
    context = asked | {"page": shown, "rows": rows, "sources": names.values_list("pk", "name"), "section": "checkins"}
    return page(request, "devices/event_files/list.html", context, part="rows")


def _wanted(request: PersonRequest, uploads: Any) -> tuple[Any, dict[str, Any]]:
    """The files asked for, and what was asked, as the form shows it. Whose a file is stands in the job that looked at it."""
    show, words, chosen = (request.GET.get(name, "") for name in ("show", "q", "source"))
    words = words.strip()[:80]
    of_files = Job.objects.visible_to(request.user).order_by()
    if words and words.isprintable():
        uploads = uploads.filter(name__icontains=words)
    pk = int(chosen) if chosen.isascii() and chosen.isdigit() and len(chosen) < 10 else 0
    if pk:
        looks = of_files.filter(key__startswith=actions.LOOK, args__source=pk)
        uploads = uploads.filter(uuid__in=set(looks.values_list("args__upload", flat=True)))
    if show == "open":
        takes = of_files.filter(key__startswith=actions.TAKE, state=Job.State.DONE)
        uploads = uploads.exclude(uuid__in=set(takes.values_list("args__upload", flat=True)))
    return uploads, {"show": show if show == "open" else "", "q": words, "chosen": pk}


@audience("office")
def event_file_new(request: PersonRequest) -> HttpResponse:
    """Choose the file and whose it is."""
    form = EventFileForm(
        request.user, request.POST or None, request.FILES or None, initial={"source": request.GET.get("source")}
    )
    context: dict[str, Any] = {"form": form, "section": "checkins"}
    template = "devices/event_files/new.html"
    if request.method != "POST":
        return page(request, template, context)
    if not form.is_valid():
        return refused(request, template, context)
    file, now = form.cleaned_data["log"], timezone.now()
    try:
        refuse_large_log(file.name, file.size)
        content = file.read()
        refuse_log(file.name, content)
        if not form.cleaned_data["source"]:
            # Before the source is made: it would stay behind, with a name that is taken.
            refuse_empty_log(file.name, content)
        with transaction.atomic():
            source = form.cleaned_data["source"] or add_source(source=form.new_source(), by=request.user, at=now)
            upload = actions.receive_file(name=file.name, content=content, source=source, by=request.user, at=now)
    except Refused as refusal:
        return refused(request, template, context | {"refused": refusal.message})
    return redirect("devices:event_file_map", uuid=upload.uuid)


@audience("office")
@require_safe
def event_file_example(request: HttpRequest) -> HttpResponse:
    """A small file to look at."""
    return _download(csv_bytes(EXAMPLE_HEADER, EXAMPLE_ROWS), "event-log-example.csv")


@audience("office")
def event_file_map(request: PersonRequest, uuid: UUID) -> HttpResponse:
    """What the columns and words mean, with the first rows as they will be understood."""
    upload, standing = _opened(request, uuid)
    if _asks_again(request) and standing.at_work is None:
        return HttpResponseClientRefresh()
    if standing.at_work or not standing.looked:
        return _waiting(request, upload, standing, "devices/event_files/map.html")
    source, look = standing.source, standing.look
    assert source is not None
    assert look is not None
    if not standing.looked["n_rows"]:
        context = {"upload": upload, "standing": standing, "source": source, "look": look.result, "section": "checkins"}
        return page(request, "devices/event_files/map.html", context)
    form, places = _map_form(request, standing)
    context = {
        "upload": upload, "standing": standing, "source": source, "form": form, "look": look.result, "section": "checkins",
        "memory": actions.remembered(source),
    }  # fmt: skip
    template = "devices/event_files/map.html"
    if request.method != "POST":
        chosen = _first_choice(form, standing)
        return page(request, template, context | _rows_of(standing, chosen, places))
    if request.POST.get("look") != str(look.pk):
        context["refused"] = _("The file was looked at again meanwhile. This is what it holds; choose once more.")
        fresh, places = _map_form(request, standing, is_fresh=True)
        return refused(
            request, template, context | {"form": fresh} | _rows_of(standing, _first_choice(fresh, standing), places)
        )
    is_valid = form.is_valid()
    draft = form.draft()
    if form.is_other_look(draft.columns) and "head_row" in form.cleaned_data:
        actions.ask_to_look(upload=upload, source=source, draft=draft.as_json(), by=request.user)
        return redirect("devices:event_file_map", uuid=upload.uuid)
    context |= _rows_of(standing, draft, places)
    if not is_valid:
        return refused(request, template, context)
    if "show" in request.POST:
        return page(request, template, context)
    try:
        actions.choose_map(
            upload=upload, source=source, chosen=draft, heads=(look.result or {})["heads"], by=request.user, at=timezone.now()
        )  # fmt: skip
    except Refused as refusal:
        return refused(request, template, context | {"refused": refusal.message})
    return redirect("devices:event_file_detail", uuid=upload.uuid)


def _map_form(request: PersonRequest, standing: Standing, *, is_fresh: bool = False) -> tuple[MapForm, KnownPlaces]:
    source, look = standing.source, standing.look
    assert source is not None
    assert look is not None
    places = KnownPlaces(source)
    sites = Site.objects.visible_to(request.user).filter(closed_at=None)
    if source.site_id:
        sites = sites.filter(pk=source.site_id)
    elif source.customer_id:
        sites = sites.filter(customer_id=source.customer_id)
    draft = actions.remembered(
        source, standing.check.args["map"] if standing.check else look.args.get("draft", {})
    ).choices
    kept = actions.remembered(source).choices
    result = standing.looked
    data = request.POST if request.method == "POST" and not is_fresh else None
    form = MapForm(
        data, look=result, sites=sites, receivers=places.known, only=places.only, known=kept.get("words") or None,
        initial=initial_of(result, kept, draft),
    )  # fmt: skip
    return form, places


def _first_choice(form: MapForm, standing: Standing) -> LogMap:
    """The form's first content as a choice, so that the first rows can be shown before anybody chose."""
    form.cleaned_data = dict(form.initial)
    chosen = form.draft()
    del form.cleaned_data
    return chosen


def _rows_of(standing: Standing, chosen: LogMap, places: KnownPlaces) -> dict[str, Any]:
    """The first rows as they will be understood; none before the form of the times is known."""
    if not chosen.time_format or "time" not in chosen.columns or standing.source is None:
        return {"understood": [], "zone": chosen.zone}
    return {"understood": understood(standing.looked, standing.source, chosen, places), "zone": chosen.zone}


@audience("office")
@require_safe
def event_file_detail(request: PersonRequest, uuid: UUID) -> HttpResponse:
    """Progress while a job works; then what the file would do, or what came in."""
    upload, standing = _opened(request, uuid)
    if _asks_again(request) and standing.at_work is None:
        return HttpResponseClientRefresh()
    if standing.at_work or not (standing.seen or standing.taken or standing.error):
        if not standing.at_work:
            return redirect("devices:event_file_map", uuid=upload.uuid)
        return _waiting(request, upload, standing, "devices/event_files/detail.html")
    seen = standing.seen
    problems = _problems(request, standing)
    context = {
        "upload": upload, "standing": standing, "source": standing.source, "seen": seen, "kinds": kinds_shown(seen),
        "span": span_of(seen), "before": None if standing.taken else came_before(request, upload, standing),
        "n_more": seen.get("n_refused", 0) - len(problems),
        "n_taken": seen.get("n_events", 0) - seen.get("n_set_aside", 0), "page": page_of(problems, request), "n_new_days": seen.get("n_days", 0) - seen.get("n_days_heard", 0),
        "section": "checkins",
    }  # fmt: skip
    return page(request, "devices/event_files/detail.html", context)


def _asks_again(request: PersonRequest) -> bool:
    """Whether it is the progress that asks: once the job is over, the whole page is wanted in its place."""
    return wants_part(request) and request.htmx.target == "progress"


def _waiting(request: PersonRequest, upload: Upload, standing: Standing, template: str) -> HttpResponse:
    """Progress, or why there is none."""
    context = {"upload": upload, "standing": standing, "source": standing.source, "section": "checkins"}
    return page(request, template, context, part="progress" if standing.at_work else "")


def _problems(request: PersonRequest, standing: Standing) -> list[list[Any]]:
    key = standing.seen.get("problems")
    if not key:
        return []
    kept = Upload.objects.visible_to(request.user).filter(kind=actions.SEEN_KIND, uuid=key).first()
    return problems_of(kept) if kept else []


@audience("office")
@require_POST
def event_file_take(request: PersonRequest, uuid: UUID) -> HttpResponse:
    """Take in what was checked; the check that was looked at must be the newest."""
    upload, standing = _opened(request, uuid)
    check = standing.check
    try:
        if check is None or request.POST.get("check") != str(check.uuid) or check.state != Job.State.DONE:
            raise Refused(_("The columns were chosen anew meanwhile. Look again at what the file would do."))
        actions.ask_to_take(upload=upload, check=check, by=request.user, at=timezone.now())
    except Refused as refusal:
        messages.error(request, refusal.message)
    return redirect("devices:event_file_detail", uuid=upload.uuid)


@audience("office")
@require_POST
def event_file_remove(request: PersonRequest, uuid: UUID) -> HttpResponse:
    """Throw a file away of which nothing was taken in."""
    upload, standing = _opened(request, uuid)
    source = standing.source
    assert source is not None
    try:
        is_source_gone = actions.remove_file(upload=upload, source=source, by=request.user, at=timezone.now())
    except Refused as refusal:
        messages.error(request, refusal.message)
        return redirect("devices:event_file_detail", uuid=upload.uuid)
    told = {"name": upload.name, "source": source.name}
    if is_source_gone:
        said(request, _("%(name)s is removed, and %(source)s with it, of which nothing ever came.") % told)
    else:
        said(request, _("%(name)s is removed. Nothing of it had been taken in.") % told)
    return redirect("devices:event_file_list")


@audience("office")
@require_safe
def event_file_problems(request: PersonRequest, uuid: UUID) -> HttpResponse:
    """Rows that are not taken, with the reason, as a CSV file to work through beside the log; it says how many it leaves out."""
    _upload, standing = _opened(request, uuid)
    if not standing.seen:
        raise Http404
    rows = _problems(request, standing)
    if n_more := standing.seen["n_refused"] - len(rows):
        why = _("%(n)s more rows are not taken and not listed here. Their reasons are counted on the page.") % {
            "n": n_more
        }
        rows = [*rows, ["", "", why]]
    return _download(csv_bytes(("row", "field", "why"), rows), "event-log-problems.csv")


def _download(body: bytes, name: str) -> HttpResponse:
    response = HttpResponse(body, content_type="text/csv; charset=utf-8")
    response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return response
