"""Telling people of faults by mail: notices are written with the faults and sent afterwards, once each.

A notice gathers the faults of one rule for a short while; hours outside those of the rule are waited for. A sender claims a
notice by moving its `send_at` ahead in a conditional update, so that of two only one sends it, and so that a sender that died
is followed by another. Only a death between the mail server's yes and our own record of it can send a mail twice; both bear
the same Message-ID.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import F, Q
from django.utils import timezone
from django.utils.translation import gettext

from company.actions import record_change
from company.errors import Refused
from company.invitations import has_mail
from company.models import User
from devices.models import Fault
from maintenance.actions.notice_mail import MAIL_FAILURES, addresses, compose, deliver, refused_words
from maintenance.models import FaultNotice, NoticedFault, NoticeRule
from maintenance.querysets import notices as read
from maintenance.rules.notice_flaps import AGAIN_WITHIN, held_until
from maintenance.rules.notice_hours import Hours, next_moment

logger = logging.getLogger(__name__)

CLAIM = timedelta(minutes=5)
"""A sender that has not said within this time how it went counts as dead."""
MOST_ATTEMPTS = 8
FIRST_PAUSE = timedelta(minutes=1)
LONGEST_PAUSE = timedelta(hours=1)
"""Pauses between attempts: 1, 2, 4 … minutes, an hour at most. After the last a person is told on the page of mails."""
STALE = timedelta(days=1)
"""What was over for longer when it reached us is history, and told by nobody."""
LONGEST_SILENCE = timedelta(days=1)
"""Reminders come ever more seldom, each after twice the pause before it, but never less often than this."""


class NotTriedAgain(Refused):
    """The mail was not put back into the queue; the words say why."""


@transaction.atomic
def note_faults(*, fault_ids: Sequence[int], at: datetime) -> int:
    """Write down for each rule which of these faults its people are to be told of; gives the number of new entries.

    A waiting notice of the same rule takes further faults in. A receiver that fell deaf again within a night waits longer
    each time (`rules/notice_flaps.py`). Left out: faults that a rule has in a notice already (one that was dropped told
    nobody), that somebody has acknowledged, and those that are over, unless they stood long enough on life safety
    (`is_news`) and ended within the last day. May be repeated; sends nothing.
    """
    faults = [
        fault for fault in _named(fault_ids)
        if read.is_news(fault) and (fault.cleared_at is None or at - fault.cleared_at <= STALE)
    ]  # fmt: skip
    return sum(_note(rule, faults, at) for rule in _rules_for(faults))


def _named(fault_ids: Sequence[int]) -> list[Fault]:
    return list(Fault.objects.filter(pk__in=list(fault_ids)).select_related("registration", "site").order_by("pk"))


def _rules_for(faults: Iterable[Fault]) -> list[NoticeRule]:
    """Active rules for these faults, locked: two that note at once would begin two notices of one rule."""
    duties = {read.duty_of(fault) for fault in faults}
    if not duties:
        return []
    rules = NoticeRule.objects.filter(is_active=True, duty__in=duties).exclude(recipients="")
    return list(rules.select_for_update(of=("self",)).order_by("pk"))


def _note(rule: NoticeRule, faults: Iterable[Fault], at: datetime) -> int:
    mine = [
        fault for fault in faults
        if read.duty_of(fault) == rule.duty and rule.customer_id in (None, fault.customer_id)
    ]  # fmt: skip
    told, dropped = NoticedFault.objects.filter(rule=rule, fault__in=mine), Q(notice__state=FaultNotice.State.DROPPED)
    known = set(told.exclude(dropped).values_list("fault_id", flat=True))
    new = [fault for fault in mine if fault.pk not in known]
    send_at = send_moment(rule, max(at + timedelta(seconds=rule.group_s), _held_until(rule, new, at)))
    if not new or send_at is None:
        return 0
    notice = _waiting(rule) or FaultNotice.objects.create(rule=rule, made_at=at, send_at=send_at)
    if notice.send_at > send_at:
        # It was held back for a receiver that comes and goes; this is news.
        notice.send_at = send_at
        notice.save(update_fields=["send_at"])
    # Over before their mail went, and standing again: of these nobody has been told yet.
    told.filter(dropped, fault__in=new).delete()
    return _tell(notice, [(fault.pk, fault.customer_id, 0) for fault in new])


def _held_until(rule: NoticeRule, faults: Sequence[Fault], at: datetime) -> datetime:
    """From when on these faults may be told: at once, unless all of them are of receivers that fell deaf again."""
    deaf = {fault.receiver_id for fault in faults if fault.kind == Fault.Kind.OUTAGE}
    if not deaf or any(fault.kind != Fault.Kind.OUTAGE for fault in faults):
        return at
    sent = read.sent_of_outages(NoticedFault.objects.all(), rule, deaf, at - AGAIN_WITHIN)
    return min(held_until(sent.get(receiver, ()), at) for receiver in deaf)


def _waiting(rule: NoticeRule) -> FaultNotice | None:
    """The notice of this rule that still gathers; one that a sender has had in hand takes nothing more, and one that some
    have got goes to the others alone.
    """
    rows = FaultNotice.objects.select_for_update(of=("self",)).filter(
        rule=rule, state=FaultNotice.State.WAITING, attempts=0, is_reminder=False, recipients=""
    )
    return rows.order_by("pk").first()


def _tell(notice: FaultNotice, faults: Iterable[tuple[int, int, int]]) -> int:
    rows = [
        NoticedFault(notice=notice, rule_id=notice.rule_id, fault_id=fault, customer_id=customer, nth=nth)
        for fault, customer, nth in faults
    ]
    return len(NoticedFault.objects.bulk_create(rows))


def hours_of(rule: NoticeRule) -> Hours:
    """Weekdays and hours of a rule."""
    return Hours(rule.weekdays, rule.from_time, rule.to_time)


def send_moment(rule: NoticeRule, at: datetime) -> datetime | None:
    """First moment from `at` on within the hours of a rule, by the firm's clock."""
    return next_moment(at, hours_of(rule), timezone.get_default_timezone())


