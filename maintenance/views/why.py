"""What the page "why this date" tells of one due item, worked out anew from today's facts; nothing is written."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
from django.contrib.auth.models import AnonymousUser
from django.utils.translation import gettext

from company.models import ChangeRow, User
from company.models.firm import RiskPolicy
from devices.models import CheckInDay, LinkWatch, OutageDay, Receiver, Registration
from devices.querysets.radio_records import weak_one
from devices.rules.supervision import EVERY
from maintenance.actions.due_items import Basis, basis, things_at
from maintenance.actions.fits import MODEL_VERSION
from maintenance.models import Backtest, DueItem, LotFit, Recall, RecallItem, StratumFit
from maintenance.querysets.backtest import outcome_rows, tested_fit
from maintenance.querysets.fleet import KINDS, Scope
from maintenance.querysets.why import (
    Elsewhere,
    last_days,
    limits_changed,
    lot_elsewhere,
    lot_known,
    reports_of,
    same_lot,
    stratum_of,
)
from maintenance.rules.battery.grace import LEVELS
from maintenance.rules.battery.posterior import Posterior, learn
from maintenance.rules.charts_checkins import N_DAYS, Strip, strip_of
from maintenance.rules.charts_life import LifeChart, life_chart, use_of
from maintenance.rules.due import Due, due_date
from maintenance.rules.due_chance import failed_band
from maintenance.rules.due_customer import AHEAD_DAYS, chance_words, for_customer
from maintenance.rules.due_facts import FittingFacts, to_date
from maintenance.rules.due_figures import Figure, figures_of
from maintenance.rules.due_known import GraceKnown, KindKnown, known_figures
from maintenance.rules.due_steps import Step, steps
from maintenance.rules.due_story import REASON_WORDS, Story, headline, notes_left
from maintenance.rules.due_whatif import Asked, WhatIf, what_would_change
from maintenance.rules.honesty_page import honesty_tables

Viewer = User | AnonymousUser

CURVE_POINTS = 57
CURVE_SHARE = 0.96
"""The picture reaches to the charge by which so many have ended, and always beyond today and the limit."""
MOST_CURVE = 4.0
"""No picture reaches further [1]: beyond it the model is not meant to be used."""


@dataclass(frozen=True, slots=True)
class Told:
    """Today's answer for one item, with everything that its page says and shows."""

    due: Due
    headline: str
    steps: tuple[Step, ...]
    notes: tuple[str, ...]
    for_customer: str
    chart: LifeChart | None
    chance: str
    chance_ahead: float | None
    changes: list[WhatIf]
    figures: list[Figure]
    kind_pk: int | None
    lot: Any
    recall: Recall | None
    model_version: str
    elsewhere: Elsewhere = field(default_factory=lambda: Elsewhere(0, 0))


@dataclass(frozen=True, slots=True)
class _Known:
    """What the fit in use knows of an item's kind and lot."""

    kind: KindKnown
    posterior: Posterior
    stratum: Any
    lot: Any


def explain(*, item: DueItem, today: date, user: Viewer) -> Told | None:
    """Work out one item anew for the page that explains it; nothing is written. None where it has been changed since."""
    if item.is_closed:
        return None
    on = basis()
    facts = _facts(item, on, today)
    if facts is None:
        return None
    due = due_date(facts, today)
    row = next(facts.plain_rows())
    known = _with_record(_known(item, on, row, user), item.duty, user)
    recall = _recall(item, user) if due.code == "recall" else None
    story = _story(item, due, row, known.kind, today, recall)
    chance = _chance(story, known)
    return Told(
        due=due,
        headline=headline(story),
        steps=steps(story),
        notes=notes_left(story, due.notes),
        for_customer=for_customer(story, item.site.name),
        chart=_chart(story, known),
        chance=chance_words(chance, story),
        chance_ahead=chance,
        changes=what_would_change(Asked(facts, due, today, known.posterior, known.kind)),
        figures=_figures(item, story, known),
        kind_pk=known.stratum.pk if known.kind.is_learned else None,
        lot=known.lot,
        recall=recall,
        model_version=known.kind.model_version,
        elsewhere=lot_elsewhere(DueItem.objects.visible_to(user), item),
    )


