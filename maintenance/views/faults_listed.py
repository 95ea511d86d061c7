"""The list of faults as its page shows it: by site or one by one, lost links of one source as one, what is over folded away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

from django.db.models import QuerySet
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext

from company.access import PersonRequest
from company.lists import ordered, page_of
from maintenance.querysets import faults as read
from maintenance.querysets.fault_groups import LostSource, lost_sources
from maintenance.rules.fault_words import span_words
from maintenance.views.faults_shown import FaultLine, shown

COLUMNS = {"harm": "harm", "since": "raised_at", "site": "site__name", "kind": "kind_at", "reached": "recorded_at"}
SHOWN_OF_A_SITE = 12
SITES_A_PAGE = 20
SITES_NAMED = 4
"""So many sites of a lost source are named in its line; all stand in the list below it."""


@dataclass(frozen=True, slots=True)
class FaultGroup:
    """Faults of one cause as one line: the silent source, what hangs on it, and each fault as a line of its own."""

    source: int
    title: str
    lines: Sequence[FaultLine]
    n_sites: int
    n_grave: int
    n_new: int
    named: str
    pks: str
    since_at: datetime
    age: str
    is_grave: bool
    url: str = ""

    @property
    def n(self) -> int:
        return len(self.lines)

    @property
    def key(self) -> str:
        """Word for its element on the page that stays the same while the group does."""
        return f"s{self.source}-{int(self.since_at.timestamp())}"


def asked_words(choice: read.FaultChoice, **over: str) -> str:
    """The choice as the query of an address."""
    words = {
        "state": choice.state, "kind": choice.kind, "duty": choice.duty, "customer": choice.customer,
        "site": choice.site, "days": choice.days, "q": choice.words,
    } | over  # fmt: skip
    # An empty span says something of its own where the usual one is a month.
    is_asked = {"days"} if words["state"] == "ended" else set()
    return urlencode({name: word for name, word in words.items() if word or name in is_asked})


def list_name(request: PersonRequest) -> str:
    """Name of the address of the list that this person reads."""
    return "maintenance:tech_fault_list" if request.user.is_technician else "maintenance:fault_list"


def one_by_one(request: PersonRequest, rows: QuerySet[Any], choice: read.FaultChoice, zone: str) -> dict[str, Any]:
    """Every fault in a line of its own, in the order that was asked for."""
    default = "-since" if choice.state == "ended" else "harm"
    listed, sort = ordered(read.for_lines(read.with_harm(rows)), request, COLUMNS, default)
    if sort == "harm":
        listed = read.worst_first(read.for_lines(rows))
    paging = page_of(listed, request, 50)
    now = timezone.now()
    lines = [shown(row, request, now, zone) for row in paging.object_list]
    return {"page": paging, "sort": sort, "sections": [{"lines": lines}] if lines else []}


def by_site(
    request: PersonRequest, rows: QuerySet[Any], choice: read.FaultChoice, zone: str, n_latched: int
) -> dict[str, Any]:
    """Sites and lost sources, the worst first; what is over and only waits to be cleared stands folded below all that stands.

    Folded only where nobody asked for it: whoever chooses it sees it at once.
    """
    is_parted = not choice.state
    standing = rows.filter(read.OPEN) if is_parted else rows
    groups = groups_of(request, standing, zone) if choice.state in ("", "open", "new") else []
    rest = standing.exclude(pk__in=[line.pk for group in groups for line in group.lines])
    sites: Any = read.by_site(rest)
    if groups:
        sites = sorted([*sites, *map(_as_part, groups)], key=_place)
    paging = page_of(sites, request, SITES_A_PAGE)
    found: dict[str, Any] = {"page": paging, "sections": _parts(request, rest, paging.object_list, choice, zone)}
    if is_parted and n_latched:
        over = rows.exclude(read.OPEN)
        parts = _parts(request, over, read.by_site(over)[:SITES_A_PAGE], choice, zone, state="latched")
        pks = [pk for part in parts for pk in part["pks"].split(",") if pk]
        found["fold"] = {
            "sections": parts, "n": n_latched, "pks": ",".join(pks), "n_pks": len(pks),
            "is_cut": len(parts) == SITES_A_PAGE,
        }  # fmt: skip
    return found


def _as_part(group: FaultGroup) -> dict[str, Any]:
    """A group beside sites, with what they are put in order by."""
    worst = min(line.fault.harm * 100 + line.fault.kind_at for line in group.lines)  # type: ignore[attr-defined]
    return {
        "group": group, "lines": group.lines, "over": 0, "worst": worst, "n_grave": group.n_grave,
        "first_at": group.since_at, "site_id": 0,
    }  # fmt: skip


def _place(part: dict[str, Any]) -> tuple[Any, ...]:
    """As `read.by_site` puts them in order."""
    return part["over"], part["worst"], -part["n_grave"], part["first_at"], part["site_id"]


def _parts(
    request: PersonRequest, rows: QuerySet[Any], sites: Any, choice: read.FaultChoice, zone: str, *, state: str = ""
) -> list[dict[str, Any]]:
    """Sites of a page with their faults; a group among them stays as it is."""
    parts, now = list(sites), timezone.now()
    found: dict[int, list[Any]] = {}
    listed = read.worst_first(read.for_lines(rows)).filter(site__in=[part["site_id"] for part in parts])
    if choice.state == "ended":
        # Years of them: of what stands all are needed, because all at a site can be acknowledged at once.
        listed = read.first_of_sites(listed, SHOWN_OF_A_SITE)
    for row in listed:
        found.setdefault(row.site_id, []).append(row)
    return [
        part if "group" in part
        else _part(request, part, [shown(row, request, now, zone) for row in found.get(part["site_id"], [])], choice, state)
        for part in parts
    ]  # fmt: skip


def _part(
    request: PersonRequest, site: dict[str, Any], lines: list[FaultLine], choice: read.FaultChoice, state: str
) -> dict[str, Any]:
    asked = asked_words(choice, site=str(site["site_id"]), **({"state": state} if state else {}))
    pks = unanswered(lines)
    return site | {
        "lines": lines[:SHOWN_OF_A_SITE], "n_more": max(0, site["n"] - SHOWN_OF_A_SITE),
        "pks": ",".join(map(str, pks)), "n_pks": len(pks), "all_url": f"{reverse(list_name(request))}?group=none&{asked}",
    }  # fmt: skip


def unanswered(lines: Sequence[FaultLine]) -> list[int]:
    """Keys of those that nobody has acknowledged and that are not all over: what waits to be cleared is acknowledged too."""
    return [line.pk for line in lines if line.fault.acknowledged_at is None and line.state != "ended"]


def groups_of(request: PersonRequest, faults: QuerySet[Any], zone: str = "") -> list[FaultGroup]:
    """Lost links among these faults that follow from one silent source, each source as one; two queries, or one for none."""
    now = timezone.now()
    found = lost_sources(faults, now)
    if not found:
        return []
    rows = read.worst_first(read.for_lines(faults)).filter(pk__in=[pk for one in found for pk in one.pks])
    lines = {row.pk: shown(row, request, now, zone) for row in rows}
    # In the order of the rows, worst first; whatever changed between the two queries is left to its own line.
    parts = [(one, [line for pk, line in lines.items() if pk in set(one.pks)]) for one in found]
    groups = [_group(request, one, mine, now) for one, mine in parts if mine]
    return sorted(groups, key=lambda group: (not group.is_grave, -group.n_grave, group.since_at, group.source))


def _group(request: PersonRequest, lost: LostSource, lines: list[FaultLine], now: datetime) -> FaultGroup:
    sites = list(dict.fromkeys(line.fault.site.name for line in lines))
    named = ", ".join(sites[:SITES_NAMED])
    if len(sites) > SITES_NAMED:
        named = gettext("%(sites)s and %(n)s more") % {"sites": named, "n": len(sites) - SITES_NAMED}
    titles = {"api": gettext("Gateway silent: %(name)s"), "file": gettext("No event log from: %(name)s")}
    pks, since = unanswered(lines), min(line.fault.raised_at for line in lines)
    return FaultGroup(
        source=lost.source, title=titles.get(lost.kind, gettext("Source silent: %(name)s")) % {"name": lost.name},
        lines=lines, n_sites=len(sites), n_grave=sum(line.hangs for line in lines), n_new=len(pks), named=named,
        pks=",".join(map(str, pks)), since_at=since, age=span_words(now - since),
        is_grave=any(line.is_grave for line in lines),
        url="" if request.user.is_technician else reverse("devices:source_detail", args=[lost.source]),
    )  # fmt: skip