# --- sending --------------------------------------------------------------------------------------------------------------


def send_due(*, at: datetime) -> int:
    """Send what is to be sent by now; gives the number of mails that went. Call it outside a transaction, every minute or so.

    First whatever stands untold since less than a day is noted, and reminders are written for what nobody has
    acknowledged. A notice with nothing left to tell is dropped. A mail that fails is tried again after growing pauses and
    given up after the last. Without a mail server notices wait, and the page of mails says so.
    """
    for rule in NoticeRule.objects.filter(is_active=True).order_by("pk"):
        if missed := read.untold(Fault.objects.all(), NoticedFault.objects.all(), rule, at):
            note_faults(fault_ids=missed, at=at)
        if rule.again_s:
            remind(rule=rule, at=at)
    n_sent = 0
    for pk in read.to_send(FaultNotice.objects.all(), at):
        try:
            n_sent += _send_one(pk, at)
        except MAIL_FAILURES:
            # The server is away: the others keep their attempts for when it is back.
            break
    return n_sent


@transaction.atomic
def remind(*, rule: NoticeRule, at: datetime) -> int:
    """Write the reminder of a rule that is due, if any; gives the number of faults in it.

    Each reminder of a fault waits twice as long as the one before. One that is half-way due goes along, so that
    reminders come together.
    """
    if not rule.again_s or not NoticeRule.objects.select_for_update().filter(pk=rule.pk, is_active=True).exists():
        return 0
    asked = read.unanswered(NoticedFault.objects.all(), rule)
    waited = [
        (fault, customer, nth + 1, (at - last_at) / _silence(rule.again_s, nth))
        for fault, customer, nth, last_at in asked
        if last_at is not None
    ]
    send_at = send_moment(rule, at)
    if send_at is None or not any(share >= 1 for *_, share in waited):
        return 0
    notice = FaultNotice.objects.create(rule=rule, made_at=at, send_at=send_at, is_reminder=True)
    return _tell(notice, [(fault, customer, nth) for fault, customer, nth, share in waited if share >= 0.5])


def _silence(again_s: int, nth: int) -> timedelta:
    return min(timedelta(seconds=again_s) * 2 ** min(nth, 20), max(LONGEST_SILENCE, timedelta(seconds=again_s)))


