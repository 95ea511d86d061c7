"""Findings as the templates print them: words, where they stand, and where each is mended."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from django.urls import reverse
from django.utils.translation import gettext as _

from company.access import PersonRequest
from devices.rules.words import day_words
from maintenance.models import FindingRecord
from maintenance.rules.findings import ALL_KINDS, LATE_UNPLACED, LEFT_ON_TEST

CELLS = frozenset({"low_battery_ignored", "cells_past_shelf_life", "cells_unknown_age", "mixed_lots"})
SETTINGS = frozenset(
    {
        "portable_supervised", "window_under_two", "window_over_duty", "life_safety_unsupervised", "duty_unsupervised",
        "momentary_on_held",
    }
)  # fmt: skip
LINKS = frozenset({"link_weak", "link_very_weak", "silent"})
SHORT_LIST = 6
SNOOZED_AT_ONCE = 300


@dataclass(frozen=True, slots=True)
class Line:
    """One finding as one line."""

    pk: int
    kind: str
    what: str
    where: str
    where_url: str
    why: str
    do: str
    do_url: str
    do_label: str
    since: str
    duty: str
    site: str
    customer: str
    rest: str
    reason: str
    gone: str
    is_resting: bool


@dataclass(frozen=True, slots=True)
class FindingGroup:
    """Findings of one kind and wording at one site: said once, with the places it applies to."""

    what: str
    why: str
    do: str
    duty: str
    since: str
    places: tuple[tuple[str, str], ...]
    snooze_url: str
    do_url: str
    do_label: str

    @property
    def is_long(self) -> bool:
        """More places than a person reads at a glance: they fold away."""
        return len(self.places) > SHORT_LIST


def kind_title(code: str) -> str:
    """Name of a kind in lists; of one that a later release knows, its code in words."""
    return ALL_KINDS[code][1] if code in ALL_KINDS else code.replace("_", " ").capitalize()


def frame(request: PersonRequest) -> str:
    """First part of the names of addresses: a technician's pages all live under /tech/."""
    return "devices:tech_" if request.user.is_technician else "devices:"


def _where_url(row: FindingRecord, request: PersonRequest) -> str:
    if row.receiver_id is None:
        name = "sites:site_detail" if request.user.is_office else "maintenance:tech_site"
        return reverse(name, args=[row.site_id])
    if row.slot:
        return reverse(f"{frame(request)}slot_detail", args=[row.receiver_id, row.slot])
    place = "#outputs" if row.output else ""
    return reverse(f"{frame(request)}slot_map", args=[row.receiver_id]) + place


def _mend(row: FindingRecord, request: PersonRequest) -> tuple[str, str]:
    """Address and name of the page where a finding is mended; empty where its place is that page, or nobody may."""
    unit = row.key.partition(":t")[2].partition(":")[0]
    if row.code in CELLS and unit.isdecimal():
        return reverse(f"{frame(request)}battery_fit", args=[int(unit)]), _("Record new cells")
    if row.code in SETTINGS and row.slot and row.receiver_id:
        return reverse(f"{frame(request)}slot_change", args=[row.receiver_id, row.slot]), _("Change the slot")
    if row.code == "nuisance_faults" and row.slot and row.receiver_id:
        name = "maintenance:window_advice" if request.user.is_office else "maintenance:tech_window_advice"
        return reverse(name, args=[row.receiver_id, row.slot]), _("See which window suits")
    if row.code in LINKS and unit.isdecimal():
        return reverse("maintenance:check_in_strip", args=[int(unit)]), _("See its check-ins")
    if row.output and row.receiver_id:
        return reverse(f"{frame(request)}output_edit", args=[row.receiver_id, row.output]), _("Open the output")
    if row.code == "plan_waiting":
        return reverse(f"{frame(request)}plan_list"), _("Open the plans")
    if not request.user.is_office:
        return "", ""
    if row.code == LATE_UNPLACED:
        if "draft" in row.do or "Publish" in row.do:
            return reverse("maintenance:round_list"), _("Open the rounds")
        return f"{reverse('maintenance:round_new')}?site={row.site_id}", _("Put it in a round")
    visit = row.key.rpartition("visit")[2]
    if row.code == LEFT_ON_TEST and visit.isdecimal():
        return reverse("maintenance:visit_detail", args=[int(visit)]), _("Open the visit")
    if row.code == "stranger_heard":
        return reverse("devices:set_aside_list"), _("Open what was set aside")
    if row.code == "loan_over":
        return reverse("devices:loan_list"), _("Open the loans")
    return "", ""


def _since(row: FindingRecord, today: date) -> str:
    if row.since_on:
        return day_words(row.since_on, today=today)
    return f"found {day_words(row.found_at.date(), today=today)}"


def shown(row: FindingRecord, request: PersonRequest, today: date) -> Line:
    """One finding as a line."""
    url, label = _mend(row, request)
    is_resting = row.snoozed_until is not None and row.snoozed_until > today and row.gone_at is None
    who = f" ({row.snoozed_by.name})" if row.snoozed_by else ""
    return Line(
        pk=row.pk, kind=kind_title(row.code), what=row.what, where=row.where, where_url=_where_url(row, request),
        why=row.why, do=row.do, do_url=url, do_label=label, since=_since(row, today), duty=row.duty, site=row.site.name,
        customer=row.customer.name, rest=day_words(row.snoozed_until, today=today) if row.snoozed_until else "",
        reason=f"{row.snooze_reason}{who}" if row.snooze_reason else "",
        gone=day_words(row.gone_at.date(), today=today) if row.gone_at else "", is_resting=is_resting,
    )  # fmt: skip


def group_lines(rows: Iterable[FindingRecord], request: PersonRequest, today: date) -> list[FindingGroup]:
    """Findings of one site by kind and wording, in the order in which the worst of each came."""
    groups: dict[tuple[str, str, str], list[FindingRecord]] = {}
    for row in rows:
        groups.setdefault((row.code, row.what, row.do), []).append(row)
    return [_group(members, request, today) for members in groups.values()]


def _group(rows: list[FindingRecord], request: PersonRequest, today: date) -> FindingGroup:
    days = sorted(row.since_on for row in rows if row.since_on)
    since = ""
    if days:
        first = day_words(days[0], today=today)
        since = f"since {first}" if days[0] == days[-1] else _("the oldest since %(first)s") % {"first": first}
    url, label = _mend(rows[0], request) if len(rows) == 1 or rows[0].code == LATE_UNPLACED else ("", "")
    return FindingGroup(
        what=rows[0].what, why=rows[0].why, do=rows[0].do, duty=rows[0].duty, since=since,
        places=tuple((row.where.removeprefix(f"{row.site.name}, "), _where_url(row, request)) for row in rows),
        snooze_url=f"{reverse('maintenance:finding_snooze')}?pks={','.join(str(row.pk) for row in rows[:SNOOZED_AT_ONCE])}"
        if request.user.is_office else "",
        do_url=url, do_label=label,
    )  # fmt: skip
