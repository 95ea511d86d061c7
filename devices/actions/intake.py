"""One batch of events taken in: ledger, days, totals and faults in one transaction, exactly once."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.db.models import F
from django.utils.translation import gettext as _

from company.errors import Refused
from company.models import User
from devices.actions import bulk_days
from devices.actions import intake_sql as isql
from devices.actions import rollup_sql as sql
from devices.actions.asks import sending
from devices.actions.fault_events import Signal, record_signals
from devices.actions.intake_ignored import Beside
from devices.actions.intake_in_no_slot import keep_in_no_slot, stations_of
from devices.actions.intake_marks import mark_asks, tested, watermarks
from devices.actions.intake_memory import MOST_EVENTS, Kept, Memory, memory
from devices.actions.intake_placing import Placed, Sender, place_events
from devices.actions.rollups import merge_days
from devices.actions.running_totals import Stays, by_unit
from devices.models import IntakeBatch, IntakeSource, Receiver
from devices.rules.day_merge import DayRow
from devices.rules.events import Event, RowProblem
from sites.models import Site

TURNS = 3
"""How often a batch begins anew because something it went by changed before it held the locks; then it goes by what it
read. Our own choice."""


class OtherContent(Refused):
    """A batch of this id came before with other content: nothing is taken, the conflict is counted and shown."""


class OutsideItsScope(Refused):
    """The source does not speak for this receiver or site."""


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of a batch: its ledger row, whether it had come before, and the answer for the sender."""

    batch: IntakeBatch
    is_repeat: bool
    answer: dict[str, Any]


def take_batch(
    *, source: IntakeSource, batch_id: str, sha256: str, events: Sequence[Event], problems: Sequence[RowProblem] = (),
    n_clamped: int = 0, receiver: Receiver | None = None, site: Site | None = None, until: datetime | None = None,
    file_name: str = "", by: User | None = None, said: Sequence[str] = (), ignored: Sequence[str] = (),
    left_out: Sequence[RowProblem] = (), at: datetime,
) -> Taken:  # fmt: skip
    """Take in a batch: all of it in one transaction, once only.

    Writes the ledger, days with the totals of their cells, faults that the events raise and end, what nobody could place,
    and how far receivers and source have delivered. The same id with the same digest gives the answer that is stored.
    Call it outside a transaction: then a conflict is counted though it is refused.

    Events belong to the customer of the source, or where it speaks for the whole firm, to that of the receiver or site
    named. Within that, a serial counts wherever its transmitter stands; a slot needs a receiver. The watermark of the batch
    (`until`, or its last event; of a gateway its last check-in) goes to the named receiver; without one, to every receiver
    there that this source feeds or whose transmitters it heard, unless another gateway or panel feeds that one. Of a receiver
    that another source feeds only check-ins count. A file cut into batches is best cut at quarter hours: see
    `devices.rules.day_merge`.

    Parameters
    ----------
    source, batch_id, sha256
        Who sends, under which id of its own, and the digest of what it sent.
    events, problems
        Rows that can be taken, with times of at most `at`; rows that cannot, which come back in the answer.
    n_clamped : int
        Times that had to be cut.
    receiver, site
        Of the whole batch, as far as the sender says.
    until : datetime or None
        Up to when the sender has delivered everything.
    said : sequence of str
        What it said, in lines for its page, where nobody could look that up in a file of the sender's.
    ignored, left_out
        What of its rows was not read: names of fields that nobody described; values that were no good.
    at : datetime
        When it was received.

    Returns
    -------
    Taken
        With the answer {"batch", "received_at", "repeated", "rows", "taken", "refused": [{"row", "field", "why"}],
        "set_aside": [{"row", "serial", "why"}], "clamped"}, and "said", "ignored", "left_out" where there is any.

    Raises
    ------
    OtherContent
        Same id, other digest. Only the conflict is counted.
    OutsideItsScope
        Receiver or site of somebody else. Nothing is written.
    """
    sender = sender_of(source, receiver, site)
    moments = [event.at for event in events]
    first, last = min(moments, default=None), max(moments, default=None)
    head = {
        "source_id": source.pk, "batch_id": batch_id, "sha256": sha256, "received_at": at, "file_name": file_name[:120],
        "from_at": first, "until_at": last, "n_rows": len(events) + len(problems), "n_clamped": n_clamped, "n_repeats": 0,
        "n_conflicts": 0, "by_id": by.pk if by else None,
    }  # fmt: skip
    # Files of the past speak of too many at once, and once only.
    remembers = memory if len(events) <= MOST_EVENTS else None
    beside = Beside(said, ignored, left_out)
    taken = None
    for turn in range(TURNS):
        try:
            taken = _take(sender, head, events, problems, until, beside, remembers, is_last=turn == TURNS - 1)
            break
        except _ChangedSince:
            continue
    if taken is None:
        raise OtherContent(
            _("A batch of this id came before with other content, so nothing was taken. Send this one under a new id.")
        )
    return taken


