"""Writes of findings: what the rules find compared with what stands; at once after a change, and for everything at night."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext as _

from company import jobs
from company.jobs import Handle
from company.manner import day_said
from devices.models import Receiver
from devices.rules.findings import Finding, find
from maintenance.actions.findings_facts import SiteFacts, read_sites
from maintenance.models import DueItem, FindingRecord
from maintenance.rules.findings import harm_of_finding, left_on_test, life_late_unplaced

RECEIVERS_AT_ONCE = 60
"""Receivers that are read together and written in one transaction, so that nobody waits long for it."""

RECEIVERS_AT_MOST_NOW = 20
"""More receivers changed in one go are looked at in the background."""

TEXTS = ("what", "where", "why", "do")
FACTS = ("code", "slot", "output", "duty", "harm", *TEXTS, "since_on")
LENGTHS = {"what": 300, "where": 300, "why": 500, "do": 500}
"""Of the columns; a test holds them against each other."""


@dataclass(slots=True)
class FindingsRefreshed:
    """What a refresh did: findings new, changed in words or weight, gone."""

    n_new: int = 0
    n_changed: int = 0
    n_gone: int = 0

    def add(self, other: FindingsRefreshed) -> None:
        self.n_new += other.n_new
        self.n_changed += other.n_changed
        self.n_gone += other.n_gone


def refresh_findings(
    *, receivers: Iterable[int | Receiver], at: datetime | None = None, fence: Callable[[int], None] | None = None
) -> FindingsRefreshed:
    """Compare what the rules find at these receivers, and at their sites, with what stands. May be repeated.

    A new finding is a new row; one that is still there keeps its row, its first day and its snooze, unless it got worse;
    one that is no longer found is marked gone. Receivers taken down, and those at closed sites, keep none.
    `fence` is called in each transaction with the number of receivers done.
    """
    at = at or timezone.now()
    wanted = {row.pk if isinstance(row, Receiver) else int(row) for row in receivers}
    places = list(
        Receiver.objects.filter(pk__in=wanted).order_by("site_id", "pk").values_list("pk", "site_id", "version")
    )
    done, n_done = FindingsRefreshed(), 0
    for part in _parts(places):
        # Read outside the transaction: on SQLite everybody else would wait for it.
        found = _wanted_rows(read_sites([pk for pk, _, _ in part], at), at)
        done.add(_write(part, found, at, fence, n_done := n_done + len(part)))
    return done


def _parts(places: Sequence[tuple[int, int, int]]) -> Iterable[list[tuple[int, int, int]]]:
    """Cut between sites where that is possible: what concerns a whole site is then looked at once."""
    part: list[tuple[int, int, int]] = []
    for place in places:
        if len(part) >= RECEIVERS_AT_ONCE and place[1] != part[-1][1]:
            yield part
            part = []
        part.append(place)
    if part:
        yield part


def _wanted_rows(sites: dict[int, SiteFacts], at: datetime) -> dict[str, FindingRecord]:
    """Findings as rows by key; of two with one key the worse stands."""
    rows: dict[str, FindingRecord] = {}
    for facts in sites.values():
        now = at.astimezone(facts.site.zone)
        for finding in left_on_test(facts.on_test, now):
            _put(rows, f"s{facts.site.pk}", finding, facts.site, None, at)
        for receiver, told, late in facts.receivers:
            units = {row.slot: row.transmitter_pk for row in told.rows}
            for finding in (*life_late_unplaced(late), *find(told)):
                unit = units.get(finding.slot) if finding.slot else None
                # Another transmitter in the slot is another finding: what was said of the old one is over.
                _put(rows, f"r{receiver.pk}:t{unit or ''}", finding, facts.site, receiver, at)
    return rows


def _put(
    rows: dict[str, FindingRecord], place: str, finding: Finding, site: Any, receiver: Receiver | None, at: datetime
) -> None:
    key = f"{place}:{finding.code}:{finding.slot or ''}:{finding.output or ''}:{finding.mark}"[:120]
    texts = {name: getattr(finding, name)[: LENGTHS[name]] for name in TEXTS}
    row = FindingRecord(
        customer_id=site.customer_id, site=site, receiver=receiver, key=key, code=finding.code, slot=finding.slot,
        output=finding.output, duty=finding.duty, harm=harm_of_finding(finding), since_on=finding.since_on, found_at=at,
        **texts,
    )  # fmt: skip
    if key not in rows or row.harm < rows[key].harm:
        rows[key] = row


@transaction.atomic
def _write(
    part: list[tuple[int, int, int]], found: dict[str, FindingRecord], at: datetime, fence: Callable[[int], None] | None,
    n_done: int,
) -> FindingsRefreshed:  # fmt: skip
    if fence:
        fence(n_done)
    ids = [pk for pk, _, _ in part]
    locked = Receiver.objects.select_for_update(of=("self",), no_key=True).filter(pk__in=ids).order_by("pk")
    now = dict(locked.values_list("pk", "version"))
    # Whoever changed a receiver meanwhile has it looked at with newer facts than these.
    stale = {pk for pk, _, version in part if now.get(pk, version) != version}
    of_sites = Q(receiver=None, site__in={site for _, site, _ in part})
    standing = FindingRecord.objects.open().filter(of_sites | Q(receiver__in=set(ids) - stale))
    old = {row.key: row for row in standing.select_for_update(of=("self",)).order_by("pk")}
    new = [row for key, row in found.items() if key not in old and row.receiver_id not in stale]
    gone = [row.pk for key, row in old.items() if key not in found]
    changed = [old[key] for key, row in found.items() if key in old and _take_over(old[key], row)]
    # Another refresh may have written the same finding a moment ago: then that row stands.
    FindingRecord.objects.bulk_create(new, batch_size=500, ignore_conflicts=True)
    FindingRecord.objects.bulk_update(changed, [*FACTS, "snoozed_until"], batch_size=200)
    for start in range(0, len(gone), 500):
        FindingRecord.objects.filter(pk__in=gone[start : start + 500]).update(gone_at=at)
    return FindingsRefreshed(len(new), len(changed), len(gone))


def _take_over(old: FindingRecord, new: FindingRecord) -> bool:
    """Put what is known now into the row that stands; one that got worse wakes. Tells whether anything changed."""
    if all(getattr(old, name) == getattr(new, name) for name in FACTS):
        return False
    if new.harm < old.harm:
        old.snoozed_until = None
    for name in FACTS:
        setattr(old, name, getattr(new, name))
    return True


# --- after a change, and at night -------------------------------------------------------------------------------------


def look_again(*, receiver_ids: Sequence[int], at: datetime) -> None:
    """Refresh a few receivers at once, many in the background. For listeners, after a change has been kept."""
    if len(receiver_ids) <= RECEIVERS_AT_MOST_NOW:
        refresh_findings(receivers=receiver_ids, at=at)
        return
    jobs.enqueue(
        handler="maintenance.actions.findings.refresh_some", key=f"findings:some:{uuid.uuid4()}",
        title=_("Findings after a change"), args={"receiver_ids": sorted(set(receiver_ids))},
    )  # fmt: skip


def look_again_at_receiver(*, receiver_id: int) -> None:
    """Have the findings of one receiver refreshed once the present transaction is kept, where nothing else tells of it."""
    transaction.on_commit(lambda: look_again(receiver_ids=[receiver_id], at=timezone.now()), robust=True)


def look_again_at_sites(*, site_ids: Iterable[int]) -> None:
    """Have the findings of whole sites refreshed once the present transaction is kept."""
    ids = sorted(set(site_ids))

    def look() -> None:
        rows = Receiver.objects.open().filter(site__in=ids).order_by("pk")
        look_again(receiver_ids=list(rows.values_list("pk", flat=True)), at=timezone.now())

    transaction.on_commit(look, robust=True)


def look_again_where_late(*, site_ids: Iterable[int]) -> None:
    """As above, but only receivers with something late on life safety: rounds decide about nothing else."""
    ids = sorted(set(site_ids))

    def look() -> None:
        at = timezone.now()
        late = DueItem.objects.open().filter(site__in=ids, harm=0).late(timezone.localdate(at)).order_by()
        receivers = sorted(late.values_list("receiver_id", flat=True).distinct())
        if receivers:
            look_again(receiver_ids=receivers, at=at)

    transaction.on_commit(look, robust=True)


def refresh_some(handle: Handle, *, receiver_ids: list[int], **unknown: Any) -> None:
    """Job handler: refresh the receivers named. A second run writes nothing."""
    _run(handle, receiver_ids)


def ask_for_night(*, day: date) -> None:
    """Ask for tonight's look at everything, once its due dates are there."""
    jobs.enqueue(
        handler="maintenance.actions.findings.refresh_night", key=f"findings:{day.isoformat()}",
        title=_("Findings of %(day)s") % {"day": day_said(day)},
    )  # fmt: skip


