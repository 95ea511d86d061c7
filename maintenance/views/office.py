"""Where the office's day begins: what is wrong, what is due, what waits for somebody, today's rounds, last night's run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.db.models import Count, Exists, Min, OuterRef, Q
from django.http import HttpResponse
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext, ngettext
from django.views.decorators.http import require_safe

from company.access import PersonRequest, audience
from company.htmx import page
from company.models import ChangeRow, Customer, Firm, Job, User
from devices.models import PanelStranger, PlannedChange, Receiver, Registration, SetAside
from devices.querysets.days_read import stray_days
from devices.querysets.set_aside import dismissed_before, newest_of_units
from devices.rules.words import day_words
from maintenance.models import DueItem, FindingRecord, RefreshRun, Request, Round, Visit
from maintenance.querysets.office import (
    APPLY,
    CHECK,
    FOUR_WEEKS_DAYS,
    RECENT_DAYS,
    count_all,
    due_lines,
    waiting_imports,
)
from maintenance.rules.findings import KIND_ORDER, LATE_UNPLACED
from maintenance.views.findings_shown import kind_title
from maintenance.views.now import now_context
from sites.models import Site

KINDS_SHOWN = 7
STANDING = "standing_fault"
"""Kind of finding that a standing fault is."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the page: a number, what it is, and where to go on."""

    n: int
    words: str
    url: str
    more: str = ""
    n_grave: int = 0


@dataclass(frozen=True, slots=True)
class Step:
    """One of the first steps of an empty firm."""

    words: str
    url: str
    is_done: bool
    why: str


@audience("office")
@require_safe
def office_home(request: PersonRequest) -> HttpResponse:
    today, now = timezone.localdate(), timezone.now()
    user = request.user
    items = DueItem.objects.visible_to(user).open()
    late = items.filter(harm=0).late(today)
    late_sites = list(late.unplaced().order_by().values_list("site_id", flat=True))
    due = due_lines(items.by_day(today + timedelta(days=FOUR_WEEKS_DAYS)), today)
    kinds = _kinds(request, today)
    n = _counts(request, today, now)
    jobs = _jobs(request, now)
    rounds = list(_rounds(request, today))
    context = {
        "today": today, "section": "today", "n": n,
        "n_top": len(late_sites), "n_top_sites": len(set(late_sites)), "n_top_draft": late.only_in_draft().count(),
        "wrong": _wrong(kinds)[:KINDS_SHOWN], "n_more_kinds": max(0, len(_wrong(kinds)) - KINDS_SHOWN),
        "n_resting": sum(row["n_resting"] for row in kinds),
        "due": _due(due), "waiting": _waiting(n, kinds, rounds, jobs, today), "rounds": [r for r in rounds if r.day == today and r.state != "draft"],
        "night": _night(request, jobs, now), "steps": _steps(n), "strays": stray_days(today=now.date()),
    } | now_context(request, now)  # fmt: skip
    context["n_steps_done"] = sum(step.is_done for step in context["steps"])
    return page(request, "maintenance/office/home.html", context)


# --- what is wrong, what is due -----------------------------------------------------------------------------------------


def _kinds(request: PersonRequest, today: date) -> list[dict[str, Any]]:
    """Open findings by kind: how many are awake, rest, and came back today."""
    awake = Q(snoozed_until=None) | Q(snoozed_until__lte=today)
    rows = FindingRecord.objects.visible_to(request.user).open().order_by().values("code")
    counted = rows.annotate(
        n=Count("pk", filter=awake), n_grave=Count("pk", filter=awake & Q(duty="life_safety")),
        n_sites=Count("site", filter=awake, distinct=True), n_resting=Count("pk", filter=Q(snoozed_until__gt=today)),
        n_back=Count("pk", filter=Q(snoozed_until=today)), worst=Count("pk", filter=awake & Q(harm=0)),
        place=Min("where", filter=awake),
    )  # fmt: skip
    return list(counted)


def _wrong(kinds: Sequence[dict[str, Any]]) -> list[Line]:
    """Kinds of finding, those that may cost a call on life safety first; what is late has the line above.

    Standing faults are told right above as they are this second: counted here again they would be of another moment.
    """
    rows = [row for row in kinds if row["n"] and row["code"] not in (LATE_UNPLACED, STANDING)]
    rows.sort(key=lambda row: (not row["worst"], not row["n_grave"], KIND_ORDER.get(row["code"], len(KIND_ORDER))))
    listed = reverse("maintenance:finding_list")
    return [
        Line(
            row["n"], kind_title(row["code"]), f"{listed}?kind={row['code']}",
            more=row["place"] if row["n"] == 1 else _at_sites(row["n_sites"]), n_grave=row["n_grave"],
        )
        for row in rows
    ]  # fmt: skip


