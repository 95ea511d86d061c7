"""What of a batch was not read, kept with the answer that it got."""

from __future__ import annotations

from collections.abc import Sequence

from devices.models import IntakeBatch


def keep_ignored(*, batch: IntakeBatch, ignored: Sequence[str]) -> None:
    """Add the names of fields that were not read to a batch's answer, so that asking for it later tells them too.

    A statement of its own after the batch was taken: the same bytes sent again give the same names, so nothing hangs on it.
    """
    batch.answer = batch.answer | {"ignored": list(ignored)}
    IntakeBatch.objects.filter(pk=batch.pk).update(answer=batch.answer)
