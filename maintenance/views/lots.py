"""Pages of lots: which deliveries of cells end early, and where what is left of one is now."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.http import require_http_methods, require_safe

from company.access import PersonRequest, audience
from company.htmx import page
from company.lists import page_of
from devices.models import BatteryType, Fitting
from devices.rules.slot_map import due_words, urgency
from maintenance.models import BatteryFit, LotFit, Recall, RecallItem
from maintenance.querysets import lots as reads
from maintenance.querysets.lots import LotKey
from maintenance.rules.lot_words import (
    LotCount,
    expected_words,
    half_year_days,
    kinds_words,
    lot_name,
    ratio_words,
    standing_words,
    verdict,
)
from maintenance.rules.recalls import count_sites
from maintenance.views.recall_rounds import Source, pull_page

CELLS_A_PAGE = 50
ENDED_SHOWN = 25
SHOWS = (
    ("service", gettext_lazy("with cells in service")),
    ("suspect", gettext_lazy("suspect ones")),
    ("all", gettext_lazy("every lot")),
)


@audience("office")
@require_safe
def lots(request: PersonRequest) -> HttpResponse:
    ask = request.GET.get
    words, show, cell = ask("q", "").strip()[:40], ask("show", ""), ask("cells", "")[:9]
    # Somebody who looks for a code wants it whether or not any is left.
    show = show if show in dict(SHOWS) else "all" if words else "service"
    known = LotFit.objects.visible_to(request.user)
    rows = reads.for_list(reads.narrowed(known, words=words, show=show, battery_type=cell))
    sort = ask("sort", "") if ask("sort", "").removeprefix("-") in reads.COLUMNS else "chance"
    paging = page_of(reads.in_order(rows, sort), request)
    keys = {row["lot_pk"]: _key(row) for row in paging}
    there = reads.spread(keys.values())
    for row in paging:
        row["n_now"], row["n_sites"], row["n_grave"] = there.get(keys[row["lot_pk"]], (0, 0, 0))
        row["name"] = lot_name(row["code"], is_half_year=row["is_half_year"])
        count = LotCount(
            row["n_seen"], row["n_expected"], row["least_factor"], row["least_chance"], bool(row["suspect"])
        )
        row["expected_words"], row["standing"] = expected_words(row["n_expected"]), standing_words(count)
        row["ratio"] = ratio_words(row["n_seen"], row["n_expected"])
    fit = BatteryFit.objects.visible_to(request.user).filter(is_current=True).first()
    cells = BatteryType.objects.visible_to(request.user).filter(pk__in=known.values("stratum__battery_type_id"))
    unjudged = (
        Fitting.objects.visible_to(request.user).filter(lot__iexact=words).count()
        if words and not paging.object_list
        else 0
    )
    context = {
        "unjudged": unjudged, "page": paging, "sort": sort, "words": words, "show": show, "shows": SHOWS, "cell": cell, "fit": fit,
        "cells": cells.order_by("iec_code", "pk"), "section": "due", "grave_lots": reads.grave_left(known),
        "n_suspect": known.filter(fit__is_current=True, is_suspect=True).values("code", "stratum__battery_type").distinct().count(),
    }  # fmt: skip
    return page(request, "maintenance/lots/list.html", context, part="rows")


def _key(row: dict[str, Any]) -> LotKey:
    return LotKey(row["code"], row["is_half_year"], row["stratum__battery_type_id"])


def _lot(request: PersonRequest, pk: int) -> LotFit:
    rows = LotFit.objects.visible_to(request.user).select_related("stratum__battery_type", "fit")
    return get_object_or_404(rows, pk=pk)


def _key_of(lot: LotFit) -> LotKey:
    return LotKey(lot.code, lot.is_half_year, lot.stratum.battery_type_id)


@audience("office")
@require_safe
def lot_detail(request: PersonRequest, pk: int) -> HttpResponse:
    lot = _lot(request, pk)
    key = _key_of(lot)
    kinds = reads.rows_of(LotFit.objects.visible_to(request.user), key)
    if not lot.fit.is_current and kinds:
        # A night later every record is a new one; a link that was kept leads to today's.
        return redirect("maintenance:lot_detail", pk=kinds[0].pk)
    kinds = kinds or [lot]
    today = timezone.localdate()
    held = reads.fittings_of(Fitting.objects.visible_to(request.user), key)
    paging = page_of(reads.in_service(held), request, CELLS_A_PAGE)
    for fitting in paging:
        _place(fitting, today)
    out = reads.ended(held)
    counts = [LotCount(row.observed, row.expected, row.factor, row.chance_normal, row.is_suspect) for row in kinds]
    for row, count in zip(kinds, counts, strict=True):
        row.ratio, row.verdict = ratio_words(row.observed, row.expected), verdict(count)
    told = kinds_words([(_kind_name(row, kinds), count) for row, count in zip(kinds, counts, strict=True)])
    places = count_sites(reads.site_counts(held))
    listed = RecallItem.objects.visible_to(request.user).open().filter(fitting__in=held.values("pk"))
    context = {
        "lot": lot, "name": lot_name(lot.code, is_half_year=lot.is_half_year), "kinds": kinds, "page": paging,
        "ended": out[:ENDED_SHOWN], "n_ended": out.count(), "n_sites": len(places), "section": "due",
        "n_grave": sum(site.n_grave for site in places), "n_placed": sum(site.n for site in places),
        "is_suspect": any(row.is_suspect for row in kinds), "kinds_told": told, "recall_url": _recall_url(key),
        "recalls": Recall.objects.visible_to(request.user).filter(pk__in=listed.values("recall_id")).order_by("due_on", "pk"),
    }  # fmt: skip
    return page(request, "maintenance/lots/detail.html", context, part="rows")


def _kind_name(lot: LotFit, kinds: list[LotFit]) -> str:
    """Name of the kind of transmitter; one that stands here twice says whether its activations are counted."""
    kind = lot.stratum.transmitter_type
    name = kind.label if kind else gettext("unknown transmitters")
    if sum(row.stratum.transmitter_type_id == lot.stratum.transmitter_type_id for row in kinds) == 1:
        return name
    named = (
        gettext("%(kind)s (activations counted)")
        if lot.stratum.is_measured
        else gettext("%(kind)s (activations assumed)")
    )
    return named % {"kind": name}


def _place(fitting: Any, today: Any) -> None:
    """Give a set of cells its due item while it stands in a slot, and the mark of its date."""
    item = getattr(fitting, "due_item", None)
    fitting.item = item if item is not None and not item.is_closed else None
    if fitting.item:
        fitting.mark, fitting.words = urgency(fitting.item.due_on, today), due_words(fitting.item.due_on, today)


def _recall_url(key: LotKey) -> str:
    """Address of a new recall with what names this lot filled in."""
    asked: dict[str, Any] = {"battery_type": key.battery_type_id or ""}
    days = half_year_days(key.code) if key.is_half_year else None
    if days:
        asked |= {"unknown_from": days[0].isoformat(), "unknown_to": days[1].isoformat()}
    else:
        asked["lots"] = key.code
    return f"{reverse('maintenance:recall_new')}?{urlencode(asked)}"


@audience("office")
@require_http_methods(["GET", "HEAD", "POST"])
def lot_rounds(request: PersonRequest, pk: int) -> HttpResponse:
    """Pull the sites of a lot into rounds; each battery keeps its own date."""
    lot = _lot(request, pk)
    held = reads.fittings_of(Fitting.objects.visible_to(request.user), _key_of(lot))
    name = lot_name(lot.code, is_half_year=lot.is_half_year)
    lead = gettext(
        "A round changes what is due within the weeks that you give below, so cells of this lot with a later date stay in. "
        "To have all of them out by one day, recall them first."
    )
    source = Source(name[:1].upper() + name[1:], None, reverse("maintenance:lot_detail", args=[lot.pk]), lead)
    return pull_page(request, source, count_sites(reads.site_counts(held)))
