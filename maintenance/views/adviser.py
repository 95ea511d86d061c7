"""Page of the supervision adviser: what each window of a slot would cost in false faults, and one click to plan another."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
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
from devices.querysets.radio_records import radio_records, watched_windows, weak_links
from devices.rules.findings_facts import WeakLink
from devices.rules.findings_radio import weak_words
from devices.rules.radio_record import LONG_RECORD_DAYS, QUARTER_S, RECORD_DAYS, RadioRecord, Watched
from devices.rules.supervision import EVERY, EVIDENCE_WORDS
from devices.rules.window_advice import LEAST_JUDGED_S, Ask, WindowAdvice, advise
from devices.rules.words import WINDOW_OFF, day_words, span_words, window_words
from devices.views.plans_shown import shown_plans
from devices.views.receivers import frame, receiver_for
from maintenance.rules.charts_windows import window_chart
from maintenance.views.silent_now import silent_now

PAGE = "maintenance/adviser/window.html"
FALLEN_DAYS = 28
"""Of a link that fell no more days than these count: it may go on falling, and a longer mean would hide it. Own choice."""
LONGEST_REASON = 120
"""Characters of a typed reason: the plan's words, with who and which window before it, hold 200."""


def _slot(request: PersonRequest, pk: int, slot: int) -> tuple[Receiver, Registration]:
    """Receiver and what stands in the slot, or 404."""
    receiver = receiver_for(request, pk)
    rows = Registration.objects.visible_to(request.user).open().filter(receiver=receiver, slot=slot)
    registration = next(iter(with_settings(rows)), None)
    if registration is None:
        raise Http404("This slot is spare.")
    return receiver, registration


def _record(receiver: Receiver, registration: Registration, fell_after: date | None) -> RadioRecord:
    """Its own record: since its link fell, where that is dated; else of three months, or of a year where these hold too little."""
    if receiver.evidence != EVERY:
        return RadioRecord()
    today = timezone.now().date()
    found = RadioRecord()
    for n_days in (RECORD_DAYS, LONG_RECORD_DAYS) if fell_after is None else (_days_since(fell_after),):
        found = radio_records([registration.pk], today, n_days).get(registration.pk, RadioRecord())
        if found.is_enough:
            break
    return found


def _days_since(fell_after: date) -> int:
    """Whole days since a link fell [count], the newest few of them: `fell_after` is the last on which all was as usual."""
    return min(max(0, (timezone.now().date() - fell_after).days - 1), FALLEN_DAYS)


def _ask(request: PersonRequest, receiver: Receiver, registration: Registration) -> Ask:
    policy = RiskPolicy.objects.visible_to(request.user).filter(duty=registration.duty).first()
    return Ask(
        window_s=WINDOW_OFF if registration.supervision == "off" else registration.window_s,
        interval_s=registration.interval_s or 0,
        offered_s=tuple(receiver.type.windows_s) if receiver.type else (),
        longest_s=policy.longest_window_s if policy else None,
        duty=registration.duty,
        source=policy.source_note if policy else "",
        is_portable=registration.is_portable,
        can_switch_off=receiver.type.can_switch_supervision_off if receiver.type else True,
    )


def _basis(record: RadioRecord, ask: Ask, fell_after: date | None) -> list[str]:
    """What the figures rest on, sentence by sentence."""
    return _since(ask, fell_after) + _figures(record, ask)


def _since(ask: Ask, fell_after: date | None) -> list[str]:
    """That only the days since its link fell count."""
    if fell_after is None or ask.off_is_right:
        return []
    words = _("Its link fell after %(day)s: only days since then count here, the last %(most)s at most.")
    return [words % {"day": day_words(fell_after, today=timezone.localdate()), "most": FALLEN_DAYS}]


