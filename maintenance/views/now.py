"""What stands at this moment, on top of the office's home page: asked for again every few seconds as a part of its own."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlencode

from django.http import HttpResponse
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext, ngettext
from django.views.decorators.http import require_safe

from company.access import PersonRequest, audience
from company.htmx import page, wants_part
from devices.models import Fault, Receiver
from devices.rules.silence import LINK_LOST
from devices.rules.supervision import LINK_TEST_HOURS
from maintenance.querysets import faults as read
from maintenance.rules.fault_groups import LEAST
from maintenance.rules.fault_words import RECEIVER
from maintenance.views.faults_listed import groups_of
from maintenance.views.faults_shown import shown
from maintenance.views.intake_health import intake_health
from maintenance.views.mail_health import mail_health

NEWEST = 5


@dataclass(frozen=True, slots=True)
class KindNow:
    """How many faults of one kind and duty stand now; `n_grave` of a receiver's have life safety hanging on them."""

    n: int
    n_new: int
    n_grave: int
    words: str
    duty: str
    url: str
    is_worst: bool


@audience("office")
@require_safe
def now_panel(request: PersonRequest) -> HttpResponse:
    """The panel as a part, or as a page of its own. Nothing to say that is not shown already: 204, and nothing moves."""
    context = now_context(request, timezone.now())
    if wants_part(request) and request.GET.get("seen") == context["now"]["seen"]:
        return HttpResponse(status=204)
    context["is_news"] = wants_part(request) and request.GET.get("said") != context["now"]["said"]
    return page(request, "maintenance/office/now.html", context | {"section": "today"}, part="now")


def now_context(request: PersonRequest, at: datetime) -> dict[str, Any]:
    """What the panel shows; five queries while all is well with the mails and the links, two more where several links are
    lost. `seen` is a digest of all of it, `said` one of the sentence that is read out.
    """
    faults = Fault.objects.visible_to(request.user)
    rows = read.by_kind_now(faults)
    kinds = [_kind(row) for row in rows if row["n"]]
    n_latched = sum(row["n_latched"] for row in rows)
    n_cut = sum(row["n"] for row in rows if row["kind"] == LINK_LOST and not row["registration__duty"])
    groups = groups_of(request, faults.filter(read.CARED_FOR)) if n_cut >= LEAST else []
    single = faults.exclude(pk__in=[line.pk for group in groups for line in group.lines])
    newest = [shown(row, request, at) for row in read.newest(single, NEWEST)] if kinds else []
    known = read.evidence_now(Receiver.objects.visible_to(request.user), at - timedelta(hours=LINK_TEST_HOURS))
    mails, intake = mail_health(request, at), intake_health(request, at)
    n, n_new = sum(kind.n for kind in kinds), sum(kind.n_new for kind in kinds)
    headline = _headline(n, n_new, sum(row["n_grave"] for row in rows))
    told = {
        "n": n, "n_new": n_new, "kinds": kinds, "newest": newest, "groups": groups, "headline": headline, "known": known,
        "n_latched": n_latched, "quiet": "" if n else _quiet(known), "limits": _limits(known), "mails": mails,
        "intake": intake, "at": at,
    }  # fmt: skip
    told["said"] = _digest([headline])
    told["seen"] = _digest(
        [headline, kinds, [(group.key, group.age, group.pks, group.n, group.named, group.n_grave) for group in groups],
         [(line.pk, line.age, line.fault.acknowledged_at) for line in newest], told["quiet"],
         told["limits"], mails, intake, n_latched, f"{timezone.localtime(at):%H:%M}"]
    )  # fmt: skip
    return {"now": told}


def _kind(row: dict[str, Any]) -> KindNow:
    duty = row["registration__duty"] or RECEIVER
    asked = urlencode({"state": "open", "kind": row["kind"], "duty": duty})
    return KindNow(
        n=row["n"], n_new=row["n_new"], n_grave=row["n_grave"], words=str(Fault.Kind(row["kind"]).label), duty=duty,
        url=f"{reverse('maintenance:fault_list')}?{asked}", is_worst=row["harm"] == 0,
    )  # fmt: skip


def _headline(n: int, n_new: int, n_grave: int) -> str:
    """The sentence that is read out when it changes."""
    if not n:
        return gettext("No fault stands.")
    parts = [ngettext("%(n)s fault stands", "%(n)s faults stand", n) % {"n": n}]
    if n_grave:
        parts.append(gettext("%(n)s on life safety") % {"n": n_grave})
    if n_new == n:
        parts.append(gettext("none acknowledged"))
    elif n_new:
        parts.append(gettext("%(n)s not acknowledged") % {"n": n_new})
    else:
        parts.append(gettext("all acknowledged"))
    return ", ".join(parts) + "."


def _quiet(known: dict[str, Any]) -> str:
    """What no standing fault means: only what the evidence allows. Silence of those that never speak proves nothing."""
    n_speaking = known["n_every"] + known["n_exceptions"]
    if not n_speaking:
        return gettext("That says little: from no receiver does anything reach us between visits.")
    if known["n_fresh"] == known["n_every"] and known["n_tested"] == known["n_exceptions"]:
        return gettext("Everything that reports to us has reported in within the last day.")
    return gettext("That holds for those that have reported in.")


def _limits(known: dict[str, Any]) -> Sequence[str]:
    """What cannot be said, by how we know of the receivers."""
    limits = []
    if known["n_every"] > known["n_fresh"]:
        limits.append(
            gettext("%(late)s of %(n)s receivers whose check-ins reach us have handed nothing over within a day.")
            % {"late": known["n_every"] - known["n_fresh"], "n": known["n_every"]}
        )
    if known["n_exceptions"] > known["n_tested"]:
        limits.append(
            gettext(
                "%(late)s of %(n)s receivers that report only faults have not shown within a day that their line works."
            )
            % {"late": known["n_exceptions"] - known["n_tested"], "n": known["n_exceptions"]}
        )
    n_visits = known["n"] - known["n_every"] - known["n_exceptions"]
    if n_visits:
        text = ngettext(
            "%(n)s receiver is known from visits only.", "%(n)s receivers are known from visits only.", n_visits
        )
        limits.append(text % {"n": n_visits})
    return limits


def _digest(facts: Sequence[Any]) -> str:
    return hashlib.sha256(repr(facts).encode()).hexdigest()[:16]
