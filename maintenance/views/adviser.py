"""Page of the supervision adviser: what each window of a slot would cost in false faults, and one click to plan another."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from company import palette
from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.models import ChangeRow
from company.models.firm import RiskPolicy
from company.toasts import said
from devices.actions.bulk_turn import read_settings, with_settings
from devices.actions.plans import plan_change
from devices.actions.plans_wish import Wish
from devices.models import PlannedChange, Receiver, Registration
from devices.querysets.radio_records import radio_records, weak_links
from devices.rules.findings_radio import weak_words
from devices.rules.radio_record import LONG_RECORD_DAYS, RECORD_DAYS, RadioRecord, rate_words
from devices.rules.supervision import EVERY, EVIDENCE_WORDS
from devices.rules.window_advice import Ask, WindowAdvice, advise
from devices.rules.words import DUTY_WORDS, WINDOW_OFF, span_words, window_words
from devices.views.receivers import frame, receiver_for
from maintenance.rules.charts_windows import window_chart

PAGE = "maintenance/adviser/window.html"


def _slot(request: PersonRequest, pk: int, slot: int) -> tuple[Receiver, Registration]:
    """Receiver and what stands in the slot, or 404."""
    receiver = receiver_for(request, pk)
    rows = Registration.objects.visible_to(request.user).open().filter(receiver=receiver, slot=slot)
    registration = next(iter(with_settings(rows)), None)
    if registration is None:
        raise Http404("This slot is spare.")
    return receiver, registration


def _record(receiver: Receiver, registration: Registration) -> RadioRecord:
    """Its own record: of three months, or of a year where three months hold too little."""
    if receiver.evidence != EVERY:
        return RadioRecord()
    today = timezone.now().date()
    found = RadioRecord()
    for n_days in (RECORD_DAYS, LONG_RECORD_DAYS):
        found = radio_records([registration.pk], today, n_days).get(registration.pk, RadioRecord())
        if found.is_enough:
            break
    return found


def _ask(request: PersonRequest, receiver: Receiver, registration: Registration) -> Ask:
    policy = RiskPolicy.objects.visible_to(request.user).filter(duty=registration.duty).first()
    return Ask(
        window_s=WINDOW_OFF if registration.supervision == "off" else registration.window_s,
        interval_s=registration.interval_s or 0,
        offered_s=tuple(receiver.type.windows_s) if receiver.type else (),
        longest_s=policy.longest_window_s if policy and not registration.is_portable else None,
        duty=registration.duty,
        source=policy.source_note if policy else "",
    )


def _basis(record: RadioRecord) -> list[str]:
    """What the figures rest on, sentence by sentence."""
    if not record.n_days:
        return [_("No whole day of its check-ins is on record here.")]
    low, high = record.limits
    lines = [
        _("%(n_days)s days of its own record: %(lost)s of %(expected)s check-ins were lost, %(share)s in 100 (95 %% limits: %(low)s to %(high)s).")
        % {
            "n_days": record.n_days, "lost": f"{record.lost:,}", "expected": f"{record.expected:,}",
            "share": f"{100 * record.share:.1f}", "low": f"{100 * low:.1f}", "high": f"{100 * high:.1f}",
        },
        _("Losses came %(burst)s in a row on average; the figures take them in such bursts.") % {"burst": f"{record.burst:.1f}"}
        if record.burst
        else _("How long losses last is not on record: the figures take each as lost by itself, which is the least there can be."),
    ]  # fmt: skip
    if record.n_left_out:
        lines.append(
            _("Left out: %(n)s days of outages of the receiver, or without any check-in at all.")
            % {"n": record.n_left_out}
        )
    return lines


def _advice(receiver: Receiver, record: RadioRecord, ask: Ask) -> WindowAdvice:
    advice = advise(record, ask)
    if receiver.evidence == EVERY:
        return advice
    return replace(
        advice,
        headline=_("How often a window would cry wolf here, nobody can know."),
        reasons=(
            _("Its check-ins do not reach us: of this receiver %(evidence)s. What stays is how many would have to be lost in a row.")
            % {"evidence": EVIDENCE_WORDS[receiver.evidence]},
            *advice.reasons[1:],
        ),
    )  # fmt: skip


def _context(request: PersonRequest, pk: int, slot: int) -> dict[str, Any]:
    receiver, registration = _slot(request, pk, slot)
    context = frame(request) | {"receiver": receiver, "site": receiver.site, "slot": slot, "registration": registration}
    here = weak_links([receiver.pk]).get(receiver.pk, {}).get(registration.transmitter_id or 0)
    open_plans = PlannedChange.objects.visible_to(request.user).open().filter(receiver=receiver, slot=slot)
    context |= {
        "duty": DUTY_WORDS.get(registration.duty, registration.duty),
        "window": window_words(WINDOW_OFF if registration.supervision == "off" else registration.window_s),
        "interval": span_words(registration.interval_s) if registration.interval_s else "",
        "weak": weak_words(here) if here else "",
        "plan": open_plans.first(),
        "may_plan": request.user.is_office and receiver.removed_at is None and registration.transmitter_id is not None,
        "colour": palette.LIGHT,
    }  # fmt: skip
    if not registration.interval_s or registration.transmitter_id is None:
        return context
    record, ask = _record(receiver, registration), _ask(request, receiver, registration)
    advice = _advice(receiver, record, ask)
    lines = [
        (one, span_words(one.window_s), rate_words(one.a_year) if one.a_year is not None else "",
         rate_words(one.at_most) if one.at_most is not None else "")
        for one in advice.options
    ]  # fmt: skip
    return context | {
        "advice": advice, "lines": lines, "basis": _basis(record), "chart": window_chart(advice.options),
        "longest": span_words(ask.longest_s) if ask.longest_s else "", "source": ask.source,
        "advised": span_words(advice.window_s) if advice.window_s else "", "has_offer": bool(ask.offered_s),
    }  # fmt: skip


@audience("office", "technician")
@require_safe
def window_advice(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    """Windows of one slot: how often each would cry wolf by its own record, against what its duty asks."""
    return page(request, PAGE, _context(request, pk, slot))


@audience("office")
@require_POST
def window_plan(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    """Plan another window for the next visit."""
    receiver, registration = _slot(request, pk, slot)
    asked = request.POST.get("window_s", "")
    version = request.POST.get("version", "")
    offered = {str(window_s): int(window_s) for window_s in (receiver.type.windows_s if receiver.type else ())}
    if asked not in offered:
        words = _("Choose one of the windows that this receiver offers.")
        return refused(request, PAGE, _context(request, pk, slot) | {"refused": words})
    settings = replace(read_settings(registration), supervision="on", window_s=offered[asked])
    reason = _("supervision adviser: %(window)s by its own record") % {"window": span_words(offered[asked])}
    try:
        plan = plan_change(
            receiver=receiver, slot=slot, wish=Wish(PlannedChange.Kind.CHANGE, settings), by=request.user,
            at=timezone.now(), reason=reason, seen_version=int(version) if version.isdecimal() and len(version) < 10 else None,
        )  # fmt: skip
    except Refused as why:
        return refused(request, PAGE, _context(request, pk, slot) | {"refused": str(why)})
    rows = ChangeRow.objects.visible_to(request.user).about("plannedchange", plan.pk)
    change = rows.filter(verb="plan_change", by=request.user).first()
    said(
        request, _("Planned: slot %(slot)s waits for a visit.") % {"slot": slot},
        undo_url=reverse("company:change_undo", args=[change.pk]) if change is not None else "",
    )  # fmt: skip
    return redirect("maintenance:window_advice", pk, slot)
