"""The ledger of what came in: every batch, what became of its rows, and the ones that came under a used id."""

from __future__ import annotations

from typing import Any

from django.db.models import F, QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_safe

from company.access import PersonRequest, audience
from company.htmx import page
from company.lists import page_of
from devices.models import IntakeBatch, IntakeSource, SetAside

SECTION = "checkins"
LIST, DETAIL = "devices/intake/batches.html", "devices/intake/batch.html"
SHOWN_ROWS = 200
"""Rows of an answer on its page; the answer itself holds them all."""
FILTERS: dict[str, dict[str, Any]] = {
    "refused": {"n_refused__gt": 0}, "aside": {"n_set_aside__gt": 0}, "conflicts": {"n_conflicts__gt": 0},
    "repeats": {"n_repeats__gt": 0}, "clamped": {"n_clamped__gt": 0},
}  # fmt: skip


def _wanted(request: PersonRequest, rows: QuerySet[Any]) -> tuple[QuerySet[Any], dict[str, Any]]:
    """The batches asked for, and what was asked, as the form shows it."""
    show, words, chosen = (
        request.GET.get("show", ""),
        request.GET.get("q", "").strip()[:80],
        request.GET.get("source", ""),
    )
    if show in FILTERS:
        rows = rows.filter(**FILTERS[show])
    if words and words.isprintable():
        rows = rows.filter(batch_id__icontains=words) | rows.filter(file_name__icontains=words)
    pk = int(chosen) if chosen.isascii() and chosen.isdigit() and len(chosen) < 10 else 0
    if pk:
        rows = rows.filter(source_id=pk)
    return rows, {"show": show if show in FILTERS else "", "q": words, "chosen": pk}


@audience("office")
@require_safe
def batch_list(request: PersonRequest) -> HttpResponse:
    """Newest first."""
    rows, asked = _wanted(request, IntakeBatch.objects.visible_to(request.user).newest_first().defer("answer"))
    names = IntakeSource.objects.visible_to(request.user).order_by("name", "pk").values_list("pk", "name")
    context = asked | {"page": page_of(rows, request), "sources": names, "section": SECTION}
    return page(request, LIST, context, part="rows")


@audience("office")
@require_safe
def batch_detail(request: PersonRequest, pk: int) -> HttpResponse:
    """What was answered: refused rows with their reason, values left out, rows set aside with what became of them."""
    rows = IntakeBatch.objects.visible_to(request.user).select_related("source__customer", "by")
    batch: IntakeBatch = get_object_or_404(rows, pk=pk)
    answer = batch.answer if isinstance(batch.answer, dict) else {}
    said = [one for one in answer.get("said", ()) if isinstance(one, str)]
    told, left_out = (
        [one for one in answer.get(name, ()) if isinstance(one, dict)] for name in ("refused", "left_out")
    )
    aside = (
        SetAside.objects.visible_to(request.user)
        .waited()
        .filter(batch=batch)
        .select_related("transmitter", "receiver__site", "batch__source", "adopted_by", "dismissed_by")
        # The answer names every row of the batch, and would be read with each event of it.
        .defer("batch__answer", "batch__source__column_map")
    )
    same = IntakeBatch.objects.visible_to(request.user).filter(source=batch.source).only("pk")
    return page(
        request, DETAIL,
        {
            "section": SECTION, "batch": batch, "said": said, "refused": told[:SHOWN_ROWS], "n_more_refused": max(len(told) - SHOWN_ROWS, 0),
            "left_out": left_out[:SHOWN_ROWS], "n_more_left_out": max(len(left_out) - SHOWN_ROWS, 0),
            "aside": page_of(aside.order_by(F("row"), "pk"), request),
            "before": same.filter(pk__lt=batch.pk).order_by("-pk").first(), "after": same.filter(pk__gt=batch.pk).order_by("pk").first(),
        },
    )  # fmt: skip
