"""Second factors sealed with a new key."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from allauth.mfa.models import Authenticator
from django.db import transaction

from company.actions.firm import ensure_firm
from company.actions.log import record_change
from company.factor_seal import each_secret, seal_anew
from company.models import User
from company.sealed import SealBroken

BATCH = 50
"""Factors sealed anew in one transaction: few, so that somebody who signs in never waits long."""


@dataclass(frozen=True, slots=True)
class FactorsResealed:
    """What a run over all second factors did."""

    n_resealed: int
    n_already: int
    unopened: tuple[str, ...]
    """Addresses of the people whose factor no installed key opens; it is left as it is."""


def reseal_second_factors(*, by: User | None, at: datetime, batch: int = BATCH) -> FactorsResealed:
    """Seal the secret of every second factor with the newest key, `batch` a transaction; may be broken off and run again.

    One that the newest key opens is left alone, one that no key opens is named and left alone; one that lies in the
    clear is sealed. One change row of the firm for each transaction says how many were sealed anew.
    """
    kinds = (Authenticator.Type.TOTP, Authenticator.Type.RECOVERY_CODES)
    pks = list(Authenticator.objects.filter(type__in=kinds).order_by("pk").values_list("pk", flat=True))
    n_resealed = n_already = 0
    unopened: list[str] = []
    for start in range(0, len(pks), batch):
        with transaction.atomic():
            done = 0
            rows = Authenticator.objects.select_for_update(of=("self",)).select_related("user").order_by("pk")
            for row in rows.filter(pk__in=pks[start : start + batch]):
                try:
                    data = each_secret(row.data, seal_anew)
                except SealBroken:
                    unopened.append(row.user.email)
                    continue
                if data == row.data:
                    n_already += 1
                    continue
                row.data = data
                row.save(update_fields=["data"])
                done += 1
            n_resealed += done
            if done:
                # In the transaction of its factors: a run that was broken off has said what it did.
                record_change(
                    by=by, at=at, verb="reseal_second_factors", subject=ensure_firm(), after={"n_factors": done}
                )
    return FactorsResealed(n_resealed, n_already, tuple(dict.fromkeys(unopened)))