def _at_sites(n: int) -> str:
    return ngettext("at %(n)s site", "at %(n)s sites", n) % {"n": n}


def _due(due: dict[str, dict[str, Any]]) -> list[Line]:
    listed = reverse("maintenance:due_list")
    lesser = gettext("security"), gettext("convenience")
    asked = {
        "late": (gettext("late"), f"{listed}?late=1"), "week": (gettext("due within a week"), f"{listed}?weeks=1&late=0"),
        "four": (gettext("due within four weeks"), f"{listed}?weeks=4&late=0"),
    }  # fmt: skip
    return [
        Line(
            due[name]["n"], words, url,
            more=", ".join(
                [f"{n} {word}" for n, word in zip(due[name]["harms"][1:], lesser, strict=True) if n]
                + [_placed_words(due[name]["n_placed"])]
            ),
            n_grave=due[name]["harms"][0],
        )
        for name, (words, url) in asked.items()
        if due[name]["n"]
    ]  # fmt: skip


# --- what waits -----------------------------------------------------------------------------------------------------------


def _counts(request: PersonRequest, today: date, now: datetime) -> dict[str, int]:
    """Everything that is only a number, in one query."""
    user = request.user
    requests = Request.objects.visible_to(user)
    done = Visit.objects.visible_to(user).without_report(now - timedelta(days=RECENT_DAYS))
    people = User.objects.visible_to(user)
    receivers = Receiver.objects.visible_to(user).open()
    plans = PlannedChange.objects.visible_to(user).filter(done_at=None, dropped_at=None)
    events = SetAside.objects.visible_to(user)
    named = Firm.objects.visible_to(user).exclude(name=Firm._meta.get_field("name").default)
    return count_all(
        people.filter(pk=user.pk),
        {
            "unanswered": requests.open_and(answered=False), "requests": requests.open_and(answered=True),
            "unreported": done, "plans": plans, "invited": people.invited(),
            "customers": Customer.objects.visible_to(user), "sites": Site.objects.visible_to(user).current(),
            "receivers": receivers,
            "set_aside": newest_of_units(events, events.open()).filter(~dismissed_before(events)),
            "strangers": PanelStranger.objects.visible_to(user).filter(dismissed_at=None),
            "slots": Registration.objects.visible_to(user).open(), "others": people.exclude(pk=user.pk),
            "named": named, "firm": named.exclude(address=""),
            "policy": ChangeRow.objects.visible_to(user).filter(verb="save_policy"),
        },
    )  # fmt: skip


def _jobs(request: PersonRequest, now: datetime) -> dict[str, Any]:
    """Work that failed lately, and workbooks that wait to be applied."""
    since = now - timedelta(days=RECENT_DAYS)
    rows = Job.objects.visible_to(request.user).filter(created_at__gte=since)
    broken = Job.objects.visible_to(request.user).failed_since(since)
    rows = rows.annotate(is_broken=Exists(broken.filter(pk=OuterRef("pk"))))
    rows = rows.filter(Q(is_broken=True) | Q(key__startswith=CHECK) | Q(key__startswith=APPLY))
    found = list(
        rows.values_list("key", "state", "result__preview", "result__faults", "result__is_empty", "is_broken").order_by(
            "pk"
        )
    )
    failed = [key for key, *_, is_broken in found if is_broken]
    return {
        "n_failed": len(failed), "n_imports": waiting_imports(row[:5] for row in found),
        "failed_nights": {key.split(":")[1] for key in failed if key.startswith(("due:", "findings:20"))},
    }  # fmt: skip


def _rounds(request: PersonRequest, today: date) -> Any:
    """Today's rounds, and drafts of days that are still to come."""
    rows = Round.objects.visible_to(request.user).for_list()
    return rows.filter(Q(day=today, state__in=["published", "done"]) | Q(day__gte=today, state="draft")).order_by(
        "day", "number"
    )  # fmt: skip


