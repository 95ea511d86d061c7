"""Every write to sources of check-ins: who may hand over what, their tokens, and when each was last used.

A token is shown once and kept as a digest; the last four characters tell one from another. No token, whole or sealed,
stands in a row, the change log or a log line.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
import secrets
from datetime import UTC, datetime, timedelta
from typing import Any

from django.core import signing
from django.db import connection, transaction
from django.utils.crypto import salted_hmac
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_variables

from company.actions import facts_of, record_change
from company.errors import Refused
from company.models import ChangeRow, User
from company.undo import CannotUndo, Undone, undoes
from devices.actions.asks import Ask, ask
from devices.actions.sources_use import former_stands, token_use
from devices.models import IntakeSource

PREFIX = "slin_"
TOKEN = re.compile(PREFIX + r"[A-Za-z0-9_-]{43}")
KEY_LASTS = timedelta(hours=1)
MOST_HOURS = 24 * 14
"""A former token goes on for two weeks at most: one that got away must end some day."""
FACTS = ("name", "per_minute", "late_after_s", "note")
"""What may change. Whom a source speaks for may not: its batches stand for that customer."""

_signer = signing.TimestampSigner(salt="devices.actions.sources")


class SourceChangedSince(Refused):
    """Two people changing one source at once must not undo each other unseen."""


class SourceRefused(Refused):
    """What was asked cannot be done to this source."""


class FormerWouldStop(SourceRefused):
    """A third token would end the former one before its time: somebody has to want that."""


def seen(source: IntakeSource) -> str:
    """Digest of what a form was made from, so that it is noticed when somebody else was quicker."""
    facts = [repr(getattr(source, name)) for name in (*FACTS, "is_active", "token_made_at", "previous_until")]
    return hashlib.sha256("\n".join(facts).encode()).hexdigest()[:32]


def _locked(source: IntakeSource, seen_as: str = "") -> IntakeSource:
    fresh = IntakeSource.objects.select_for_update(of=("self",)).select_related("customer", "site").get(pk=source.pk)
    if seen_as and seen_as != seen(fresh):
        raise SourceChangedSince(_("This source was changed after you opened the page. Look again, then change it."))
    return fresh


def _log(source: IntakeSource, verb: str, by: User | None, at: datetime, reason: str = "", **facts: Any) -> ChangeRow:
    return record_change(
        by=by, at=at, verb=verb, subject=source, customer_id=source.customer_id, reason=reason, **facts
    )  # fmt: skip


def is_name_taken(name: str, pk: int | None = None) -> bool:
    """Whether another source than `pk` has this name, but for its capitals: people and commands name sources by it."""
    return IntakeSource.objects.filter(name__iexact=name).exclude(pk=pk or 0).exists()


def _must_be_free(source: IntakeSource) -> None:
    if is_name_taken(source.name, source.pk):
        raise SourceRefused(_("Another source has this name. Capitals do not tell two names apart; take another."))


@transaction.atomic
def add_source(*, source: IntakeSource, by: User, at: datetime) -> IntakeSource:
    """Add a source, without a token yet.

    Raises
    ------
    SourceRefused
        A gateway without a customer, a site of another customer, a name that another has: nothing is written.
    """
    _must_be_free(source)
    if source.kind == IntakeSource.Kind.API and source.customer_id is None:
        raise SourceRefused(_("A gateway speaks for one customer: choose whose."))
    if source.site is not None and source.site.customer_id != source.customer_id:
        raise SourceRefused(_("This site belongs to another customer. Choose one of this customer’s sites."))
    source.created_at, source.is_active = at, True
    source.save(force_insert=True)
    whom = {"kind": source.kind, "customer": str(source.customer or ""), "site": str(source.site or "")}
    _log(source, "add_source", by, at, after=facts_of(source, *FACTS) | whom)
    return source


@transaction.atomic
def change_source(*, source: IntakeSource, by: User, at: datetime, seen_as: str) -> ChangeRow:
    """Save name, limits and note of a source as the given row holds them.

    Raises
    ------
    SourceChangedSince, SourceRefused
        Nothing is written.
    """
    old = _locked(source, seen_as)
    before, after = facts_of(old, *FACTS), facts_of(source, *FACTS)
    if before == after:
        raise SourceRefused(_("Nothing differs from what is on record, so there is nothing to save."))
    _must_be_free(source)
    source.save(update_fields=FACTS)
    return _log(source, "change_source", by, at, before=before, after=after)


@transaction.atomic
def retire_source(*, source: IntakeSource, by: User, at: datetime, reason: str, seen_as: str = "") -> ChangeRow:
    """Take nothing of this source any more; what it handed over stays. Refused: one that is retired already."""
    fresh = _locked(source, seen_as)
    if not fresh.is_active:
        raise SourceRefused(_("This source is retired already."))
    return _turn(fresh, is_active=False, verb="retire_source", by=by, at=at, reason=reason)


@transaction.atomic
def reopen_source(*, source: IntakeSource, by: User, at: datetime, reason: str = "") -> ChangeRow:
    """Take what this source hands over again, with the token that it had. Refused: one that is not retired."""
    fresh = _locked(source)
    if fresh.is_active:
        raise SourceRefused(_("This source is not retired."))
    return _turn(fresh, is_active=True, verb="reopen_source", by=by, at=at, reason=reason)


def _turn(fresh: IntakeSource, *, is_active: bool, verb: str, by: User, at: datetime, reason: str) -> ChangeRow:
    before = facts_of(fresh, "is_active")
    _set_active(fresh, is_active, at)
    return _log(fresh, verb, by, at, reason, before=before, after=facts_of(fresh, "is_active"))


def _set_active(fresh: IntakeSource, is_active: bool, at: datetime) -> None:
    fresh.is_active, fresh.retired_at = is_active, None if is_active else at
    fresh.save(update_fields=["is_active", "retired_at"])


# --- tokens -----------------------------------------------------------------------------------------------------------


def digest_of(token: str) -> str:
    """How a token is kept and looked up. It is 32 random bytes, so no salt and no slow hash is needed."""
    return hashlib.sha256(token.encode()).hexdigest()


def form_key(source: IntakeSource) -> str:
    """A signed random number for the form that makes a token: sending that form twice makes one and the same.

    It holds which source it is for and how many tokens that source had, so that it makes one token and never an older
    one again: a token that ended does not come back.
    """
    return _signer.sign(f"{source.pk}.{_n_made(source)}.{secrets.token_urlsafe(32)}")


def _n_made(source: IntakeSource) -> int:
    """How many tokens were made for a source: the change log, which never shrinks, counts them."""
    return ChangeRow.objects.filter(subject_kind="intakesource", subject_id=source.pk, verb="make_token").count()


@sensitive_variables()
def _token_of(source: IntakeSource, key: str) -> tuple[str, int]:
    """The token that a form's key makes, and how many the source had when the form was made."""
    try:
        pk, n_before, _random = (signed := _signer.unsign(key, max_age=KEY_LASTS)).split(".")
    except (signing.BadSignature, ValueError):
        raise SourceRefused(_("This page is too old to make a token. Open it again.")) from None
    if int(pk) != source.pk:
        raise SourceRefused(_("This page was made for another source. Open it again."))
    made = salted_hmac("devices.actions.sources.token", signed, algorithm="sha256").digest()
    return PREFIX + base64.urlsafe_b64encode(made).rstrip(b"=").decode(), int(n_before)


