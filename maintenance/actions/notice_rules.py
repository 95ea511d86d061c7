"""Rules for mails about faults: saved, switched, removed, taken back, tried."""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Sequence
from datetime import datetime, time
from typing import Any

from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import transaction
from django.utils.translation import gettext as _

from company.access import MANAGER
from company.actions import facts_of, record_change
from company.errors import Refused
from company.invitations import has_mail
from company.models import ChangeRow, User
from company.undo import Undone, undoes
from maintenance.actions.notice_mail import MAIL_FAILURES, addresses, compose_test, deliver, refused_words
from maintenance.actions.notices import hours_of
from maintenance.models import NoticeRule
from maintenance.rules.notice_words import Offer, rule_words

RULE_FACTS = (
    "duty", "customer_id", "recipients", "weekdays", "from_time", "to_time", "group_s", "again_s", "is_active", "note",
)  # fmt: skip


class RuleNotSaved(Refused):
    """A rule was not saved, switched or removed; the words say what to do."""


class TestNotSent(Refused):
    """The test mail did not go; the words say why."""

    __test__ = False


def seen(rule: NoticeRule) -> str:
    """Digest of every value of a rule: a form carries it, so that two people do not undo each other unseen."""
    return hashlib.sha256(repr(facts_of(rule, *RULE_FACTS)).encode()).hexdigest()[:32]


def words_of(rule: NoticeRule) -> str:
    """The rule as one sentence."""
    return rule_words(
        hours_of(rule), duty=rule.get_duty_display(), customer=rule.customer.name if rule.customer else "",
        n_recipients=len(addresses(rule.recipients)), group_s=rule.group_s, again_s=rule.again_s,
    )  # fmt: skip


def _refuse_unfit(rule: NoticeRule) -> None:
    to = addresses(rule.recipients)
    if not to:
        raise RuleNotSaved(_("Give at least one address: a rule without one tells nobody."))
    for address in to:
        try:
            validate_email(address)
        except ValidationError:
            raise RuleNotSaved(
                _("“%(address)s” is no mail address. Write one address a line.") % {"address": address}
            ) from None
    if not rule.weekdays:
        raise RuleNotSaved(_("Tick at least one day: on no day nobody is told."))
    if rule.from_time is not None and rule.from_time == rule.to_time:
        raise RuleNotSaved(_("From and to are the same hour. Leave both empty for the whole day."))


@transaction.atomic
def save_notice_rule(
    *, rule: NoticeRule, seen_before: str, by: User, at: datetime, batch: uuid.UUID | None = None
) -> NoticeRule:
    """Add a rule, or change one. A waiting mail keeps the faults it has and goes to the addresses of that moment.

    Refused (RuleNotSaved): no address, one that is none, no day, equal hours, changed by somebody else since the form was
    opened, or a new one that is on record value for value.
    """
    _refuse_unfit(rule)
    rule.recipients = "\n".join(addresses(rule.recipients))
    old = NoticeRule.objects.select_for_update(of=("self",)).filter(pk=rule.pk).first() if rule.pk else None
    if old is not None and seen_before != seen(old):
        raise RuleNotSaved(
            _(
                "This rule was changed after you opened the page, so nothing was saved. Go back, look at it, and enter yours again."
            )
        )
    if old is None:
        rule.created_at = at
        _refuse_twin(rule)
    rule.full_clean()
    rule.save()
    record_change(
        by=by, at=at, verb="save_notice_rule", subject=rule, customer_id=rule.customer_id,
        before=facts_of(old, *RULE_FACTS) if old else None, after=facts_of(rule, *RULE_FACTS), batch=batch,
    )  # fmt: skip
    return rule


def _refuse_twin(rule: NoticeRule) -> None:
    same = NoticeRule.objects.filter(**{name: getattr(rule, name) for name in RULE_FACTS if name != "note"})
    if same.exists():
        raise RuleNotSaved(_("The very same rule is on record already. Nothing was saved a second time."))


@transaction.atomic
def take_offers(*, offers: Sequence[Offer], recipients: str, by: User, at: datetime) -> uuid.UUID:
    """Begin with the rules we offer, to these addresses; gives the number of this deed, by which it can be taken back.

    Refused (RuleNotSaved): there are rules already, or an address is none.
    """
    if NoticeRule.objects.exists():
        raise RuleNotSaved(_("There are rules already. Add or change them one by one."))
    deed = uuid.uuid4()
    for offer in offers:
        rule = NoticeRule(
            duty=offer.duty, recipients=recipients, weekdays=offer.hours.weekdays, from_time=offer.hours.begins,
            to_time=offer.hours.ends, group_s=offer.group_s, again_s=offer.again_s,
        )  # fmt: skip
        save_notice_rule(rule=rule, seen_before="", by=by, at=at, batch=deed)
    return deed


