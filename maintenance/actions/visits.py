"""Opening, finishing and remarking visits. What is recorded on them is in `entries`."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db import transaction
from django.utils.translation import gettext as _

from company.actions import record_change
from company.errors import Refused
from company.models import User
from devices.models import Fault, Receiver, Registration
from maintenance.actions.entries import Saying, record_entry, register_again_slots
from maintenance.actions.findings import look_again_at_sites
from maintenance.actions.stops import end_if_over
from maintenance.models import DueItem, Entry, Round, Visit, VisitCrew
from maintenance.querysets.days import due_on_visit
from maintenance.querysets.faults_on_visit import by_receiver, standing_at
from maintenance.querysets.walk_tests_on_visit import owed_on_visit
from maintenance.rules.visits import NOT_DONE_WHY, Gate, Said, gates, is_answered
from maintenance.rules.walk_tests import walk_test_gates
from sites.models import Site


class VisitAlreadyOver(Refused):
    """The visit was finished or cancelled."""


class NotPublished(Refused):
    """The round of the visit is not published."""


class SiteClosed(Refused):
    """Nobody looks after this site any more."""


class AlreadyThere(Refused):
    """The technician has a visit under way at the site; `visit` is that one."""

    def __init__(self, message: str, visit: Visit) -> None:
        super().__init__(message)
        self.visit = visit


class GateShut(Refused):
    """Something must be done before the visit can be finished; `gates` says what."""

    def __init__(self, message: str, gates: list[Gate]) -> None:
        super().__init__(message)
        self.gates = gates


class SignatureMissing(Refused):
    """A visit ends with a name or with why there is none."""


@transaction.atomic
def start_visit(*, visit: Visit, by: User, at: datetime) -> Visit:
    """Begin a planned visit. A visit under way stays as it is, so that a double click does no harm.

    Raises
    ------
    VisitAlreadyOver, NotPublished
        Nothing is written.
    """
    visit = Visit.objects.select_for_update(of=("self",)).select_related("site", "round").get(pk=visit.pk)
    if visit.state == Visit.State.OPEN:
        return visit
    if visit.state != Visit.State.PLANNED:
        raise VisitAlreadyOver(_("This visit is %(state)s.") % {"state": visit.get_state_display()})
    if visit.round and visit.round.state != Round.State.PUBLISHED:
        raise NotPublished(_("The round of this visit is not published."))
    visit.state = Visit.State.OPEN
    visit.arrived_at = at
    visit.version += 1
    visit.save(update_fields=["state", "arrived_at", "version"])
    record_change(by=by, at=at, verb="start_visit", subject=visit, customer_id=visit.customer_id)
    return visit


@transaction.atomic
def start_call_out(*, site: Site, kind: str, why: str, uuid: UUID, by: User, at: datetime) -> Visit:
    """Begin a visit that no round holds. The uuid comes from the form: sending it twice makes one visit.

    Raises
    ------
    AlreadyThere, SiteClosed
        Nothing is written.
    """
    site = Site.objects.select_for_update(of=("self",)).get(pk=site.pk)
    same = Visit.objects.filter(uuid=uuid, site=site).first()
    if same:
        return same
    if site.closed_at:
        raise SiteClosed(_("This site is no longer looked after."))
    under_way = Visit.objects.filter(site=site, state=Visit.State.OPEN, crew__user=by).first()
    if under_way:
        raise AlreadyThere(_("You have a visit under way at this site."), under_way)
    today = at.astimezone(site.zone).date()
    visit = Visit.objects.create(
        uuid=uuid, customer_id=site.customer_id, site=site, kind=kind, state=Visit.State.OPEN, planned_on=today,
        arrived_at=at, why=[{"code": "call", "text": why.strip()[:200]}] if why.strip() else [],
    )  # fmt: skip
    VisitCrew.objects.create(visit=visit, user=by)
    record_change(by=by, at=at, verb="start_call_out", subject=visit, customer_id=visit.customer_id, reason=why[:300])
    return visit


def standing_gates(visit: Visit) -> list[Gate]:
    """Conditions for finishing as they stand now."""
    said = visit.entries.as_said()
    receivers = dict(Receiver.objects.open().filter(site_id=visit.site_id).order_by("label").values_list("pk", "label"))
    again = register_again_slots(list(receivers))
    standing = by_receiver(standing_at(Fault.objects.all(), visit.site_id))
    return gates(said, receivers, again, len(left_undone(visit, said)), standing)


def gates_to_show(visit: Visit, at: datetime) -> list[Gate]:
    """What the list before finishing says at a moment: walk tests that are owed, then the conditions.

    The tests come first because they must come first on site: after one the receiver is cleared again.
    """
    return [*walk_test_gates(owed_on_visit(Registration.objects.all(), visit, at)), *standing_gates(visit)]


def left_undone(visit: Visit, said: Sequence[Said]) -> list[DueItem]:
    """Due items of the visit that were neither changed nor given a reason."""
    return [
        item
        for item in due_on_visit(visit)
        if not is_answered(
            said, transmitter_id=item.transmitter_id, receiver_id=item.receiver_id, is_unit=item.kind == "unit"
        )
    ]


@dataclass(frozen=True, slots=True)
class NotDone:
    """Why one due item was left: a code of `NOT_DONE_WHY`, words, and the key of the entry that says so."""

    item: DueItem
    why: str
    text: str
    key: UUID


@dataclass(frozen=True, slots=True)
class Signing:
    """How a visit is signed for: a name with or without a drawn line, or why nobody signed."""

    name: str = ""
    path: str = ""
    refused_why: str = ""


SIGNATURE = re.compile(r"(?:[ML]\d{1,3} \d{1,3}){2,4001}")


@transaction.atomic
def finish_visit(*, visit: Visit, signing: Signing, not_done: Sequence[NotDone], by: User, at: datetime) -> Visit:
    """End a visit: reasons for what was left are recorded, the gates are looked at, the signature is kept.

    Finishing a visit that the same person has finished with the same signature gives it back as it is.

    Raises
    ------
    GateShut, SignatureMissing, VisitAlreadyOver
        Nothing is written.
    """
    # The round before its visits, as whoever plans it locks them; a visit under way stays in its round.
    round = Round.objects.select_for_update(of=("self",)).filter(visits=visit.pk).first()
    visit = Visit.objects.select_for_update(of=("self",)).select_related("site", "round").get(pk=visit.pk)
    if (
        visit.state == Visit.State.FINISHED
        and visit.finished_by_id == by.pk
        and visit.signed_name == signing.name.strip()
    ):
        return visit
    if visit.state != Visit.State.OPEN:
        raise VisitAlreadyOver(_("This visit is %(state)s.") % {"state": visit.get_state_display()})
    for row in not_done:
        record_entry(visit=visit, saying=not_done_saying(row), key=row.key, by=by, at=at)
    _sign(visit, signing)
    shut = [gate for gate in standing_gates(visit) if not gate.is_open]
    if shut:
        raise GateShut(" ".join(gate.text for gate in shut), shut)
    visit.state = Visit.State.FINISHED
    visit.finished_at = at
    visit.finished_by = by
    visit.version = Visit.objects.values_list("version", flat=True).get(pk=visit.pk) + 1
    visit.save(
        update_fields=[
            "state", "finished_at", "finished_by", "signed_name", "signature_path", "refused_why", "version",
        ]
    )  # fmt: skip
    record_change(by=by, at=at, verb="finish_visit", subject=visit, customer_id=visit.customer_id)
    if round is not None:
        end_if_over(round, by, at)
    look_again_at_sites(site_ids=[visit.site_id])
    return visit


def not_done_saying(row: NotDone) -> Saying:
    """The entry that says why a due item was left."""
    facts = {
        "why": row.why,
        "why_words": NOT_DONE_WHY[row.why],
        "text": row.text.strip()[:300],
        "due_item": row.item.pk,
    }
    return Saying(Entry.Kind.NOT_DONE, facts, row.item.receiver, row.item.registration)


def _sign(visit: Visit, signing: Signing) -> None:
    name, refused = signing.name.strip()[:120], signing.refused_why.strip()[:200]
    if not name and not refused:
        raise SignatureMissing(_("Enter the name of the person who signs, or why nobody does."))
    if name and refused:
        raise SignatureMissing(_("Either somebody signs or nobody does: leave one of the two empty."))
    if signing.path and not SIGNATURE.fullmatch(signing.path):
        raise SignatureMissing(_("The drawn signature did not arrive whole. Draw it again, or leave it out."))
    visit.signed_name, visit.refused_why = name, refused
    visit.signature_path = signing.path if name else ""


@transaction.atomic
def remark_visit(*, visit: Visit, remark: str, by: User, at: datetime) -> Visit:
    """Write the office's remark that goes onto the report."""
    before = visit.remark
    visit.remark = remark.strip()
    visit.save(update_fields=["remark"])
    record_change(
        by=by, at=at, verb="remark_visit", subject=visit, customer_id=visit.customer_id,
        before={"remark": before}, after={"remark": visit.remark},
    )  # fmt: skip
    return visit