def _facts(item: DueItem, on: Basis, today: date) -> FittingFacts | None:
    """Facts of one item as the nightly run would read them; None where the thing is no longer there."""
    owner = {"cells": item.fitting_id, "unit": item.transmitter_id, "standby": item.receiver_id}[item.kind]
    things, facts = things_at(Scope(receivers=(item.receiver_id,)), on, today)
    rows = np.flatnonzero((things.kind == KINDS.index(item.kind)) & (things.owner == owner))
    return facts.row(int(rows[0])) if len(rows) else None


def _known(item: DueItem, on: Basis, row: dict[str, float], user: Viewer) -> _Known:
    """Read what the fit in use knows of the item's kind and lot, and the firm's limits for its duty."""
    policy = RiskPolicy.objects.visible_to(user).filter(duty=item.duty).first()
    p_dead, p_call = (policy.p_dead, max(policy.p_call, policy.p_dead)) if policy else (math.nan, math.nan)
    number = int(row["stratum"])
    grace = _grace(on, row)
    if number < 0:
        kind = KindKnown(p_dead=p_dead, p_call=p_call, model_version=MODEL_VERSION, grace=grace)
        return _Known(kind, learn(), None, None)
    stratum = stratum_of(StratumFit.objects.visible_to(user), on.fit.pk, number)
    lot = same_lot(LotFit.objects.visible_to(user), stratum, item.fitting)
    reports = reports_of(stratum)
    kind = KindKnown(
        # The two strata without types stand for kinds that no fit has seen.
        is_learned=stratum is not None and stratum.battery_type_id is not None,
        n_ended=int(on.fit.n_ends[number]),
        n_in_service=stratum.n_in_service if stratum else 0,
        sleep_multiplier=row["sleep_multiplier"],
        dead_share=float(on.fit.dead_share[number]),
        n_dead=reports.n_dead,
        n_reported=reports.n_reported,
        is_fleet_wide=reports.is_fleet_wide,
        p_dead=p_dead,
        p_call=p_call,
        learned_on=stratum.fit.as_of if stratum else None,
        model_version=stratum.fit.model_version if stratum else MODEL_VERSION,
        lot=lot_known(lot) if lot else None,
        grace=grace,
    )
    return _Known(kind, on.fit.fleet.posterior(number), stratum, lot)


def _grace(on: Basis, row: dict[str, float]) -> GraceKnown | None:
    """Deaths after reports, where they allow less time than the firm's policy; of an unknown kind those of the whole fleet."""
    if not row["grace_days"] < row["policy_grace_days"]:
        return None
    number, grace = int(row["stratum"]), on.fit.grace
    number = number if number >= 0 else on.fit.number_of(None, None, False)
    level = LEVELS[int(grace.level[number])]
    return GraceKnown(int(grace.days[number]), int(grace.n_dead[number]), int(grace.n[number]), level)


def _with_record(known: _Known, duty: str, user: Viewer) -> _Known:
    """Add what the half-years that were tested say of this duty against the firm's limit, as "Are we honest?" shows it."""
    if not math.isfinite(known.kind.p_dead):
        return known
    tested = tested_fit(Backtest.objects.visible_to(user))
    if tested is None:
        return known
    rows = outcome_rows(Backtest.objects.visible_to(user).filter(fit=tested, duty=duty))
    told = honesty_tables(rows, {duty: known.kind.p_dead}, {})
    if told is None or not told.limits:
        return known
    found = told.limits[0]
    kind = replace(
        known.kind,
        n_record_dead=found.n_dead,
        n_record=found.n_finished,
        is_record_above=found.reading == "above",
    )
    return replace(known, kind=kind)


def say_why_moved(changes: Sequence[Any], duty: str, user: Viewer) -> None:
    """Name each move's two reasons in words; one whose reason stayed while the firm changed its limits that day says so."""
    rows = (
        limits_changed(ChangeRow.objects.visible_to(user), RiskPolicy.objects.visible_to(user), duty) if changes else []
    )
    for change in changes:
        change.before, change.after = (REASON_WORDS.get(code, code) for code in (change.from_reason, change.to_reason))
        is_same = change.from_reason == change.to_reason
        change.is_by_policy = is_same and any(at <= change.at < at + timedelta(days=1) for at in rows)


def _recall(item: DueItem, user: Viewer) -> Recall | None:
    """The open recall that wants it out first."""
    rows = RecallItem.objects.visible_to(user).open().filter(transmitter=item.transmitter)
    mine = rows.filter(recall__what=item.kind, recall__closed_at=None).select_related("recall")
    first = mine.order_by("recall__due_on", "pk").first()
    return first.recall if first else None