@transaction.atomic
def switch_notice_rule(*, rule: NoticeRule, is_active: bool, by: User, at: datetime) -> NoticeRule:
    """Switch a rule on or off. What waits when it is switched off is dropped at its time; twice is once."""
    row: NoticeRule = NoticeRule.objects.select_for_update(of=("self",)).get(pk=rule.pk)
    if row.is_active == is_active:
        return row
    before = facts_of(row, *RULE_FACTS)
    row.is_active = is_active
    row.save(update_fields=["is_active"])
    record_change(
        by=by, at=at, verb="switch_notice_rule", subject=row, customer_id=row.customer_id, before=before,
        after=facts_of(row, *RULE_FACTS),
    )  # fmt: skip
    return row


@transaction.atomic
def remove_notice_rule(*, rule: NoticeRule, by: User, at: datetime) -> None:
    """Remove a rule that has told nobody yet. Refused (RuleNotSaved): there are mails of it, which the log keeps."""
    row: NoticeRule = NoticeRule.objects.select_for_update(of=("self",)).get(pk=rule.pk)
    _refuse_with_mails(row)
    record_change(
        by=by, at=at, verb="remove_notice_rule", subject=row, customer_id=row.customer_id,
        before=facts_of(row, *RULE_FACTS),
    )  # fmt: skip
    row.delete()


def _refuse_with_mails(rule: NoticeRule) -> None:
    if rule.notices.exists():
        raise RuleNotSaved(
            _("Mails of this rule are on record. Switch it off instead: it tells nobody then, and its mails stay.")
        )


def try_notice_rule(*, rule: NoticeRule, by: User, at: datetime) -> list[str]:
    """Send a test mail to the addresses of a rule; gives them. Call it outside a transaction.

    Refused (TestNotSent): no mail server is set, or it does not take the mail, or not for everybody: who got it is said.
    """
    if not has_mail():
        raise TestNotSent(_("No mail server is set, so no mail can go. Whoever runs the installation sets EMAIL_HOST."))
    mail = compose_test(rule, at, words=words_of(rule))
    try:
        refused = deliver(mail)
    except MAIL_FAILURES as failure:
        raise TestNotSent(
            _("The mail server did not take the test mail: %(why)s") % {"why": str(failure)[:200]}
        ) from failure
    if refused:
        took = ", ".join(address for address in mail.to if address not in refused)
        raise TestNotSent(
            _("%(refused)s. It went to %(took)s.") % {"refused": refused_words(refused), "took": took}
        )  # fmt: skip
    record_change(by=by, at=at, verb="try_notice_rule", subject=rule, customer_id=rule.customer_id)
    return list(mail.to)


# --- taking back ----------------------------------------------------------------------------------------------------------


def _put(rule: NoticeRule, facts: dict[str, Any]) -> None:
    for name in RULE_FACTS:
        value = facts.get(name, getattr(rule, name))
        if name in ("from_time", "to_time") and isinstance(value, str):
            value = time.fromisoformat(value)
        setattr(rule, name, value)


@undoes("save_notice_rule", "switch_notice_rule", audiences=(MANAGER,))
def undo_saving(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Put a rule back as it was; a new one is removed again. Refused: it has told somebody since, or is gone."""
    rule = NoticeRule.objects.select_for_update(of=("self",)).filter(pk=change.subject_id).first()
    if rule is None:
        raise RuleNotSaved(_("This rule was removed since, so there is nothing to take back."))
    before = facts_of(rule, *RULE_FACTS)
    if change.before is None:
        _refuse_with_mails(rule)
        rule.delete()
        return Undone(before, None)
    _put(rule, change.before)
    rule.full_clean()
    rule.save()
    return Undone(before, facts_of(rule, *RULE_FACTS))


@undoes("remove_notice_rule", audiences=(MANAGER,))
def undo_removing(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Bring a removed rule back with its number; it tells of what comes from now on."""
    rule = NoticeRule(pk=change.subject_id, created_at=at)
    _put(rule, change.before or {})
    rule.full_clean()
    rule.save(force_insert=True)
    return Undone(None, facts_of(rule, *RULE_FACTS))
