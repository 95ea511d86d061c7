"""Pages of the policy: how far batteries are let go per duty class, what each level costs this fleet, and the whole curve."""

from __future__ import annotations

from typing import Any

import numpy as np
from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.html import format_html
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from company import palette
from company.access import PersonRequest, audience
from company.actions import ensure_policies, save_policy
from company.errors import Refused
from company.htmx import page, refused
from company.models import Job, RiskPolicy
from company.models.firm import Duty
from maintenance.forms.policy import LevelForm
from maintenance.models import BatteryFit, DueItem, StratumFit
from maintenance.querysets import policy as reads
from maintenance.querysets.fits import fit_in_use
from maintenance.querysets.policy import Asked
from maintenance.rules.battery.price import level_of, levels
from maintenance.rules.charts_policy import policy_chart
from maintenance.rules.due_words import odds_words, share_words
from maintenance.rules.policy_words import LEVEL_NAMES, Bill, against_words, promise_words, yearly_words

STRATA_SHOWN = 100


@audience("office")
@require_safe
def policy(request: PersonRequest) -> HttpResponse:
    return page(request, "maintenance/policy/home.html", _context(request))


def _context(request: PersonRequest, form: LevelForm | None = None, duty: str = "") -> dict[str, Any]:
    policies = ensure_policies()
    items = DueItem.objects.visible_to(request.user).open()
    rows, n_left_out = reads.in_service(items)
    sections = []
    for code in Duty.values:
        asked = form if form is not None and code == duty else LevelForm()
        sections.append(_section(policies[code], rows, asked))
    return {
        "sections": sections, "n_left_out": n_left_out, "section": "due",
        "fit": BatteryFit.objects.visible_to(request.user).filter(is_current=True).first(),
    }  # fmt: skip


def _section(policy: RiskPolicy, rows: Any, form: LevelForm) -> dict[str, Any]:
    """One duty class: its levels with their prices, the present choice marked, own figures as a row of their own."""
    named = levels(policy.duty)
    present = level_of(policy.duty, policy.p_dead, policy.p_call)
    shares = [(level.p_dead, level.p_call) for level in named]
    own = (policy.p_dead, max(policy.p_call, policy.p_dead))
    asked = Asked(policy.duty, (*shares, own), float(policy.calendar_cap_days))
    *prices, now = reads.priced(reads.token_in_use(), rows, asked)
    choices = [
        _choice(level.code, level.words, share, bill, now, is_present=level.code == present)
        for level, share, bill in zip(named, shares, prices, strict=True)
    ]
    if not present:
        choices.append(_choice("", gettext("The figures that a manager has entered."), own, now, now, is_present=True))
    n_there = sum(row[4] for row in rows if row[3] == policy.duty)
    # Always of the row as shown: a choice refused because the row had moved is made anew against what stands now.
    return {"policy": policy, "choices": choices, "form": form, "seen": policy.seen, "n": n_there}


def _choice(
    code: str, words: str, shares: tuple[float, float], bill: Bill, now: Bill, *, is_present: bool
) -> dict[str, Any]:
    return {
        "code": code, "name": LEVEL_NAMES[code], "words": words, "promise": promise_words(*shares), "is_present": is_present,
        "cells": yearly_words(bill.cells), "calls": yearly_words(bill.calls), "dead": yearly_words(bill.dead),
        "against": "" if is_present else against_words(bill, now),
    }  # fmt: skip


@audience("manager")
@require_POST
def policy_choose(request: PersonRequest, duty: str) -> HttpResponse:
    """Choose a named level for one duty class; every date is worked out anew in the background."""
    policy = ensure_policies().get(duty)
    if policy is None:
        raise Http404
    form = LevelForm(request.POST)
    now = timezone.now()
    refusal = ""
    if form.is_valid():
        level = next(level for level in levels(duty) if level.code == form.cleaned_data["level"])
        seen = form.cleaned_data["seen"]
        if seen == policy.seen and (policy.p_dead, policy.p_call) == (level.p_dead, level.p_call):
            refusal = gettext("That is the present choice, so there is nothing to change.")
        else:
            policy.p_dead, policy.p_call = level.p_dead, level.p_call
            policy.source_note = f"suggestion of this product, {level.code}"
            try:
                save_policy(policy=policy, by=request.user, at=now, reason=form.cleaned_data["reason"], seen=seen)
            except Refused as error:
                refusal = error.message
    if refusal or not form.is_valid():
        context = _context(request, form, duty) | {"refused": refusal, "refused_duty": duty, "errors_form": form}
        return refused(request, "maintenance/policy/home.html", context)
    job = Job.objects.visible_to(request.user).filter(key=f"policy:{duty}:{now.isoformat()}").first()
    told = format_html(gettext("Saved: {} is {} now."), policy.get_duty_display(), form.cleaned_data["level"])
    if job is not None:
        then = format_html(gettext('Every date is being <a href="{}">worked out anew</a>.'), job.get_absolute_url())
        told = format_html("{} {}", told, then)
    messages.success(request, told)
    return redirect("maintenance:policy")


@audience("office")
@require_safe
def policy_curve(request: PersonRequest, duty: str) -> HttpResponse:
    """One click deeper: what every limit would cost on one duty, and how each kind of battery stands."""
    policies = ensure_policies()
    if duty not in policies:
        raise Http404
    policy = policies[duty]
    rows, _ = reads.in_service(DueItem.objects.visible_to(request.user).open())
    points = reads.priced_curve(reads.token_in_use(), rows, duty, float(policy.calendar_cap_days))
    q_now = _present_q(rows, duty)
    bills = [bill for _, bill in points]
    chart = policy_chart([q for q, _ in points], [b.cells for b in bills], [b.dead for b in bills], q_now=q_now)
    strata = StratumFit.objects.visible_to(request.user).filter(fit__is_current=True, n_in_service__gt=0)
    kinds = list(
        strata.select_related("transmitter_type", "battery_type").defer("posterior").order_by("-n_in_service", "number")
    )
    shown = [
        {"kind": kind, "limit": kind.limits.get(duty), "dead_share": share_words(kind.dead_share)}
        for kind in kinds[:STRATA_SHOWN]
    ]
    for row in shown:
        if limit := row["limit"]:
            row["limit"] = limit | {"used": share_words(limit["u"]), "odds": odds_words(limit["q"])}
    context = {
        "policy": policy, "chart": chart, "q_words": odds_words(q_now) if q_now else "", "kinds": shown,
        "n_more_kinds": max(0, len(kinds) - STRATA_SHOWN), "colour": palette.LIGHT, "section": "due",
        "points": [(odds_words(q), yearly_words(b.cells), yearly_words(b.calls), yearly_words(b.dead)) for q, b in points],
        "n": sum(row[4] for row in rows if row[3] == duty),
    }  # fmt: skip
    return page(request, "maintenance/policy/curve.html", context)


def _present_q(rows: Any, duty: str) -> float | None:
    """Share that may end before its change under the present policy, over what is in service; None where nothing is."""
    fit = fit_in_use()
    service = reads.service_of(fit, rows, duty)
    if not service.n.sum():
        return None
    q = fit.limits(ensure_policies()).q[:, list(Duty.values).index(duty)]
    return float(np.average(q, weights=service.n))
