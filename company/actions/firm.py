"""Every write of the firm's letterhead, prices and policy."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils.translation import gettext

from company.actions.log import facts_of, record_change
from company.errors import Refused
from company.models import Firm, RiskPolicy, Upload, User
from company.pictures import clean_logo
from company.signals import policy_changed


class PolicyChangedSince(Refused):
    """Two people changing one policy at once must not undo each other unseen."""


class PolicyUnchanged(Refused):
    """A save that changes nothing leaves no row in the history and moves no date."""


class FirmChangedSince(Refused):
    """Two people changing the settings at once must not undo each other unseen."""


class FirmUnchanged(Refused):
    """A save that changes nothing leaves no row in the history."""


LOGO = "logo"
"""Kind of upload under which pictures of former letterheads are kept."""


def ensure_firm() -> Firm:
    """The firm's one row, made with defaults if it is not there yet."""
    firm, _ = Firm.objects.get_or_create(pk=1)
    return firm


DEFAULT_POLICIES: dict[str, dict[str, Any]] = {
    # Shares, grace and caps are the project's own suggestion until a manager sets them (no standard's figures).
    "life_safety": {
        "p_dead": 0.01,
        "p_call": 0.10,
        "grace_days": 7,
        "calendar_cap_days": 1461,
        "longest_window_s": 14400,
    },
    "security": {
        "p_dead": 0.03,
        "p_call": 0.15,
        "grace_days": 14,
        "calendar_cap_days": 1826,
        "longest_window_s": 43200,
    },
    "convenience": {
        "p_dead": 0.06,
        "p_call": 0.25,
        "grace_days": 14,
        "calendar_cap_days": 2557,
        "longest_window_s": None,
    },
}


def ensure_policies() -> dict[str, RiskPolicy]:
    """One policy row per duty class, made with our own suggestion where none is."""
    have = {policy.duty: policy for policy in RiskPolicy.objects.all()}
    for duty, numbers in DEFAULT_POLICIES.items():
        if duty not in have:
            have[duty], _ = RiskPolicy.objects.get_or_create(duty=duty, defaults=numbers)
    return have


FIRM_FACTS = (
    "name", "address", "phone", "email", "paper_note", "paper", "language", "units", "date_style", "currency",
    "cost_per_hour", "cost_per_km", "cost_per_callout", "checkin_months", "notes_on_phones",
)  # fmt: skip


def firm_facts(firm: Firm) -> dict[str, Any]:
    """What the change log keeps of the settings; the picture by its digest."""
    return facts_of(firm, *FIRM_FACTS) | {"logo": firm.logo_digest}


@transaction.atomic
def save_firm(*, firm: Firm, by: User, at: datetime, seen: str | None = None, logo: bytes | None = None) -> Firm:
    """Change the firm's letterhead, prices and ways of writing.

    `seen` is `Firm.seen` of the row that the values were entered against (None leaves the question out). `logo` is a
    picture as uploaded, empty bytes take the present one away, None keeps it. Refused: a row that was changed since
    (FirmChangedSince), values that are those stored (FirmUnchanged), what is no picture (company.pictures.NoLogo).
    """
    old = Firm.objects.select_for_update().get(pk=firm.pk)
    if seen is not None and seen != old.seen:
        raise FirmChangedSince(
            gettext(
                "These settings were changed after you opened the page, so nothing was saved. Open them again, then enter yours."
            )
        )
    firm.logo, firm.logo_media_type = old.logo, old.logo_media_type
    if logo is not None:
        picture, media_type = clean_logo(logo) if logo else (None, "")
        firm.logo, firm.logo_media_type = picture, media_type
    firm.full_clean()
    if firm.seen == old.seen:
        raise FirmUnchanged(gettext("These are the present settings, so there is nothing to change."))
    if old.logo and old.logo_digest != firm.logo_digest:
        _keep_old_logo(old, by, at)
    firm.save()
    record_change(by=by, at=at, verb="save_firm", subject=firm, before=firm_facts(old), after=firm_facts(firm))
    return firm


def _keep_old_logo(old: Firm, by: User, at: datetime) -> None:
    """The log holds digests only: without the bytes, no picture could ever be put back."""
    digest = old.logo_digest
    if not Upload.objects.filter(kind=LOGO, sha256=digest).exists():
        Upload.objects.create(
            kind=LOGO, name=old.logo_media_type, sha256=digest, content=bytes(old.logo or b""), by=by, at=at
        )


POLICY_FACTS = ("duty", "p_dead", "p_call", "grace_days", "calendar_cap_days", "longest_window_s", "source_note")


@transaction.atomic
def save_policy(*, policy: RiskPolicy, by: User, at: datetime, reason: str = "", seen: str | None = None) -> RiskPolicy:
    """Change how far batteries of one duty class are let go; the due dates are worked out anew in the background.

    `seen` is `RiskPolicy.seen` of the row that the figures were entered against; None leaves the question out.
    Refused: a row that was changed since (PolicyChangedSince), values that are those stored (PolicyUnchanged), and
    more found dead than may end at all.
    """
    old = RiskPolicy.objects.select_for_update().get(pk=policy.pk)
    if seen is not None and seen != old.seen:
        raise PolicyChangedSince(
            gettext("This policy was changed after you opened the page, so nothing was saved. Look again, then choose.")
        )
    if policy.seen == old.seen:
        raise PolicyUnchanged(gettext("These are the present figures, so there is nothing to change."))
    if policy.p_dead > policy.p_call:
        raise Refused(gettext("The share found dead cannot be above the share that signals low: enter a smaller one."))
    policy.full_clean()
    policy.save()
    record_change(
        by=by,
        at=at,
        verb="save_policy",
        subject=policy,
        before=facts_of(old, *POLICY_FACTS),
        after=facts_of(policy, *POLICY_FACTS),
        reason=reason,
    )
    transaction.on_commit(lambda: policy_changed.send(sender=RiskPolicy, duty=policy.duty, at=at, by=by))
    return policy
