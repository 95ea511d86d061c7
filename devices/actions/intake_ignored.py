"""What a sender said beside its events, and what of them was not read: told with the answer to its batch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from devices.rules.events import RowProblem
from devices.rules.intake_rows import MOST_LEFT_OUT


class Beside(NamedTuple):
    """What goes along with the events of a batch.

    Attributes
    ----------
    said
        Lines for its page.
    ignored
        Names of fields that nobody described.
    left_out
        Values that were no good of rows that are taken.
    """

    said: Sequence[str] = ()
    ignored: Sequence[str] = ()
    left_out: Sequence[RowProblem] = ()

    def told(self, answer: Mapping[str, Any]) -> dict[str, Any]:
        """What an answer is to say of it; nothing of what there is none. Of rows that were refused after all no value is told."""
        found: dict[str, Any] = {}
        if self.said:
            found["said"] = list(self.said)
        if self.ignored:
            found["ignored"] = list(self.ignored)
        if self.left_out:
            refused = {one["row"] for one in answer["refused"]}
            some = [one for one in self.left_out if one.row not in refused][:MOST_LEFT_OUT]
            found["left_out"] = [{"row": one.row, "field": one.field, "why": one.why} for one in some]
        return {name: some for name, some in found.items() if some}