@transaction.atomic
@sensitive_variables()
def make_token(
    *, source: IntakeSource, key: str = "", hours: int = 24, ends_former: bool = False, by: User | None, at: datetime,
    seen_as: str = "",
) -> str:  # fmt: skip
    """Make a token and give it: this once, or again for the same `key` (a double click). The former goes on for `hours`.

    While a former one is still taken and the newest was never used, the new one takes the place of the newest, and the
    former, which is in the gateway, goes on until its time whatever `hours` says. Once the newest is used, the former
    stops at once, which `ends_former` has to say.

    Raises
    ------
    SourceChangedSince, SourceRefused, FormerWouldStop
        Retired, no gateway, a page too old or used already, hours outside 0 … 336. Nothing is written.
    """
    fresh = _locked(source)
    token, n_before = _token_of(fresh, key or form_key(fresh))
    if fresh.token_sha256 == digest_of(token):
        return token
    _locked(source, seen_as)
    if n_before != _n_made(fresh):
        raise SourceRefused(_("This page made its token already, and that one has ended. Open it again for a new one."))
    if not fresh.is_active or fresh.kind != IntakeSource.Kind.API:
        raise SourceRefused(_("Only a gateway that is in use has a token. Take the source into use first."))
    if not 0 <= hours <= MOST_HOURS:
        raise SourceRefused(_("Let the former token go on for 0 to %(most)s hours.") % {"most": MOST_HOURS})
    before = facts_of(fresh, "token_hint", "previous_until")
    hint = _make_former(fresh, hours, ends_former, at)
    fresh.token_sha256, fresh.token_hint, fresh.token_made_at = digest_of(token), token[-4:], at
    _save_token(fresh)
    after = facts_of(fresh, "token_hint", "previous_until") | {"former_hint": hint}
    _log(fresh, "make_token", by, at, before=before, after=after)
    return token


def _make_former(fresh: IntakeSource, hours: int, ends_former: bool, at: datetime) -> str:
    """Set which token goes on beside the one that is being made, and until when; gives its last characters."""
    use = token_use(fresh, at)
    if use.former_until and not use.is_used:
        return use.former_hint
    if use.former_until and not ends_former:
        told = _(
            "The former token …%(hint)s is still taken and would be refused at once. Say that it may, or wait until its time."
        )
        raise FormerWouldStop(told % {"hint": use.former_hint})
    goes_on = bool(fresh.token_sha256) and hours > 0
    fresh.previous_sha256 = fresh.token_sha256 if goes_on else ""
    fresh.previous_until = at + timedelta(hours=hours) if goes_on else None
    return fresh.token_hint if goes_on else ""


