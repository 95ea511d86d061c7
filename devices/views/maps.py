"""The slot map as of any day, of one receiver and of a whole site, and what was heard of each transmitter."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property, lru_cache, partial
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.contrib import messages
from django.core.cache import cache
from django.http import Http404, HttpResponse
from django.middleware.csrf import get_token
from django.shortcuts import get_object_or_404
from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.cache import get_conditional_response
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import get_language, gettext, gettext_lazy
from django.views.decorators.http import require_safe

from company.access import PersonRequest, audience
from company.htmx import page, wants_part
from devices.models import Fault, Output, Receiver, ReceiverType, Registration
from devices.querysets import end_of_day, evidence_of, heard_moment, kept_findings, moment
from devices.rules.findings_facts import KeptFindings
from devices.rules.receiver_alarm import alarms_of, tile_words
from devices.rules.silence import LINK_LOST
from devices.rules.slot_map import SlotRow, day_asked, day_refused, fill_slots, sum_up_outputs
from devices.rules.supervision import StandingFault, TransmitterEvidence, evidence_sentence, faults_of, judge
from devices.views.page_frame import digest, framed, place_of, release
from devices.views.receivers import frame, here, receiver_for, standing_faults
from devices.views.shown import SHOWS, Cell, cell, fold_spares, group_findings, output_facts
from devices.views.slot_cells import draw
from devices.views.standby_shown import day_of, standby_of
from sites.models import Site

TALLY = (
    ("silent", gettext_lazy("silent")),
    ("awaited", gettext_lazy("not heard yet")),
    ("heard", gettext_lazy("heard")),
    ("unknown", gettext_lazy("without check-ins")),
    ("away", gettext_lazy("away")),
)
MAP = "devices/slots/map.html"
SAID = "<!--said-->"
"""Where the sentence about check-ins goes in a kept page: it changes with every delivery, the page does not."""
OF_SAID = ("stamp_heard", "heard_until")
MOMENTS = ("link_tested_at", "heard_until", "removed_at", "visited_at")
KEPT_S = 24 * 3600
PAGE_S = 3600
SAID_S = 300
"""How long the sentence may stand although only the clock has moved: whether a delivery is fresh hangs on it."""


class Head:
    """What was read of a receiver in one go: the receiver itself and stamps of what its map stands on."""

    def __init__(self, facts: dict[str, Any]) -> None:
        self.facts = facts
        self.zone = ZoneInfo(facts["zone"])

    @cached_property
    def body_stamp(self) -> list[Any]:
        """All that the slots, outputs and findings hang on; what only the sentence about check-ins uses is left out."""
        return [value for name, value in self.facts.items() if name not in OF_SAID]

    @cached_property
    def findings(self) -> KeptFindings:
        """What stands on the site's page and on the firm's list too, so that no two pages disagree.

        Worked out from the slots alone it would be less, and would know of no snooze. It is what the last look found:
        each change of a receiver has one, and every night.
        """
        return kept_findings(self.facts["found"], timezone.localdate())

    @property
    def firm_stamp(self) -> list[Any]:
        """What the frame of the page hangs on besides the person."""
        return [self.facts["stamp_firm"], self.facts["stamp_company"]]

    @property
    def said_stamp(self) -> list[Any]:
        """What the sentence about check-ins hangs on besides."""
        return [self.facts[name] for name in OF_SAID]

    @cached_property
    def receiver(self) -> Receiver:
        """The receiver with its site, type and last visit."""
        facts = self.facts | {name: moment(self.facts[name]) for name in MOMENTS}
        facts["standby_fitted_on"] = day_of(facts["standby_fitted_on"])
        names = {field.attname for field in Receiver._meta.concrete_fields} & facts.keys()
        receiver = Receiver(id=facts["pk"], **{name: facts[name] for name in names})
        receiver.site = Site(
            id=facts["site_id"], customer_id=facts["customer_id"], name=facts["site_name"], time_zone=facts["zone"]
        )
        if facts["type_id"]:
            receiver.type = ReceiverType(id=facts["type_id"], label=facts["type_label"])
        receiver.visit_id, receiver.visited_at = facts["visit_id"], facts["visited_at"]  # type: ignore[attr-defined]
        return receiver


def _heads(request: PersonRequest, **wanted: Any) -> list[Head]:
    return [Head(facts) for facts in Receiver.objects.visible_to(request.user).for_map(**wanted)]


@dataclass(slots=True)
class Maps:
    """Slots, outputs and faults of some receivers on a day, by receiver."""

    rows: dict[int, list[SlotRow]]
    outputs: dict[int, list[Output]]
    faults: dict[int, list[StandingFault]]


def _maps(request: PersonRequest, heads: Sequence[Head], on: date, *, is_today: bool) -> Maps:
    """Read the slot maps of one site's receivers: three queries, however many there are."""
    pks, zone = [head.receiver.pk for head in heads], heads[0].receiver.site.zone
    # Of a single receiver, the page that is asked for most, the text of the queries is kept.
    wanted = {"receiver": pks[0]} if len(pks) == 1 else {}
    drawn, taken = Output.objects.visible_to(request.user), Registration.objects.visible_to(request.user)
    shown = Fault.objects.visible_to(request.user)
    if not wanted:
        drawn, taken = drawn.filter(receiver__in=pks), taken.filter(receiver__in=pks)
        shown = shown.filter(receiver__in=pks)
    listed, uses = drawn.with_uses(**wanted)
    outputs: dict[int, list[Output]] = {}
    for output in listed:
        outputs.setdefault(output.receiver_id, []).append(output)
    rows: dict[int, list[SlotRow]] = {}
    for row in taken.slot_rows(end_of_day(on, zone), zone, uses, **wanted):
        rows.setdefault(row.receiver_pk or 0, []).append(row)
    faults: dict[int, list[StandingFault]] = shown.told(**wanted) if is_today else {}
    return Maps(rows, outputs, faults)