def _story(
    item: DueItem, due: Due, row: dict[str, float], kind: KindKnown, today: date, recall: Recall | None
) -> Story:
    place = item.registration.label if item.registration else item.receiver.label
    return Story(
        row=row,
        place=place,
        code=due.code,
        due_on=due.due_on,
        today=today,
        flags=due.flags,
        u=due.u,
        rate_per_day=due.rate_per_day,
        reached_on=next((o.due_on for o in due.opinions if o.code == "risk_limit"), None),
        recall=recall.title if recall else "",
        kind=kind,
    )


def _lot_factor(row: Mapping[str, float]) -> float:
    """Life of its lot against its kind, as the rules count it [1]."""
    return row["lot_factor"] if 0.0 < row["lot_factor"] < 1.0 else 1.0


def _chance(story: Story, known: _Known) -> float | None:
    """Chance of an end within the next days of one that still works; a bad lot has lived through more than its charge says."""
    if not story.has_charge:
        return None
    factor = _lot_factor(story.row)
    return known.posterior.chance_ahead(story.u / factor, AHEAD_DAYS * story.rate_per_day / factor)


def _chart(story: Story, known: _Known) -> LifeChart | None:
    """Picture of the chance against charge used and dates; None where the charge used is not known."""
    row = story.row
    if not story.has_charge or not row["u_limit"] > 0:
        return None
    fitted_on = to_date(int(row["fitted_day"])) if row["fitted_day"] >= 0 else None
    since_on = to_date(int(row["since_day"])) if row["since_day"] >= 0 else None
    use = use_of([(fitted_on, 0.0), (since_on, row["u_before"])], story.today, story.u, story.rate_per_day)
    if use is None:
        return None
    factor = _lot_factor(row)
    u_limit = row["u_limit"] * factor
    due_u = use.u_on(story.due_on) if story.due_on and story.due_on < story.today + timedelta(days=36500) else 0.0
    reach = max(known.posterior.quantile(CURVE_SHARE) * factor, 1.15 * u_limit, 1.1 * story.u, 1.1 * due_u)
    u = np.linspace(0.0, min(reach, MOST_CURVE), CURVE_POINTS)
    low, high = failed_band(known.posterior, u / factor)
    ended = known.posterior.failed(u / factor)
    whose = gettext("of its lot") if factor < 1 else gettext("of this kind")
    return life_chart(u, ended, low, high, use=use, u_limit=u_limit, due_on=story.due_on, whose=whose)


def _figures(item: DueItem, story: Story, known: _Known) -> list[Figure]:
    """The working as a table: facts, charge balance, and what the fleet has taught."""
    found = figures_of(
        story.row, _sources(item), story.rate_per_day, story.u, sleep_multiplier=known.kind.sleep_multiplier
    )
    return found + (known_figures(known.kind) if story.has_charge else [])


def _sources(item: DueItem) -> dict[str, str]:
    """Source notes of the catalogue rows behind the figures."""
    notes: dict[str, str] = {}
    if item.fitting and item.fitting.battery_type:
        notes |= item.fitting.battery_type.sources
    if item.transmitter and item.transmitter.type:
        notes |= item.transmitter.type.sources
    return notes


def check_ins(
    *, transmitter_id: int | None, receiver: Receiver | None, today: date, user: Viewer, is_past: bool = False
) -> Strip | None:
    """Strip of a transmitter's last days up to one; None where its receiver hands us no check-ins, or none are kept.

    `is_past` says that the days lie back: what is judged of its link is judged of the present, and stays out.
    """
    if transmitter_id is None or receiver is None or receiver.evidence != EVERY:
        return None
    since = today - timedelta(days=N_DAYS - 1)
    outages = OutageDay.objects.visible_to(user).filter(receiver=receiver, day__gte=since, day__lte=today)
    links = LinkWatch.objects.visible_to(user).filter(transmitter=transmitter_id, registration__receiver=receiver)
    weak, here = None if is_past else weak_one(links), Registration.objects.visible_to(user).open()
    return strip_of(
        last_days(CheckInDay.objects.visible_to(user), transmitter_id, today), today,
        outages=set(outages.values_list("day", flat=True)), weak=weak,
        leaves_site=weak is not None
        and here.filter(transmitter=transmitter_id, receiver=receiver, is_portable=True).exists(),
    )  # fmt: skip