def _send_one(pk: int, at: datetime) -> int:
    """Send one notice if this process gets hold of it. Raises what the mail server or the way to it failed with."""
    if _is_dropped(pk, at) or not has_mail():
        return 0
    attempt = _claim(pk, at)
    if not attempt:
        return 0
    notice = FaultNotice.objects.select_related("rule").get(pk=pk)
    mine = FaultNotice.objects.filter(pk=pk, state=FaultNotice.State.WAITING, attempts=attempt)
    try:
        faults = read.news(Fault.objects.filter(notices__notice=notice), is_reminder=notice.is_reminder)
        # Whatever was left at the claim has been acknowledged since: dropped at the next look.
        if not faults:
            return 0
        mail = compose(notice, faults, at)
        # Who has got it already is not told twice.
        mail.to = [address for address in mail.to if address not in addresses(notice.recipients)]
        refused = deliver(mail) if mail.to else {}
    except Exception as failure:
        logger.warning("Notice %s could not be sent in attempt %s.", pk, attempt, exc_info=True)
        _failed(mine, notice.rule, attempt, f"{type(failure).__name__}: {failure}", at)
        if isinstance(failure, MAIL_FAILURES):
            raise
        return 0
    _sent(notice, mine, mail, faults, refused, at)
    return 1


@transaction.atomic
def _sent(
    notice: FaultNotice, mine: Any, mail: Any, faults: Sequence[Fault], refused: Mapping[str, str], at: datetime
) -> None:
    """Write down what went to whom, and for whom the mail server refused it. What was left out was not told."""
    took = [*addresses(notice.recipients), *(address for address in mail.to if address not in refused)]
    mine.update(
        state=FaultNotice.State.SENT, sent_at=at, error=refused_words(refused)[:300] if refused else "",
        recipients="\n".join(took), subject=mail.subject[:200], body=mail.body,
    )  # fmt: skip
    NoticedFault.objects.filter(notice=notice).exclude(fault__in=faults).delete()


@transaction.atomic
def _is_dropped(pk: int, at: datetime) -> bool:
    """Drop a notice that has nothing left to tell, or whose rule was switched off; True if it is not to be sent.

    An acknowledged fault that still stands leaves the notice: should the acknowledging be taken back, it is noted anew.
    """
    rows = FaultNotice.objects.select_related("rule").select_for_update(of=("self",))
    notice = rows.filter(pk=pk, state=FaultNotice.State.WAITING, send_at__lte=at).first()
    if notice is None:
        return True
    faults = list(Fault.objects.filter(notices__notice=notice).select_related("registration", "site"))
    if notice.rule.is_active and any(read.is_told(fault, is_reminder=notice.is_reminder) for fault in faults):
        return False
    notice.state, notice.error = FaultNotice.State.DROPPED, _why_dropped(notice, faults)
    notice.save(update_fields=["state", "error"])
    NoticedFault.objects.filter(notice=notice, fault__cleared_at=None).delete()
    return True


def _why_dropped(notice: FaultNotice, faults: Sequence[Fault]) -> str:
    if not notice.rule.is_active:
        return gettext("The rule was switched off before it was sent.")
    if any(fault.site.closed_at for fault in faults):
        return gettext("The site was closed before it was sent.")
    if any(fault.acknowledged_at for fault in faults):
        return gettext("Acknowledged or over before it was sent.")
    return gettext("Over before it was sent.")


def _claim(pk: int, at: datetime) -> int:
    """Take a notice in hand; gives the number of this attempt, 0 if another sender was faster."""
    rows = FaultNotice.objects.filter(pk=pk, state=FaultNotice.State.WAITING, send_at__lte=at)
    with transaction.atomic():
        if not rows.update(send_at=at + CLAIM, attempts=F("attempts") + 1):
            return 0
        return FaultNotice.objects.values_list("attempts", flat=True).get(pk=pk)


def _failed(mine: Any, rule: NoticeRule, attempt: int, why: str, at: datetime) -> None:
    if attempt >= MOST_ATTEMPTS:
        mine.update(state=FaultNotice.State.FAILED, error=why[:300])
        return
    pause = min(FIRST_PAUSE * 2 ** (attempt - 1), LONGEST_PAUSE)
    mine.update(send_at=send_moment(rule, at + pause) or at + pause, error=why[:300])


@transaction.atomic
def try_again(*, notice: FaultNotice, by: User, at: datetime) -> FaultNotice:
    """Put a mail that was given up back into the queue, or one that some did not get: it then goes to these alone.

    Refused (NotTriedAgain): it was neither.
    """
    changed = FaultNotice.objects.filter(read.FAILED_OR_PARTLY, pk=notice.pk).update(
        state=FaultNotice.State.WAITING, attempts=0, send_at=at, error=""
    )
    if not changed:
        raise NotTriedAgain(
            gettext("Only a mail that could not be sent is sent again. Look at the list: it has changed.")
        )
    notice.refresh_from_db()
    record_change(by=by, at=at, verb="try_notice_again", subject=notice)
    return notice