def _figures(record: RadioRecord, ask: Ask) -> list[str]:
    if ask.off_is_right:
        return [
            _(
                "No figures are given: of what leaves the site nobody can tell a lost check-in from one sent out of range."
            )
        ]
    interval_s = ask.interval_s
    if not record.n_days:
        return [_("No whole day of its check-ins is on record here.")]
    low, high = record.limits
    lines = [
        ngettext(
            "%(n_days)s day of its own record: %(lost)s of %(expected)s %(what)s were lost, %(share)s in 100 (95 %% limits: %(low)s to %(high)s).",
            "%(n_days)s days of its own record: %(lost)s of %(expected)s %(what)s were lost, %(share)s in 100 (95 %% limits: %(low)s to %(high)s).",
            record.n_days,
        )
        % {
            "what": _("check-ins") if interval_s >= QUARTER_S else _("quarter hours"),
            "n_days": record.n_days, "lost": f"{record.lost:,}", "expected": f"{record.expected:,}",
            "share": f"{100 * record.share:.1f}", "low": f"{100 * low:.1f}", "high": f"{100 * high:.1f}",
        },
        _("Losses came %(burst)s in a row on average; the figures take them in such bursts, and never as fewer faults than the same losses one by one would make.") % {"burst": f"{record.burst:.1f}"}
        if record.burst
        else _("How long losses last is not on record: the figures take each as lost by itself, which is the least there can be."),
    ]  # fmt: skip
    if interval_s < QUARTER_S:
        lines.append(
            _("Its check-ins come every %(interval)s, and the record keeps quarter hours: lost are quarter hours without any. Where they leave it open how long a gap was, both readings are given; windows under %(least)s it cannot judge.")
            % {"interval": span_words(interval_s), "least": span_words(LEAST_JUDGED_S)}
        )  # fmt: skip
    if record.n_left_out:
        lines.append(
            ngettext(
                "Left out: %(n)s day, of an outage of the receiver or without any check-in at all.",
                "Left out: %(n)s days of outages of the receiver, or without any check-in at all.",
                record.n_left_out,
            )
            % {"n": record.n_left_out}
        )
    return lines


def _advice(receiver: Receiver, record: RadioRecord, ask: Ask, watched: Watched | None) -> WindowAdvice:
    advice = advise(record, ask, watched, timezone.localdate(timezone=receiver.site.zone))
    if receiver.evidence == EVERY or ask.off_is_right:
        return advice
    return replace(
        advice,
        headline=_("How often a window would call a sound transmitter missing here, nobody can know."),
        reasons=(
            _("Its check-ins do not reach us: of this receiver %(evidence)s. What stays is how many would have to be lost in a row.")
            % {"evidence": EVIDENCE_WORDS[receiver.evidence]},
            *advice.reasons[1:],
        ),
    )  # fmt: skip


def _seen(receiver: Receiver, registration: Registration, ask: Ask) -> tuple[Watched | None, str]:
    """Missing faults of the window in use, and what is said of them."""
    if receiver.evidence != EVERY or not ask.window_s:
        return None, ""
    watched = watched_windows([receiver.pk], timezone.now().date()).get(registration.pk)
    if watched is None:
        return None, _("How often the window in use has called it missing is not on record.")
    words = watched.words(timezone.localdate(timezone=receiver.site.zone))
    return watched, _("On record with the window in use: %(words)s, of whatever cause.") % {"words": words}


def _weak(receiver: Receiver, registration: Registration) -> WeakLink | None:
    """How its link fell, where it is called weak."""
    return weak_links([receiver.pk]).get(receiver.pk, {}).get(registration.transmitter_id or 0)


