"""What of a batch was not read, kept with the answer that it got."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from devices.actions.intake import Taken
from devices.models import IntakeBatch
from devices.rules.events import RowProblem
from devices.rules.intake_rows import MOST_LEFT_OUT


def keep_not_read(
    *, taken: Taken, ignored: Sequence[str] = (), left_out: Sequence[RowProblem] = ()
) -> dict[str, Any]:  # fmt: skip
    """Add what was not read to a batch's answer, so that asking for it later tells it too; gives the answer whole.

    A statement of its own after the batch was taken: the same bytes sent again give the same, so nothing hangs on it.

    Parameters
    ----------
    ignored
        Names of fields that nobody described.
    left_out
        Values that were no good of rows that are taken; those of rows that were refused afterwards are not told again.
    """
    refused = {one["row"] for one in taken.answer["refused"]}
    without = [one for one in left_out if one.row not in refused][:MOST_LEFT_OUT]
    told: dict[str, Any] = {
        "ignored": list(ignored),
        "left_out": [{"row": one.row, "field": one.field, "why": one.why} for one in without],
    }
    if taken.is_repeat:
        # What was answered first goes before: read anew, a time may have become too old meanwhile.
        return told | taken.answer
    if kept := {name: some for name, some in told.items() if some}:
        taken.batch.answer = taken.answer | kept
        IntakeBatch.objects.filter(pk=taken.batch.pk).update(answer=taken.batch.answer)
    return taken.answer | told