def sender_of(source: IntakeSource, receiver: Receiver | None, site: Site | None) -> Sender:
    """Whom a batch speaks for.

    Raises
    ------
    OutsideItsScope
        Receiver or site of somebody else, or the receiver of another site than the one named.
    """
    customers = {row.customer_id for row in (receiver, site) if row is not None}
    sites = {receiver.site_id} if receiver is not None else set()
    if site is not None:
        sites.add(site.pk)
    if source.customer_id is not None:
        customers.add(source.customer_id)
    if len(customers) > 1 or len(sites | ({source.site_id} if source.site_id else set())) > 1:
        raise OutsideItsScope(_("This source does not speak for this receiver or site. Look at whose it is."))
    return Sender(
        source.pk, source.name, source.kind, customers.pop() if customers else None, source.site_id,
        receiver.pk if receiver else None, sites.pop() if sites else source.site_id,
    )  # fmt: skip


class _ChangedSince(Exception):
    """What was remembered of a transmitter is not so any more: everything is rolled back, to begin with what is on record."""


@transaction.atomic
def _take(
    sender: Sender, head: dict[str, Any], events: Sequence[Event], problems: Sequence[RowProblem],
    until: datetime | None, beside: Beside, remembers: Memory | None, *, is_last: bool,
) -> Taken | None:  # fmt: skip
    """Take a batch in, or give the stored answer; None where its id was used for other content, which is counted."""
    placed = place_events(sender, events, None if is_last else remembers)
    answer = _answer(head, placed, problems)
    answer |= beside.told(answer)
    head = head | {
        "n_taken": answer["taken"], "n_refused": len(answer["refused"]), "n_set_aside": len(placed.aside),
        "answer": answer,
    }  # fmt: skip
    receivers = placed.receiver_ids | ({sender.receiver_id} if sender.receiver_id else set())
    # A gateway of several sites that names neither speaks of the receivers that its rows name, and of no other.
    is_of_rows = sender.kind == IntakeSource.Kind.API and sender.site_id is None
    feeds = sender.source_id if sender.receiver_id is None and not is_of_rows else None
    keys = placed.keys()
    is_bulk = bulk_days.is_worth_while(len(keys))
    # Receivers before transmitters is the order of every action; each statement sees what the ones before waited for.
    only_locked = stations_of(placed) - receivers if placed.in_no_slot else set()
    asks = [isql.ledger_ask(head), isql.lock_receivers_ask(receivers | only_locked, feeds, sender.fed_scope)]
    more = _asks_of(keys, placed, is_bulk=is_bulk)
    made, fed_rows, *found = sql.ask(*asks, *more.values(), isql.border_ask(), *isql.schema_asks())
    if not made:
        return _came_before(head)
    border, read = found[len(more)], dict(zip(more, found, strict=False))
    if remembers is not None and len(found) > len(more) + 1:
        _go_by_schema(remembers, found[-1][0][0], placed)
    stays = _checked(placed, isql.as_border(border), read, remembers, is_last=is_last)
    fed = [row for row in isql.as_fed(fed_rows) if row.id not in only_locked or (feeds and row.fed_by == feeds)]
    closed = _closed(placed, fed)
    marks = watermarks(sender, events, placed, until, head)
    aside = isql.set_aside_asks([(made[0][0], *row) for row in placed.aside_rows(sender)])
    with sending() as send:
        send(*aside, *mark_asks(sender, fed, placed, marks, head))
        if not is_bulk:
            send(*_days_asks(placed.days(closed), read, stays, placed.found.kept))
    if is_bulk:
        bulk_days.write_many(placed.days(closed), sql.owners(read["locked"]), read["stays"])
    _tell(placed, sender, head["received_at"])
    if placed.in_no_slot:
        keep_in_no_slot(placed=placed, batch_id=made[0][0], at=head["received_at"])
    return Taken(IntakeBatch(id=made[0][0], **head), False, answer)


