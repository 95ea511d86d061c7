"""Whether check-ins still come in: said on the first page, since a dead intake is as quiet as a firm without a fault."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from company.access import PersonRequest
from company.models import User
from devices.models import IntakeBatch, IntakeSource, ListenerState, PanelAccount
from devices.rules.panel_state import BEAT_WITHIN
from maintenance.querysets.intake_now import intake_facts

USUAL = timedelta(hours=2)
"""Said after this of a gateway without a limit of its own, and where nothing has any: gateways post every quarter hour or
oftener. Our own choice."""


@dataclass(frozen=True, slots=True)
class IntakeHealth:
    """When something last came in of itself, and what keeps it from coming.

    `is_old`: the last delivery is longer ago than the shortest time that any source or panel may be silent; `last_at` is
    empty where nothing has ever come. `n_unheard`: panels on record while no listener runs; `listened_at`: since when.
    """

    is_old: bool
    last_at: datetime | None
    n_unheard: int
    listened_at: datetime | None


def intake_health(request: PersonRequest, now: datetime) -> IntakeHealth:
    """How intake does; one query."""
    user = request.user
    found = intake_facts(
        User.objects.visible_to(user).filter(pk=user.pk),
        sources=IntakeSource.objects.visible_to(user), batches=IntakeBatch.objects.visible_to(user),
        panels=PanelAccount.objects.visible_to(user), listeners=ListenerState.objects.visible_to(user),
        beat_since=now - BEAT_WITHIN,
    )  # fmt: skip
    n_panels, n_sources = found.get("n_panels") or 0, found.get("n_sources") or 0
    last_at = max((at for at in (found.get("batch_at"), found.get("message_at")) if at), default=None)
    limits = [timedelta(seconds=s) for s in (found.get("source_every_s"), found.get("panel_every_s")) if s]
    if found.get("n_unbound") or not limits:
        limits.append(USUAL)
    begun = [at for at in (found.get("source_begun_at"), found.get("panel_begun_at")) if at]
    since = last_at or min(begun, default=now)
    return IntakeHealth(
        is_old=bool(n_sources or n_panels) and now - since > min(limits), last_at=last_at,
        n_unheard=0 if found.get("is_listening") else n_panels, listened_at=found.get("listened_at"),
    )  # fmt: skip
