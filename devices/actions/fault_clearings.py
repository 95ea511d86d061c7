"""When people cleared receivers on site, out of the change log: what was taken back is left out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from datetime import datetime
from typing import Any, NamedTuple

from company.models import ChangeRow


class Clearing(NamedTuple):
    """A receiver that a person cleared on site: when it was, and the word for it."""

    at: datetime
    why: str


def read_clearings(receiver_ids: Collection[int], since: datetime) -> dict[int, list[Clearing]]:
    """Receiver → its clearings since a moment that nobody took back, oldest first."""
    said = ChangeRow.objects.filter(
        verb__in=("clear_latched_faults", "latch_faults_again"), subject_kind="receiver", subject_id__in=receiver_ids,
        at__gte=since,
    )  # fmt: skip
    found: dict[int, list[tuple[Any, Clearing]]] = defaultdict(list)
    for verb, pk, moment, after, why in said.order_by("pk").values_list("verb", "subject_id", "at", "after", "reason"):
        faults, mine = (after or {}).get("faults", []), found[pk]
        if verb == "clear_latched_faults":
            mine.append((faults, Clearing(moment, why)))
            continue
        # Taken back is the last one that concerned these faults; of those that it named some may be gone.
        taken = set(faults)
        back = next(
            (n for n in reversed(range(len(mine))) if taken <= set(mine[n][0]) and (taken or not mine[n][0])), None
        )
        if back is not None:
            del mine[back]
    return {pk: sorted(one for _, one in mine) for pk, mine in found.items()}