def _go_by_schema(remembers: Memory, schema: int, placed: Placed) -> None:
    """Forget everything where tables or triggers of SQLite changed, and remember nothing while triggers are missing.

    Raises
    ------
    _ChangedSince
        What the batch went by may be wrong.
    """
    if schema != remembers.schema:
        remembers.clear()
        remembers.schema, remembers.may_keep = schema, isql.are_stamps_kept()
        if placed.found.kept:
            raise _ChangedSince


def _checked(
    placed: Placed, border: date | None, read: Mapping[str, sql.Rows], remembers: Memory | None, *, is_last: bool
) -> Stays:  # fmt: skip
    """Cells of all transmitters heard, after a look at whether what was remembered, or read before the locks, still holds;
    then remember what was read.

    Raises
    ------
    _ChangedSince
        It does not. What was remembered is forgotten.
    """
    found, stays = placed.found, by_unit(read.get("stays", ()))
    if remembers is None:
        return stays
    stamps = {row[0]: row[2] for row in read.get("locked", ())}
    if not is_last and any(pk in stamps and stamps[pk] != stamp for pk, stamp in found.stamps.items()):
        raise _ChangedSince
    if found.kept:
        if "known" in read:
            same = read["known"][0] == (len(found.kept), sum([one.stamp for one in found.kept]))
            old = [] if same else found.kept
        else:
            old = [one for one in found.kept if stamps.get(one.id) != one.stamp]
        if old or border != found.border:
            remembers.forget(old)
            remembers.keep_border(border)
            raise _ChangedSince
    remembers.keep_border(border)
    if found.stamps:
        remembers.keep(_to_keep(placed, stamps, stays))
    for pk, _unit, _places, cells, _stamp in found.kept:
        stays[pk] = cells
    return stays


def _to_keep(placed: Placed, stamps: Mapping[int, int], stays: Stays) -> Iterator[Kept]:
    """What may be remembered of transmitters that were read: nothing of them changed until they were locked."""
    for unit in placed.found.units.exact.values():
        stamp, cells = stamps.get(unit.id), list(stays.get(unit.id, ()))
        # Cells without a period on record will have one in a moment.
        if stamp is not None and placed.found.stamps.get(unit.id) == stamp and all(row[5] for row in cells):
            yield Kept(unit.id, unit, placed.places.of_unit.get(unit.id, []), cells, stamp)


def _closed(placed: Placed, fed: Sequence[isql.Fed]) -> dict[int, date | None]:
    """Before which day the days of all receivers are over that matter."""
    closed = {row.id: row.closed_until for row in fed}
    missing = placed.stations() - closed.keys()
    return closed | isql.as_closed(sql.ask(isql.closed_ask(missing))[0]) if missing else closed