def _context(request: PersonRequest, pk: int, slot: int) -> dict[str, Any]:
    receiver, registration = _slot(request, pk, slot)
    plans = PlannedChange.objects.visible_to(request.user).open().filter(receiver=receiver, slot=slot).for_list()
    weak = _weak(receiver, registration)
    fell_after = weak.fine_on if weak else None
    context = frame(request) | {
        "receiver": receiver, "site": receiver.site, "slot": slot, "registration": registration,
        "window": window_words(WINDOW_OFF if registration.supervision == "off" else registration.window_s),
        "interval": span_words(registration.interval_s) if registration.interval_s else "",
        "weak": weak_words(weak) if weak else "", "plan": next(iter(shown_plans(plans, request.user)), None),
        "may_plan": request.user.is_office and receiver.removed_at is None and registration.transmitter_id is not None,
        "colour": palette.LIGHT, "longest_reason": LONGEST_REASON,
        "silent": silent_now(request, receiver, registration.transmitter_id) if registration.transmitter_id else "",
    }  # fmt: skip
    ask = _ask(request, receiver, registration)
    if registration.transmitter_id is None or not (ask.interval_s or ask.off_is_right):
        return context
    record = _record(receiver, registration, fell_after)
    watched, seen = _seen(receiver, registration, ask)
    advice = _advice(receiver, record, ask, watched)
    return context | {
        "advice": advice, "seen": seen, "ask": ask,
        "may_take": advice.window_s is not None and (advice.code == "off" or not context["weak"]),
        "lines": [(one, span_words(one.window_s), ask.needs_reason(one.window_s), str(one.window_s)) for one in advice.options],
        "basis": _basis(record, ask, fell_after),
        "chart": None if ask.off_is_right else window_chart(advice.options),
        "advised": "" if advice.window_s is None else _said(advice.window_s), "has_offer": bool(ask.offered_s),
    }  # fmt: skip


def _said(window_s: int) -> str:
    return span_words(window_s) if window_s else _("supervision off")


def _why_planned(request: PersonRequest, ask: Ask, window_s: int, advised_s: int | None, typed: str) -> str:
    """The plan's reason: who decided, and on what."""
    words = {"name": request.user.name, "window": _said(window_s), "why": typed}
    if ask.needs_reason(window_s) and ask.off_is_right:
        return _("%(name)s: %(window)s though it leaves the site: %(why)s") % words
    if ask.needs_reason(window_s):
        longest = span_words(ask.longest_s or 0)
        return _("%(name)s: %(window)s though at most %(longest)s is asked: %(why)s") % (words | {"longest": longest})
    if typed:
        return _("%(name)s: %(window)s: %(why)s") % words
    if not window_s:
        return _("%(name)s: %(window)s, since it leaves the site") % words
    if window_s == advised_s:
        return _("%(name)s: %(window)s, as its own record of check-ins suggests") % words
    return _("%(name)s: %(window)s, chosen on seeing its record of check-ins") % words


@audience("office", "technician")
@require_safe
def window_advice(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    """Windows of one slot: how often each would cry wolf by its own record, against what its duty asks."""
    return page(request, PAGE, _context(request, pk, slot))


def _misfit(ask: Ask, asked: str, typed: str) -> str:
    """What speaks against planning a window as asked; empty where nothing does."""
    if asked not in _offered(ask):
        return _("Choose one of the windows that this receiver offers.")
    if ask.needs_reason(int(asked)) and not typed:
        words = _("%(window)s goes against what is asked of this slot. Give the reason, then plan it again.")
        return words % {"window": span_words(int(asked))}
    if len(typed) > LONGEST_REASON:
        return _("Give the reason in at most %(n)s characters.") % {"n": LONGEST_REASON}
    return ""


def _offered(ask: Ask) -> set[str]:
    """Windows that may be planned here, as forms send them."""
    none = {WINDOW_OFF} if ask.off_is_right and ask.can_switch_off else set()
    return {str(window_s) for window_s in {*ask.offered_s, *none}}


@audience("office")
@require_POST
def window_plan(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    """Plan another window, or none, for the next visit; what goes against the duty's limit only with a reason typed."""
    receiver, registration = _slot(request, pk, slot)
    ask, version = _ask(request, receiver, registration), request.POST.get("version", "")
    asked, typed = request.POST.get("window_s", ""), request.POST.get("reason", "").strip()
    context = _context(request, pk, slot) | {"typed": typed, "typed_for": asked}
    if misfit := _misfit(ask, asked, typed):
        return refused(request, PAGE, context | {"refused": misfit})
    window_s, advice = int(asked), context.get("advice")
    settings = replace(read_settings(registration), supervision="on" if window_s else "off", window_s=window_s or None)
    try:
        plan = plan_change(
            receiver=receiver, slot=slot, wish=Wish(PlannedChange.Kind.CHANGE, settings), by=request.user,
            at=timezone.now(), reason=_why_planned(request, ask, window_s, advice.window_s if advice else None, typed),
            seen_version=int(version) if version.isdecimal() and len(version) < 10 else None,
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