def _waiting(
    n: dict[str, int], kinds: Sequence[dict[str, Any]], rounds: Sequence[Round], jobs: dict[str, Any], today: date
) -> list[Line]:
    drafts = [row for row in rounds if row.state == Round.State.DRAFT]
    first = gettext("the first on %(day)s") % {"day": day_words(drafts[0].day, today=today)} if drafts else ""
    asked = reverse("maintenance:request_list")
    lines = [
        Line(n["unanswered"], ngettext("request without an answer", "requests without an answer", n["unanswered"]),
             f"{asked}?state=unanswered"),
        Line(n["requests"], ngettext("request answered and still open", "requests answered and still open", n["requests"]),
             f"{asked}?state=answered"),
        Line(
            n["unreported"], ngettext("finished visit without a report", "finished visits without a report", n["unreported"]),
            f"{reverse('maintenance:visit_list')}?state=unreported",
            more=gettext("of the last %(days)s days") % {"days": RECENT_DAYS},
        ),
        *_waiting_of_intake(n),
        Line(len(drafts), ngettext("round to publish", "rounds to publish", len(drafts)),
             f"{reverse('maintenance:round_list')}?state=to_publish", more=first),
        Line(jobs["n_imports"], ngettext("import checked, to be applied", "imports checked, to be applied", jobs["n_imports"]),
             f"{reverse('devices:import_list')}?state=ready"),
        Line(n["plans"], ngettext("planned change not made yet", "planned changes not made yet", n["plans"]),
             reverse("devices:plan_list")),
        Line(
            sum(row["n_back"] for row in kinds), gettext("no longer snoozed since today"),
            f"{reverse('maintenance:finding_list')}?group=none&state=back",
        ),
        Line(n["invited"], ngettext("invitation not taken up", "invitations not taken up", n["invited"]),
             f"{reverse('company:person_list')}?invited=1"),
        Line(
            jobs["n_failed"], ngettext("background job failed", "background jobs failed", jobs["n_failed"]),
            f"{reverse('company:job_list')}?state=recent",
            more=gettext("in the last %(days)s days") % {"days": RECENT_DAYS},
        ),
    ]  # fmt: skip
    return [line for line in lines if line.n]


def _waiting_of_intake(n: dict[str, int]) -> list[Line]:
    """What came in and belongs to nothing on record."""
    units, numbers = n["set_aside"], n["strangers"]
    return [
        Line(units, ngettext("unit heard that could not be placed", "units heard that could not be placed", units),
             reverse("devices:set_aside_list")),
        Line(numbers, ngettext("panel number that nobody knows", "panel numbers that nobody knows", numbers),
             f"{reverse('devices:panel_list')}#h-strangers"),
    ]  # fmt: skip


def _placed_words(n: int) -> str:
    return gettext("%(n)s in a published round") % {"n": n} if n else gettext("none in a published round")


# --- last night, first steps --------------------------------------------------------------------------------------------


def _night(request: PersonRequest, jobs: dict[str, Any], now: datetime) -> dict[str, Any]:
    """When the dates were last worked out, how long it took, and whether something failed."""
    run = RefreshRun.objects.visible_to(request.user).order_by("-business_day").first()
    if run is None:
        return {}
    took_s = (run.closed_at - run.started_at).total_seconds() if run.closed_at else None
    return {
        "run": run,
        "took": "" if took_s is None else f"{max(took_s, 1):.0f} s" if took_s < 120 else f"{took_s / 60:.0f} min",
        "has_failed": run.business_day.isoformat() in jobs["failed_nights"],
        "is_old": now - run.started_at > timedelta(hours=36),
    }  # fmt: skip


def _steps(n: dict[str, int]) -> list[Step]:
    """What a new firm does first; nothing once everything is done."""
    steps = [
        Step(
            gettext("Name your firm and its letterhead"), reverse("company:settings_home"), n["firm"] > 0,
            gettext("Its name is on record; its address is not yet. Both stand on every page and paper.")
            if n["named"] else gettext("The name and address stand on every page and paper."),
        ),
        Step(gettext("Add a customer"), reverse("company:customer_new"), n["customers"] > 0, gettext("Whose sites you look after.")),
        Step(
            gettext("Import a workbook, or add a site by hand"), reverse("devices:import_list"), n["slots"] > 0,
            gettext("Sites, receivers and slots as they are on paper today. A template can be downloaded there."),
        ),
        Step(
            gettext("Invite people"), reverse("company:person_list"), n["others"] > 0,
            gettext("Colleagues in the office, technicians, customers for the portal."),
        ),
        Step(
            gettext("Choose how far batteries may be let go"), reverse("maintenance:policy"), n["policy"] > 0,
            gettext("Until somebody does, our own suggestion is used."),
        ),
    ]  # fmt: skip
    return [] if all(step.is_done for step in steps) else steps