@dataclass(frozen=True, slots=True)
class Asked:
    """Which day and which slots are asked for."""

    on: date
    today: date
    show: str

    @property
    def is_today(self) -> bool:
        """Whether the present is asked for."""
        return self.on == self.today


def _grid(
    request: PersonRequest, receiver: Receiver, cells: Iterable[Cell], asked: Asked, *, named: bool
) -> SafeString:
    """The cells as one piece of markup; `named` where those of several receivers stand on the page."""
    language, name = get_language() or "", receiver.label if named else ""
    register_url = here(request, "slot_register", receiver.pk, 0).replace("/slots/0/", "/slots/{}/").format
    may_register = asked.is_today and not named
    return mark_safe(
        "".join(
            draw(
                one, is_today=asked.is_today, language=language, receiver=name,
                register_url=register_url(one.slot) if may_register and one.css == "slot--spare" else "",
            )
            for one in cells
        )
    )  # fmt: skip


@lru_cache(maxsize=16)
def legend(language: str, of_release: str) -> SafeString:
    """What the marks mean: the same for every map in a language."""
    return render_to_string(f"{MAP}#legend")


def _shown(request: PersonRequest, head: Head, maps: Maps, asked: Asked, *, named: bool = False) -> dict[str, Any]:
    """One receiver's slots, outputs and findings as the template prints them."""
    receiver, is_today = head.receiver, asked.is_today
    taken, outputs = maps.rows.get(receiver.pk, []), maps.outputs.get(receiver.pk, [])
    faults = maps.faults.get(receiver.pk, [])
    facts = [output_facts(output) for output in outputs]
    kept = head.findings if is_today else KeptFindings()
    past = "" if is_today else f"?on={asked.on.isoformat()}"
    slot_url = here(request, "slot_detail", receiver.pk, 0).replace("/slots/0/", "/slots/{}/").format
    troubled = frozenset(one.slot for one in kept.awake if one.slot)
    draw_cell = partial(
        cell, today=asked.today, is_today=is_today, troubled=troubled, faults=faults, alarmed=tile_words(faults)
    )
    cells = [draw_cell(row, url=slot_url(row.slot) + past) for row in fill_slots(receiver.n_slots, taken)]
    shown = fold_spares(one for one in cells if asked.show in one.shows)
    return {
        "receiver": receiver,
        "site": receiver.site,
        "on": asked.on,
        "today": asked.today,
        "is_today": is_today,
        "cells": shown,
        "grid": _grid(request, receiver, shown, asked, named=named),
        "counts": [
            (name, sum(1 for one in cells if name in one.shows))
            for name in SHOWS
            if is_today or name in ("all", "spare")
        ],
        "show": asked.show,
        "n_used": len(taken),
        "outputs": sum_up_outputs(facts, taken),
        "findings": group_findings(kept.awake, slot_url, asked.today),
        "n_findings": len(kept.awake),
        "n_resting": kept.n_resting,
        "receiver_faults": faults,
        "alarms": alarms_of(faults, taken, asked.today),
        "standby": standby_of(head.facts, asked.today) if is_today and not receiver.removed_at else None,
        "waits": sum(1 for row in taken if row.needs_registering),
        "legend": legend(get_language() or "", release()) if is_today else "",
    }