@transaction.atomic
def revoke_token(
    *, source: IntakeSource, is_previous_only: bool = False, by: User, at: datetime, reason: str, seen_as: str = ""
) -> ChangeRow:
    """End the token and a former one at once, or the former one only. Cannot be taken back: the token is not kept.

    Raises
    ------
    SourceChangedSince, SourceRefused
        Nothing is written.
    """
    fresh = _locked(source, seen_as)
    if not (fresh.previous_sha256 if is_previous_only else fresh.token_sha256):
        raise SourceRefused(_("There is no such token any more."))
    before = facts_of(fresh, "token_hint", "previous_until")
    # When the former one ended stays: a use before that moment may have been the former's.
    was_taken = former_stands(fresh, at)
    fresh.previous_sha256, fresh.previous_until = "", at if was_taken else fresh.previous_until
    if not is_previous_only:
        fresh.previous_until = None
        fresh.token_sha256 = fresh.token_hint = ""
        fresh.token_made_at = None
    _save_token(fresh)
    after = facts_of(fresh, "token_hint", "previous_until")
    return _log(fresh, "revoke_token", by, at, reason, before=before, after=after)


def _save_token(fresh: IntakeSource) -> None:
    fresh.save(
        update_fields=["token_sha256", "token_hint", "token_made_at", "previous_sha256", "previous_until"]
    )  # fmt: skip


_OF_TOKEN = (
    "id", "name", "kind", "customer_id", "site_id", "token_sha256", "token_made_at", "previous_sha256", "previous_until",
    "last_used_at", "per_minute", "is_active",
)  # fmt: skip
# Written out, since every batch asks it: putting such a query together takes the ORM longer than the database answers it.
_BY_TOKEN = (
    f"SELECT {', '.join(f's.{name}' for name in _OF_TOKEN)}, c.closed_at FROM devices_intakesource s "
    "LEFT JOIN company_customer c ON c.id = s.customer_id WHERE s.kind = 'api' AND (s.token_sha256 = %s OR s.previous_sha256 = %s)"
)


@sensitive_variables()
def source_of(token: str, at: datetime) -> IntakeSource | None:
    """The source whose token this is, retired or not; None for an unknown, ended or malformed one.

    What intake does not need of it is read when somebody asks for it.
    """
    if not TOKEN.fullmatch(token):
        return None
    digest = digest_of(token)
    (found,) = ask(Ask(_BY_TOKEN, [digest, digest]))
    for *values, customer_closed_at in found:
        row = IntakeSource.from_db(connection.alias, _OF_TOKEN, values)
        row.previous_until, row.last_used_at = _aware(row.previous_until), _aware(row.last_used_at)
        row.token_made_at = _aware(row.token_made_at)
        row.customer_closed_at = customer_closed_at  # type: ignore[attr-defined]
        is_former = hmac.compare_digest(row.previous_sha256, digest)
        is_present = hmac.compare_digest(row.token_sha256, digest)
        row.came_by_former = not is_present  # type: ignore[attr-defined]
        if is_present or (is_former and former_stands(row, at)):
            return row
    return None


def _aware(moment: datetime | None) -> datetime | None:
    """A moment as a cursor gives it: SQLite's are of UTC and do not say so."""
    return moment if moment is None or moment.tzinfo else moment.replace(tzinfo=UTC)


def may_speak(source: IntakeSource) -> bool:
    """Whether anything of a source that `source_of` gave is taken: it is in use, and so is its customer."""
    return source.is_active and source.customer_id is not None and source.customer_closed_at is None  # type: ignore[attr-defined]


# --- taking back ------------------------------------------------------------------------------------------------------


@undoes("change_source", audiences=("office",))
def undo_change(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Name, limits and note are the former ones again."""
    fresh = _locked(IntakeSource(pk=change.subject_id))
    before = facts_of(fresh, *FACTS)
    for name in FACTS:
        setattr(fresh, name, (change.before or {})[name])
    if is_name_taken(fresh.name, fresh.pk):
        raise CannotUndo(_("Another source has the former name now. Rename that one first."))
    fresh.save(update_fields=FACTS)
    return Undone(before, facts_of(fresh, *FACTS))


@undoes("retire_source", "reopen_source", audiences=("office",))
def undo_turn(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """A retired source is in use again, one taken into use again is retired."""
    fresh = _locked(IntakeSource(pk=change.subject_id))
    before = facts_of(fresh, "is_active")
    _set_active(fresh, bool((change.before or {})["is_active"]), at)
    return Undone(before, facts_of(fresh, "is_active"))
