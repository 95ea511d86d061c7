"""How changes of the firm's settings and policy are taken back (see `company.undo`)."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from company.access import MANAGER
from company.actions.firm import FIRM_FACTS, LOGO, POLICY_FACTS, firm_facts
from company.actions.log import facts_of
from company.errors import Refused
from company.models import ChangeRow, Firm, RiskPolicy, Upload, User
from company.signals import policy_changed
from company.undo import Undone, undoes


def _changed(change: ChangeRow, names: tuple[str, ...]) -> dict[str, Any]:
    """Values to put back: those that the change made different. A row written before a field existed lacks it."""
    before, after = change.before or {}, change.after or {}
    return {name: before[name] for name in names if name in before and before[name] != after.get(name)}


@undoes("save_firm", audiences=(MANAGER,))
def undo_save_firm(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Put the settings back that one save changed; the picture of the letterhead as well, if it is still kept."""
    firm = Firm.objects.select_for_update().get(pk=change.subject_id)
    before = firm_facts(firm)
    for name, value in _changed(change, FIRM_FACTS).items():
        setattr(firm, name, value)
    # Prices are kept as text: numbers again before anything compares them.
    firm.clean_fields(exclude=["logo"])
    logo = _changed(change, ("logo",)).get("logo")
    if logo is not None:
        kept = Upload.objects.filter(kind=LOGO, sha256=logo).first() if logo else None
        if logo and kept is None:
            raise Refused(_("The former picture is no longer kept. Upload it again on the page of the letterhead."))
        firm.logo, firm.logo_media_type = (bytes(kept.content), kept.name) if kept else (None, "")
    firm.full_clean()
    firm.save()
    return Undone(before, firm_facts(firm))


@undoes("save_policy", audiences=(MANAGER,))
def undo_save_policy(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Put the limits of one duty class back; every date is worked out anew."""
    policy = RiskPolicy.objects.select_for_update().get(pk=change.subject_id)
    before = facts_of(policy, *POLICY_FACTS)
    for name, value in _changed(change, POLICY_FACTS).items():
        setattr(policy, name, value)
    policy.full_clean()
    policy.save()
    transaction.on_commit(lambda: policy_changed.send(sender=RiskPolicy, duty=policy.duty, at=at, by=by))
    return Undone(before, facts_of(policy, *POLICY_FACTS))