def _asked(request: PersonRequest, zone: Any) -> Asked:
    today = timezone.now().astimezone(zone).date()
    text, show = request.GET.get("on", ""), request.GET.get("show", "all")
    if refusal := day_refused(text, today):
        messages.warning(request, gettext("%(refusal)s This is today.") % {"refusal": refusal})
    return Asked(day_asked(text, today), today, show if show in SHOWS else "all")


@audience("office", "technician")
@require_safe
def slot_map(request: PersonRequest, pk: int) -> HttpResponse:
    """The slot map; what is kept of it is served as long as nothing that it shows has changed."""
    heads = _heads(request, pk=pk)
    if not heads:
        raise Http404("No such receiver.")
    head = heads[0]
    asked = _asked(request, head.zone)
    # A finding wakes on the firm's morning, which may not be that of the site.
    days = [asked.today, asked.on, timezone.localdate()]
    drawn = [*days, asked.show, get_language(), request.user.audience, release()]
    key = digest([head.body_stamp, *drawn])
    said_key = digest([key, head.said_stamp, int(timezone.now().timestamp()) // SAID_S])
    etag = _etag(request, said_key)
    if not etag:
        return page(request, MAP, _context(request, head, asked, key, said_key), part="slots")
    if unchanged := get_conditional_response(request, etag=etag):
        return unchanged  # type: ignore[return-value]
    name, token = f"slot-map-page:{etag}", place_of()
    whole = None if settings.DEBUG else cache.get(name)
    if whole is None:
        whole = framed(request, MAP, head.receiver, _body(request, head, asked, key, said_key), head.firm_stamp)
        cache.set(name, whole, PAGE_S)
    return HttpResponse(whole.replace(token, get_token(request)), headers={"ETag": etag})


def _context(request: PersonRequest, head: Head, asked: Asked, key: str, said_key: str) -> dict[str, Any]:
    """Context of the page around what is kept of it."""
    context = frame(request) | {
        "receiver": head.receiver, "site": head.receiver.site, "on": asked.on, "today": asked.today,
        "is_today": asked.is_today, "show": asked.show,
    }  # fmt: skip
    if wants_part(request):
        maps = _maps(request, [head], asked.on, is_today=asked.is_today)
        return context | _shown(request, head, maps, asked)
    return context | {"body": _body(request, head, asked, key, said_key)}


def _body(request: PersonRequest, head: Head, asked: Asked, key: str, said_key: str) -> SafeString:
    """What the page holds, from what is kept of it."""
    names = [f"slot-map:{key}", f"said:{said_key}"]
    kept = {} if settings.DEBUG else cache.get_many(names)
    if len(kept) < len(names):
        kept = _drawn(request, head, asked, names)
    body, said = (kept[name] for name in names)
    return mark_safe(body.replace(SAID, said))  # both were drawn by templates


def _etag(request: PersonRequest, *keys: str) -> str:
    """Name of the whole page for one person: none for a fragment, or while a message waits to be shown once."""
    if request.htmx or len(messages.get_messages(request)):
        return ""
    user = request.user
    mine = [request.session.session_key, user.pk, user.name, user.theme, user.is_manager]
    return f'W/"{digest([mine, *keys])}"'


def _drawn(request: PersonRequest, head: Head, asked: Asked, names: Sequence[str]) -> dict[str, str]:
    """Draw the body and the sentence about check-ins, and keep both."""
    maps = _maps(request, [head], asked.on, is_today=asked.is_today)
    context = frame(request) | _shown(request, head, maps, asked) | {"audience": request.user.audience}
    receiver = head.receiver
    if asked.is_today:
        now = timezone.now()
        known = evidence_of(receiver, maps.rows.get(receiver.pk, []), now, maps.faults.get(receiver.pk, []))
        context["said"] = evidence_sentence(known, asked.today)
    drawn: dict[str, str] = {
        names[0]: render_to_string(f"{MAP}#body", context),
        names[1]: render_to_string(f"{MAP}#said", context),
    }
    # By which way a receiver is still heard changes without leaving a trace in its stamp.
    is_cut = any(fault.code == LINK_LOST for fault in maps.faults.get(receiver.pk, []))
    cache.set(names[0], drawn[names[0]], SAID_S if is_cut else KEPT_S)
    cache.set(names[1], drawn[names[1]], SAID_S)
    return drawn


@audience("office", "technician")
@require_safe
def site_map(request: PersonRequest, site_pk: int) -> HttpResponse:
    """The slot maps of a whole site on one page, to look through and to print."""
    site = get_object_or_404(Site.objects.visible_to(request.user), pk=site_pk)
    asked = _asked(request, site.zone)
    heads = _heads(request, site_id=site.pk, removed_at=None)
    maps = _maps(request, heads, asked.on, is_today=asked.is_today) if heads else Maps({}, {}, {})
    context = frame(request) | {
        "site": site,
        "on": asked.on,
        "today": asked.today,
        "is_today": asked.is_today,
        "maps": [_shown(request, head, maps, asked, named=True) for head in heads],
        "section": "sites",
    }
    return page(request, "devices/slots/site_map.html", context)


@audience("office", "technician")
@require_safe
def slot_heard(request: PersonRequest, pk: int) -> HttpResponse:
    """When each transmitter was last heard, apart from the slot map so that check-ins do not spoil its copy."""
    receiver = receiver_for(request, pk)
    zone, now = receiver.site.zone, timezone.now()
    today = now.astimezone(zone).date()
    registrations = Registration.objects.visible_to(request.user).filter(receiver=receiver)
    rows = registrations.slot_rows(end_of_day(today, zone), zone)
    heard = {
        slot: heard_moment(day, seconds)
        for slot, day, seconds in registrations.open().with_last_check_in().values_list("slot", "heard_day", "heard_s")
    }
    missing = dict(
        Fault.objects.visible_to(request.user)
        .open()
        .filter(receiver=receiver, kind=Fault.Kind.MISSING)
        .values_list("transmitter_id", "found_by")
    )
    faults = standing_faults(request, receiver)
    states = []
    for row in rows:
        if row.nothing_answers or row.registered_at is None:
            continue
        at = heard.get(row.slot)
        state = judge(
            TransmitterEvidence(
                grade=receiver.evidence,
                window_s=row.window_s,
                interval_s=row.interval_s,
                registered_at=row.registered_at,
                heard_at=at.astimezone(zone) if at else None,
                watermark_at=receiver.heard_until.astimezone(zone) if receiver.heard_until else None,
                has_missing_fault=row.transmitter_pk in missing,
                is_missing_seen=missing.get(row.transmitter_pk) == Fault.FoundBy.WATCH,
                is_away=row.is_away,
                found_on=row.walk_tested_at.date() if row.walk_tested_at else None,
                fault="; ".join(fault.words(today, with_place=False) for fault in faults_of(row, faults)),
            ),
            today,
        )
        states.append((row.slot, row.label, row.serial, row.duty, state.code, state.words))
    order = {"silent": 0, "awaited": 1, "unknown": 2, "heard": 3, "away": 4}
    states.sort(key=lambda one: (order[one[4]], one[3] != "life_safety", one[0]))
    codes = Counter(one[4] for one in states)
    context = frame(request) | {
        "receiver": receiver,
        "site": receiver.site,
        "states": states,
        "tally": [(words, codes[code]) for code, words in TALLY],
    }
    return page(request, "devices/slots/heard.html", context, part="heard")
