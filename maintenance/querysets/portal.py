"""What the portal says of a customer's sites, in a handful of queries whatever their number."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.apps import apps

from devices.rules.slot_map import SlotRow
from devices.rules.supervision import Said, StandingFault, evidence_sentence
from maintenance.querysets.days import until_of
from maintenance.rules.site_words import site_sentence, visit_sentence


@dataclass(slots=True)
class ReceiverTold:
    """One receiver with its own sentence."""

    receiver: Any
    said: Said
    n_used: int
    rows: Sequence[SlotRow] = ()
    faults: Sequence[StandingFault] = ()


@dataclass(slots=True)
class SiteTold:
    """One site with the sentence that its evidence carries."""

    site: Any
    said: Said
    today: date
    receivers: list[ReceiverTold] = field(default_factory=list)
    next_visit: Any = None
    next_words: str = ""
    n_requests: int = 0


def tell_sites(sites: Sequence[Any], user: Any, now: datetime) -> list[SiteTold]:
    """Tell each site: its sentence, its receivers, its next visit that has been announced, its open requests."""
    receivers = (
        apps.get_model("devices", "Receiver")
        ._default_manager.visible_to(user)
        .open()
        .filter(site__in=sites)
        .select_related("type")
        .order_by("label", "pk")
    )
    rows = _slot_rows(sites, user, now)
    evidence = receivers.evidence(rows, now)
    by_site: dict[int, list[Any]] = defaultdict(list)
    for receiver in receivers:
        by_site[receiver.site_id].append(receiver)
    visits = _next_visits(sites, user)
    batteries = _batteries(visits, user)
    requests = _open_requests(sites, user)
    told = []
    for site in sites:
        today = now.astimezone(site.zone).date()
        here = by_site[site.pk]
        visit = visits.get(site.pk)
        told.append(
            SiteTold(
                site=site,
                today=today,
                said=site_sentence([(row.label, evidence[row.pk]) for row in here], today),
                receivers=[
                    ReceiverTold(row, evidence_sentence(known, today), len(rows[row.pk]), rows[row.pk], known.faults)
                    for row, known in ((row, evidence[row.pk]) for row in here)
                ],
                next_visit=visit,
                next_words=visit_sentence(
                    visit.planned_on, batteries[site.pk], now.astimezone(site.zone), visit.planned_at
                )
                if visit
                else "",
                n_requests=requests[site.pk],
            )
        )
    return told


def _open_requests(sites: Sequence[Any], user: Any) -> Counter[int]:
    rows = apps.get_model("maintenance", "Request")._default_manager.visible_to(user).filter(site__in=sites)
    return Counter(rows.exclude(state="done").values_list("site_id", flat=True))


def _slot_rows(sites: Sequence[Any], user: Any, now: datetime) -> dict[int, list[SlotRow]]:
    """Slot maps of now by receiver; read once per time zone, because a row's times are the site's own."""
    by_zone: dict[str, list[Any]] = defaultdict(list)
    for site in sites:
        by_zone[site.time_zone].append(site)
    rows: dict[int, list[SlotRow]] = defaultdict(list)
    registrations = apps.get_model("devices", "Registration")._default_manager.visible_to(user)
    for name, group in by_zone.items():
        zone = ZoneInfo(name)
        for row in registrations.filter(site__in=group).slot_rows(now.astimezone(zone), zone):
            rows[row.receiver_pk or 0].append(row)
    return rows


def _next_visits(sites: Sequence[Any], user: Any) -> dict[int, Any]:
    """Next announced visit per site: of a published round, or without a round."""
    found: dict[int, Any] = {}
    visits = apps.get_model("maintenance", "Visit")._default_manager.visible_to(user).to_come()
    told = visits.filter(site__in=sites).exclude(round__state__in=["draft", "cancelled"])
    for visit in told.select_related("site", "round").order_by("planned_on", "planned_at", "pk"):
        if visit.site_id not in found:
            found[visit.site_id] = visit
    return found


def _batteries(visits: dict[int, Any], user: Any) -> Counter[int]:
    """Batteries whose date falls into the next visit, per site."""
    until = {site_id: until_of(visit) for site_id, visit in visits.items()}
    counted: Counter[int] = Counter()
    if until:
        items = apps.get_model("maintenance", "DueItem")._default_manager.visible_to(user).open()
        due = items.filter(kind="cells", site__in=until.keys(), due_on__lte=max(until.values()))
        for site_id, due_on in due.values_list("site_id", "due_on"):
            counted[site_id] += due_on <= until[site_id]
    return counted
