"""One batch of events taken in: ledger, days, totals and faults in one transaction, exactly once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from company.errors import Refused
from company.models import User
from devices.models import IntakeBatch, IntakeSource, Receiver
from devices.rules.events import Event, RowProblem
from sites.models import Site


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
    file_name: str = "", by: User | None = None, at: datetime,
) -> Taken:  # fmt: skip
    """Take in a batch. To be filled by its owner; the signature is the contract.

    Raises
    ------
    OtherContent
        Same id, other digest.
    OutsideItsScope
        Receiver or site of somebody else. Nothing is written.
    """
    raise NotImplementedError
