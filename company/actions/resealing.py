"""Sealed records given the newest key, a few in one transaction."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import QuerySet

from company.actions.firm import ensure_firm
from company.actions.log import record_change
from company.models import User
from company.sealed import SealBroken

BATCH = 50
"""Records sealed anew in one transaction: few, so that somebody else's write never waits long."""


@dataclass(frozen=True, slots=True)
class Resealed:
    """What a run over all sealed records of a kind did."""

    n_resealed: int
    n_already: int
    unopened: tuple[int, ...]
    """Keys of the records that no installed key opens; they are left as they are."""


def reseal_all(
    *,
    rows: QuerySet[Any],
    seal_row: Callable[[Any], bool],
    verb: str,
    counted: str,
    by: User | None,
    at: datetime,
    batch: int,
) -> Resealed:
    """Seal these records with the newest key, `batch` a transaction; may be broken off and run again at any time.

    `seal_row` seals one record anew and saves it, tells False where it has the newest key already, and raises SealBroken
    where no key opens it. One change row of the firm for each transaction says under `counted` how many were sealed.
    """
    pks = list(rows.order_by("pk").values_list("pk", flat=True))
    n_resealed = n_already = 0
    unopened: list[int] = []
    for start in range(0, len(pks), batch):
        with transaction.atomic():
            done = 0
            # Asked again under the lock: a record may have gone since the keys were read.
            for row in rows.filter(pk__in=pks[start : start + batch]).order_by("pk").select_for_update(of=("self",)):
                try:
                    is_new = seal_row(row)
                except SealBroken:
                    unopened.append(row.pk)
                    continue
                done += is_new
                n_already += not is_new
            n_resealed += done
            if done:
                # In the transaction of its records: a run that was broken off has said what it did.
                record_change(by=by, at=at, verb=verb, subject=ensure_firm(), after={counted: done})
    return Resealed(n_resealed, n_already, tuple(unopened))