class NobodyLeft(Refused):
    """Somebody must go."""


@transaction.atomic
def set_visit_crew(*, visit: Visit, people: Sequence[User], by: User, at: datetime) -> Visit:
    """Say who goes: one technician or several. The round's own technician may be left out too.

    Raises
    ------
    NobodyLeft, VisitAlreadyOver
        Nothing is written.
    """
    visit = Visit.objects.select_for_update(of=("self",)).select_related("site").get(pk=visit.pk)
    if visit.state not in (Visit.State.PLANNED, Visit.State.OPEN):
        raise VisitAlreadyOver(_("This visit is %(state)s.") % {"state": visit.get_state_display()})
    chosen = {user.pk: user for user in people if user.is_technician and user.is_active}
    if not chosen:
        raise NobodyLeft(_("At least one active technician must be on a visit."))
    before = sorted(visit.crew.values_list("user__name", flat=True))
    visit.crew.exclude(user__in=chosen.values()).delete()
    for user in chosen.values():
        VisitCrew.objects.get_or_create(visit=visit, user=user)
    record_change(
        by=by, at=at, verb="set_visit_crew", subject=visit, customer_id=visit.customer_id, before={"crew": before},
        after={"crew": sorted(user.name for user in chosen.values())},
    )  # fmt: skip
    return visit