def ask_after(*, key: str) -> None:
    """Ask for a look at everything once the job of this key has moved limits or dates; asking again gives the same job."""
    jobs.enqueue(
        handler="maintenance.actions.findings.refresh_night", key=f"findings:{key}",
        title=_("Findings after a changed policy or type"),
    )  # fmt: skip


def refresh_night(handle: Handle, **unknown: Any) -> None:
    """Job handler: look at every receiver that hangs anywhere, or of which a finding is open. A second run writes nothing."""
    open_rows = FindingRecord.objects.open()
    ids = set(Receiver.objects.open().values_list("pk", flat=True))
    ids |= set(open_rows.filter(receiver__isnull=False).order_by().values_list("receiver_id", flat=True).distinct())
    # A site whose last receiver was taken down has nobody else to ask after what concerns it as a whole.
    sites = open_rows.filter(receiver=None).order_by().values("site_id")
    ids |= set(Receiver.objects.filter(site__in=sites).values_list("pk", flat=True))
    _run(handle, ids)


def _run(handle: Handle, receiver_ids: Iterable[int]) -> None:
    ids = set(receiver_ids)

    def fence(n_done: int) -> None:
        handle.progress(n_done, len(ids), _("%(n_done)s of %(n)s receivers") % {"n_done": n_done, "n": len(ids)})

    done = refresh_findings(receivers=ids, fence=fence)
    handle.finish({"new": done.n_new, "changed": done.n_changed, "gone": done.n_gone})