def put_in(parts: Sequence[tuple[Placed, Sender]], at: datetime) -> None:
    """Write days, totals, faults and link tests of events placed, without a ledger row; the receivers are locked already.

    For events that wait in the ledger and are marked by the caller in the same transaction, so that they count once. Each
    part is what one batch said: they are merged one after another in the order given, as if they came only now.
    """
    days: dict[sql.Key, list[DayRow]] = {}
    signals: dict[str, list[Signal]] = {}
    for placed, sender in parts:
        for key, rows in placed.days(_closed(placed, [])).items():
            days.setdefault(key, []).extend(rows)
        signals.setdefault(sender.name, []).extend(placed.signals)
    grouped = dict(sorted(days.items()))
    asks = _asks_of(list(grouped))
    read = dict(zip(asks, sql.ask(*asks.values()), strict=True))
    sql.ask(*_days_asks(grouped, read, by_unit(read.get("stays", ()))))
    for name, some in signals.items():
        if some:
            record_signals(signals=some, source=name, at=at)
    for placed, _sender in parts:
        if placed.link_tests:
            (found,) = sql.ask(isql.lock_receivers_ask(placed.link_tests, None, isql.Scope(None, None)))
            changed = [new for row in isql.as_fed(found) if (new := tested(row, placed)) != row]
            sql.ask(*isql.mark_receivers_asks(changed))


def _asks_of(keys: Sequence[sql.Key], placed: Placed | None = None, *, is_bulk: bool = False) -> dict[str, sql.Ask]:
    """Lock the transmitters of some days, and those remembered, and read what is on record: "locked" or, where all are
    remembered, "known"; "days" unless in bulk; and the "stays" of cells that are not remembered.
    """
    kept = {one.id for one in placed.found.kept} if placed is not None else set()
    ids = {key[0] for key in keys}
    if not ids and not kept:
        return {}
    unknown = ids - kept
    asks = {"locked": sql.lock_ask(sorted(ids | kept))} if unknown else {"known": sql.lock_known_ask(sorted(kept))}
    if keys and not is_bulk:
        asks["days"] = sql.days_ask(keys)
    if unknown:
        # What will be remembered is read whole.
        oldest = min(key[1] for key in keys) if is_bulk or placed is None else None
        asks["stays"] = sql.stays_ask(sorted(unknown), oldest)
    return asks


def _days_asks(
    grouped: dict[sql.Key, list[DayRow]], read: Mapping[str, sql.Rows], stays: Stays, kept: Sequence[Kept] = ()
) -> list[sql.Ask]:  # fmt: skip
    if not grouped:
        return []
    customers = sql.owners(read["locked"]) if "locked" in read else {one.id: one.unit.customer_id for one in kept}
    return merge_days(grouped, customers, sql.as_states(read["days"]), stays)[1]


def _tell(placed: Placed, sender: Sender, at: datetime) -> None:
    if placed.signals:
        record_signals(signals=placed.signals, source=sender.name, at=at)


def _answer(head: dict[str, Any], placed: Placed, problems: Sequence[RowProblem]) -> dict[str, Any]:
    bad = sorted((*problems, *placed.problems), key=lambda one: one.row)
    n_events = head["n_rows"] - len(problems)
    return {
        "batch": head["batch_id"], "received_at": head["received_at"].isoformat().replace("+00:00", "Z"),
        "repeated": False, "rows": head["n_rows"], "taken": n_events - len(placed.problems) - len(placed.aside),
        "refused": [{"row": one.row, "field": one.field, "why": one.why} for one in bad],
        "set_aside": [{"row": one.event.row, "serial": one.event.serial, "why": one.why} for one in placed.aside],
        "clamped": head["n_clamped"],
    }  # fmt: skip


def _came_before(head: dict[str, Any]) -> Taken | None:
    batch = IntakeBatch.objects.select_for_update(of=("self",)).get(
        source_id=head["source_id"], batch_id=head["batch_id"]
    )
    is_repeat = batch.sha256 == head["sha256"]
    name = "n_repeats" if is_repeat else "n_conflicts"
    IntakeBatch.objects.filter(pk=batch.pk).update(**{name: F(name) + 1})
    if not is_repeat:
        return None
    batch.n_repeats += 1
    return Taken(batch, True, batch.answer | {"repeated": True})
