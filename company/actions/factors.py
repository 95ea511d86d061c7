"""Second factors sealed with a new key."""

from __future__ import annotations

from datetime import datetime

from allauth.mfa.models import Authenticator

from company.actions.resealing import BATCH, Resealed, reseal_all
from company.factor_seal import each_secret, seal_anew
from company.models import User


def reseal_second_factors(*, by: User | None, at: datetime, batch: int = BATCH) -> Resealed:
    """Seal the secret of every second factor with the newest key, as `reseal_all` does; one in the clear is sealed too."""
    kinds = (Authenticator.Type.TOTP, Authenticator.Type.RECOVERY_CODES)
    return reseal_all(
        rows=Authenticator.objects.filter(type__in=kinds), seal_row=_seal, verb="reseal_second_factors",
        counted="n_factors", by=by, at=at, batch=batch,
    )  # fmt: skip


def _seal(row: Authenticator) -> bool:
    data = each_secret(row.data, seal_anew)
    if data == row.data:
        return False
    row.data = data
    row.save(update_fields=["data"])
    return True
